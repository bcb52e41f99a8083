"""How much of each pixel around a corner is filament and how much bed, whatever light falls on them.

A pixel is taken for a mixture of the two colours, each of which may lie in the shade: the rim of a layer
looks aside and is darker than its top, and what is raised throws a shadow. Where filament and bed differ in
hue the mixture tells itself from shade; where they differ in brightness alone, shade is taken to be small.
Mixtures add up in light, not in codes.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from twinlapse.arrays import Bool, Float, Float32
from twinlapse.firstlayer.components import grown, shrunk
from twinlapse.firstlayer.linear_light import light_of

__all__ = ["RIM_MM", "STRIP_STEP_MM", "contrast", "filament_share", "softened"]

STRIP_STEP_MM = 0.08  # of the pictures laid around a corner
RIM_MM = 0.4  # at the outline neither filament nor bed is sampled
_APART = 3.0  # distance of filament and bed in spreads below which there is no outline
_SOFT_PX = 1.5
_FEWEST_PX = 100
_SHADE = 0.25  # standard deviation of the light on a place, as a share of the usual one
_GLOSS = 0.1  # the same of what is mirrored, as a share of the brighter colour
_ALIKE = 0.01  # keeps the amounts finite where both colours are the same
_OTHER = 0.02  # the same of all else: noise, the blocks of a JPEG


def filament_share(picture: NDArray[np.uint8], inside: Bool) -> Float32 | None:
    """Return how much of each pixel is filament, 0 to 1, (h, w); None where it is not told from bed.

    Parameters
    ----------
    picture : (h, w, 3)
    inside : (h, w)
        About where the print is seen: their colours are sampled away from its rim.
    """
    light = light_of(picture)
    core, beside = _sampled(inside)
    if min(core.sum(), beside.sum()) < _FEWEST_PX:
        return None
    colours = np.array([np.median(light[where], axis=0) for where in (core, beside)], float)
    brightest = max(float(colours.max()), 1e-6)
    hues = [_hue_only(light[where], colour) for where, colour in zip((core, beside), colours, strict=True)]
    spread = (np.cov(hues[0].T) + np.cov(hues[1].T)) / 2
    spread += brightest**2 * (_OTHER**2 * np.eye(3) + _GLOSS**2 * np.ones((3, 3)))
    # least squares for both amounts; that they add up to the usual light is one observation more
    weighed = colours @ np.linalg.inv(spread)
    normal = weighed @ colours.T + _SHADE**-2 + _ALIKE * np.eye(2)
    amounts = (light @ weighed.T + _SHADE**-2) @ np.linalg.inv(normal)
    amounts = np.maximum(amounts, 0)
    share = np.asarray(amounts[..., 0] / np.maximum(amounts.sum(axis=-1), 1e-6), np.float32)
    soft = softened(share)
    noise = np.sqrt((soft[core].var() + soft[beside].var()) / 2)
    return share if np.median(soft[core]) - np.median(soft[beside]) > _APART * noise else None


def contrast(picture: NDArray[np.uint8], inside: Bool) -> float:
    """Return by how much filament and bed differ in CIE Lab; 0 where one of them is hardly seen."""
    lab = cv2.cvtColor(picture.astype(np.float32) / 255, cv2.COLOR_RGB2LAB)
    lab = softened(np.asarray(lab, np.float32))
    filament, bed = (lab[where] for where in _sampled(inside))
    if min(len(filament), len(bed)) < _FEWEST_PX:
        return 0.0
    return float(np.linalg.norm(np.median(filament, axis=0) - np.median(bed, axis=0)))


def softened(picture: Float32) -> Float32:
    """Return a picture without its finest detail."""
    return np.asarray(cv2.GaussianBlur(picture, (0, 0), _SOFT_PX), np.float32)


def _sampled(inside: Bool) -> tuple[Bool, Bool]:
    """Return where filament and where bed is sampled."""
    rim = RIM_MM / STRIP_STEP_MM
    return shrunk(inside, rim), ~grown(inside, rim)


def _hue_only(light: Float32, colour: Float) -> Float:
    """Return colours (n, 3) without what more or less light would explain."""
    return np.asarray(light - (light @ colour / max(float(colour @ colour), 1e-12))[:, None] * colour)
