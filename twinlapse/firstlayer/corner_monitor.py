"""The corner check: the same corners of the print over its first layers, and whether one lifts.

A corner that curls up rises toward the camera: in the picture its outline moves along the line of sight.
What is followed is the outline of the print against the bed, or that of its brim, not the lines within it,
which run another way on each layer. Where that outline should be seen is drawn from the toolpath, each layer
at its own height: a higher layer hides more of the bed behind it, which is no rise. How far a stop was off is
read off the bed beside the corner, which does not rise; where the bed does not show that, or the outline is
not found again, the corner's lift is not known, and that is said.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from twinlapse.arrays import Float
from twinlapse.firstlayer.bed_reference import slip
from twinlapse.firstlayer.classify import LEAST_CONTRAST
from twinlapse.firstlayer.components import moved
from twinlapse.firstlayer.corner_edge import risen_mm, sides_mm
from twinlapse.firstlayer.corner_strip import Strip
from twinlapse.firstlayer.filament_share import STRIP_STEP_MM, contrast, filament_share

__all__ = ["ALARM_MM", "KNOWN_MM", "WALL_SHARE", "CornerMonitor", "monitor_corners"]

# of lift: chosen on drawn pictures, where steady corners read 0.12 mm at most, with a brim 0.06; the higher
# the wall that faces the camera, the less sure it is where its foot is seen
ALARM_MM, WALL_SHARE = 0.12, 0.1
KNOWN_MM = 0.07  # standard deviation of a parking error that is known well enough
_SURE = 3.0  # a lift must be this many times what the stop's error leaves open
_FAINT = 2.0  # times the limit where filament and bed look alike; a wall in the shade may look like bed there
_ELSEWHERE_MM = 1.0  # higher or lower than expected in the first picture: that is not the outline
_TURNS = 2  # of reading a rise: colours are sampled anew where the outline is


@dataclass(frozen=True, slots=True, kw_only=True)
class CornerMonitor:
    """What one corner did since the first picture."""

    corner_mm: tuple[float, float]
    lift_mm: Float  # (pictures,) estimated from the shift along the line of sight; NaN: not known
    blur: Float  # (pictures,) sharpness over that of the first picture; NaN: not seen
    lifted: bool
    confidence: float  # 0 to 1
    since: int | None  # index of the first picture in which it is up

    @property
    def known(self) -> bool:
        """Whether its lift is known in any picture after the first."""
        return bool(np.isfinite(self.lift_mm[1:]).any())

    @property
    def newest_mm(self) -> float:
        """Lift in the newest picture in which it is known."""
        return float(self.lift_mm[np.isfinite(self.lift_mm)][-1])


def monitor_corners(strips: Sequence[Strip]) -> list[CornerMonitor]:
    """Return what each corner did: of all corners, with the same number of pictures."""
    return [_watch(strip, *_lifts(strip)) for strip in strips]


def _watch(strip: Strip, lifts: Float, limits: Float) -> CornerMonitor:
    up = _up(lifts, limits)
    newest = int(np.flatnonzero(np.isfinite(lifts))[-1])
    lasting = bool(up[newest])
    sharp = np.array([_sharpness(picture) for picture in strip.pictures])
    sure = 1 - math.exp(-max(0.0, float(lifts[newest])) / (2 * limits[newest]))
    return CornerMonitor(
        corner_mm=strip.corner_mm,
        lift_mm=lifts,
        blur=sharp / max(sharp[0], 1e-6),
        lifted=lasting,
        confidence=round(sure, 2) if lasting else round(1 - sure, 2),
        since=int(np.flatnonzero(up)[0]) if lasting else None,
    )


def _up(lifts: Float, limits: Float) -> NDArray[np.bool_]:
    """Return in which pictures a corner is up: one picture says so, or it and the one before together."""
    up = lifts > limits
    up[2:] |= lifts[1:-1] + lifts[2:] > limits[1:-1] + limits[2:]
    return up


def _lifts(strip: Strip) -> tuple[Float, Float]:
    """Return how far a corner rose in n pictures, and from where on a rise is one, (n,) mm each.

    NaN: not known, because the outline is not found again, the bed beside does not show the stop's error, or
    filament and bed look so much alike that only a rise that two pictures show can be told.
    """
    slips = [slip(strip.beds[0], bed) for bed in strip.beds]
    spread = np.array([each.spread_mm for each in slips])
    sides = [_sides(strip, k, each.moved_mm) for k, each in enumerate(slips)]
    lift = np.array([risen_mm(sides[0], now) for now in sides])
    slope = np.maximum(np.hypot(*strip.sights.T), 1e-3)
    facing = np.array([weights[0] / max(weights.sum(), 1e-9) for _, weights in sides])
    wall_mm = np.maximum(strip.wall_mm - strip.wall_mm[0], 0.0) * facing
    contrasts = np.array([_contrast(*each) for each in zip(strip.pictures, strip.inside, strict=True)])
    least = np.fmin(contrasts, contrasts[0])
    faint = least < LEAST_CONTRAST
    limits = np.where(faint, _FAINT * ALARM_MM + wall_mm, ALARM_MM + WALL_SHARE * wall_mm)
    limits = np.fmax(limits, _SURE * spread / slope)
    lift[(spread > KNOWN_MM) | (faint & ~_twice(lift > limits))] = np.nan
    if np.nanmax(np.abs(sides[0][0]), initial=0.0) > _ELSEWHERE_MM:
        lift[:] = np.nan
    lift[0] = 0.0
    return lift, limits


def _sides(strip: Strip, k: int, slip_mm: Float) -> tuple[Float, Float]:
    """Return how much higher than expected a picture shows the two sides of the outline, and their weights.

    Weights are 0 where the picture does not show it.
    """
    picture, inside, sight = strip.pictures[k], strip.inside[k], strip.sights[k]
    unknown, lift_mm = (np.full(2, math.nan), np.zeros(2)), 0.0
    if picture is None or inside is None:
        return unknown
    for _ in range(_TURNS):
        across, up = (slip_mm + lift_mm * sight) / STRIP_STEP_MM
        share = filament_share(picture, moved(inside, (round(across), round(-up))))
        if share is None:
            return unknown
        sides = sides_mm(share, inside, sight, slip_mm)
        lift_mm = risen_mm((np.zeros(2), sides[1]), sides)
        if not math.isfinite(lift_mm):
            return unknown
    return sides


def _twice(over: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Return which pictures say the same as the one before or after them."""
    return np.asarray(over & (np.append(over[1:], False) | np.append(False, over[:-1])))


def _contrast(picture: NDArray[np.uint8] | None, inside: NDArray[np.bool_] | None) -> float:
    return math.nan if picture is None or inside is None else contrast(picture, inside)


def _sharpness(picture: NDArray[np.uint8] | None) -> float:
    if picture is None:
        return math.nan
    grey = cv2.cvtColor(picture, cv2.COLOR_RGB2GRAY).astype(np.float32)
    return float(cv2.Laplacian(grey, cv2.CV_32F).var()) / max(float(grey.var()), 1.0)
