"""How high the outline of a corner stands, read off where the line of sight crosses it.

Seen along the line of sight, an outline has a side toward the camera and one beyond. From outside toward the
print, the first place that is no longer bed is the edge: what comes after it, a rim in the shade or a glint,
does not matter. That place is averaged along the outline near the tip of the corner.
"""

from __future__ import annotations

import math

import cv2
import numpy as np

from twinlapse.arrays import Bool, Float, Float32
from twinlapse.firstlayer.filament_share import STRIP_STEP_MM

__all__ = ["risen_mm", "sides_mm"]

_NEAR_MM = 1.2  # standard deviation of the weight around the tip
_EDGE = 0.35  # of the way from bed to filament: no longer bed
_HELD = 0.6  # that must be reached behind the edge
_BODY_MM = 0.6  # within which
_LOWEST_MM, _HIGHEST_MM = -0.6, 2.2  # of a rise that is looked for
_BESIDE_MM = 0.4  # of bed beyond that
_WITHIN_MM = 2.8  # on the bed: as far as the pictures reach
_FINE_MM = 0.01
_SLIVER = 0.15  # of the outline: a side that is shorter does not count
_HOLE_PX = 9  # between lines, which are not the outline
_STEEP = 1e-3


def sides_mm(share: Float32, inside: Bool, sight: Float, off_mm: Float) -> tuple[Float, Float]:
    """Return how much higher than expected the outline is on the side toward the camera and beyond.

    Parameters
    ----------
    share : (h, w)
        How much of each pixel is filament.
    inside : (h, w)
        Where the print should be seen.
    sight : (2,)
        mm on the bed by which a point seems to move per mm that it rises.
    off_mm : (2,)
        By how much the picture is off its place.

    Returns
    -------
    (2,) mm, NaN where the outline is not found; and (2,), how much of it lies on each side.
    """
    slope = max(float(np.hypot(*sight)), _STEEP)
    rows, columns, weights = _outline(inside, sight / slope)
    low, high = (min(reach * slope + _BESIDE_MM, _WITHIN_MM) for reach in (-_LOWEST_MM, _HIGHEST_MM))
    along_mm = np.arange(-low, high, _FINE_MM)
    places = off_mm + along_mm[:, None] * sight / slope
    x = (columns[:, None] + places[:, 0] / STRIP_STEP_MM).astype(np.float32)
    y = (rows[:, None] - places[:, 1] / STRIP_STEP_MM).astype(np.float32)
    seen = cv2.remap(share, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    heights, amounts = np.full(2, math.nan), np.zeros(2)
    for side, sign in enumerate((1, -1)):
        own = np.maximum(sign * weights, 0)
        amounts[side] = own.sum()
        if amounts[side] > _SLIVER * np.abs(weights).sum():
            profile = own @ seen / amounts[side]
            heights[side] = _edge_mm(profile[::sign], along_mm[::sign]) / slope
        else:
            amounts[side] = 0.0
    return heights, amounts


def risen_mm(first: tuple[Float, Float], now: tuple[Float, Float]) -> float:
    """Return by how much an outline rose between two pictures; NaN: it is not found in both."""
    weights = np.minimum(first[1], now[1])
    used = weights > 0
    if not used.any():
        return math.nan
    return float(np.average((now[0] - first[0])[used], weights=weights[used]))


def _outline(inside: Bool, way: Float) -> tuple[Float, Float, Float]:
    """Return rows, columns and weights of the pixels of an outline, (n,) each.

    Weights are positive where the print lies beyond the outline as seen along `way` (2,), negative where it
    lies before it, and small where the outline runs along.
    """
    filled = cv2.morphologyEx(
        inside.astype(np.uint8), cv2.MORPH_CLOSE, np.ones((_HOLE_PX, _HOLE_PX), np.uint8)
    )
    down, across = np.gradient(cv2.GaussianBlur(filled.astype(np.float32), (0, 0), 0.7))
    middle = (np.array(inside.shape) - 1) / 2
    away_mm = np.hypot(*(np.indices(inside.shape) - middle[:, None, None])) * STRIP_STEP_MM
    weights = (across * way[0] - down * way[1]) * np.exp(-((away_mm / _NEAR_MM) ** 2) / 2)
    rows, columns = np.nonzero(np.abs(weights) > 1e-3)
    return rows.astype(float), columns.astype(float), weights[rows, columns]


def _edge_mm(profile: Float, along_mm: Float) -> float:
    """Return where a profile that begins on the bed first leaves it; NaN: it does not, or only for a hair."""
    bed = float(profile[: round(_BESIDE_MM / _FINE_MM)].mean())
    edge = bed + _EDGE * (1 - bed)
    left = np.flatnonzero(profile > edge)
    if bed > _EDGE or not len(left) or left[0] == 0:
        return math.nan
    k = int(left[0])
    if profile[k : k + round(_BODY_MM / _FINE_MM)].max() < _HELD:
        return math.nan
    part = (edge - profile[k - 1]) / (profile[k] - profile[k - 1])
    return float(along_mm[k - 1] + part * (along_mm[k] - along_mm[k - 1]))
