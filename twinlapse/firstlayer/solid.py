"""The print as a camera sees it from aside: each layer stands at its own height, and hides what lies behind.

From the second layer on the outline on the camera's side is that of the lowest layer, the outline beyond is
that of the highest, and a strip of bed beyond it is hidden. Each layer is taken at the middle of its height,
where its lines are widest; seen from a level camera their rounded sides reach further than that.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np

from twinlapse.arrays import Bool, Float, Float32
from twinlapse.firstlayer.canvas import Canvas
from twinlapse.firstlayer.expected import Lines, drawn
from twinlapse.firstlayer.picture_ground import LEVEL_DEG, BlurredMask, PictureGround, blurred_mask
from twinlapse.optics.gap_view import side_mm

__all__ = [
    "HIDING_MM",
    "SIDE_MM",
    "HidingLayer",
    "LowerLayer",
    "SolidMask",
    "drawn_below",
    "ground_of",
    "hidden_bed",
    "seen_slices",
    "solid_mask",
    "spread_over",
    "standing_on",
]

_MOST_BELOW = 4  # lower layers that are drawn
_FLAT_MM = 1e-6
SIDE_MM = 0.05  # by which sides of lines reach beyond their outline, from which on they are seen as sides
HIDING_MM = 0.1  # around lines: what parking and calibration leave open


@dataclass(frozen=True, slots=True, kw_only=True)
class LowerLayer:
    """A layer below the one that is looked at."""

    lines: Lines
    top_mm: float
    height_mm: float

    @property
    def middle_mm(self) -> float:
        """Half way up, where its lines are widest."""
        return self.top_mm - self.height_mm / 2


@dataclass(frozen=True, slots=True, kw_only=True)
class HidingLayer:
    """A layer that hides what lies behind it."""

    mask: Bool  # on a canvas
    top_mm: float
    middle_mm: float


@dataclass(frozen=True, slots=True)
class SolidMask:
    """Where the print should be seen, blurred: the layer looked at, and those below it."""

    masks: tuple[BlurredMask, ...]
    depths_mm: tuple[float, ...]  # of each below the plane of the first

    def at(self, geometry: PictureGround, off_mm: Float) -> tuple[Float32, Float32, Float32]:
        """Return value and slopes at each pixel of a picture with the nozzle at `off_mm` (2,)."""
        value, slope_x, slope_y = self.masks[0].at(geometry.places + off_mm)
        for mask, depth_mm in zip(self.masks[1:], self.depths_mm[1:], strict=True):
            other = mask.at(geometry.deeper(depth_mm) + off_mm)
            before = other[0] > value
            value, slope_x, slope_y = (
                np.where(before, a, b) for a, b in zip(other, (value, slope_x, slope_y), strict=True)
            )
        return value, slope_x, slope_y


def spread_over(below: Sequence[LowerLayer]) -> list[LowerLayer]:
    """Return the lowest and the highest of many layers and some between: neighbours show much the same."""
    if len(below) <= _MOST_BELOW:
        return list(below)
    return [below[round(k)] for k in np.linspace(0, len(below) - 1, _MOST_BELOW)]


def seen_slices(
    lines: Lines, z_mm: float, height_mm: float, below: Sequence[LowerLayer], steep_rad: float
) -> list[tuple[Lines, float]]:
    """Return slices of the print that make its outline, and how deep each lies below `z_mm`.

    Parameters
    ----------
    lines : Lines
        Of the layer looked at.
    z_mm, height_mm : float
        Its middle and its height.
    below : sequence of LowerLayer
        The lowest first.
    steep_rad : float
        Of the line of sight above level. From a level camera, lines of sight touch the sides of the highest
        layer above the middle and those of the lowest one below it: each gets a slice there.
    """
    steep_rad = max(steep_rad, math.radians(LEVEL_DEG))
    chosen = spread_over(below)
    slices = [(lines, 0.0), *((layer.lines, z_mm - layer.middle_mm) for layer in chosen)]
    ends = [(lines, z_mm, height_mm, 1.0)]
    ends.append(
        (chosen[0].lines, chosen[0].middle_mm, chosen[0].height_mm, -1.0) if chosen else (*ends[0][:3], -1.0)
    )
    for some, middle_mm, tall_mm, sign in ends:
        if side_mm(tall_mm, steep_rad) > SIDE_MM:
            narrower = replace(some, width_mm=some.width_mm - tall_mm * (1 - math.sin(steep_rad)))
            slices.append((narrower, z_mm - middle_mm - sign * tall_mm / 2 * math.cos(steep_rad)))
    return slices


def solid_mask(
    sharp: Sequence[Float32], depths_mm: Sequence[float], canvas: Canvas, blur_mm: float
) -> SolidMask:
    """Return the masks (h, w) of layers, the one looked at first, blurred by `blur_mm` (sigma)."""
    return SolidMask(
        masks=tuple(blurred_mask(each, canvas, blur_mm) for each in sharp), depths_mm=tuple(depths_mm)
    )


def drawn_below(below: Sequence[LowerLayer], canvas: Canvas, grow_mm: float = 0.0) -> Bool:
    """Return where lower layers lie, (height, width); each line is widened by `grow_mm` in all."""
    ink = np.zeros(canvas.shape, np.bool_)
    for layer in below:
        ink |= drawn(layer.lines, canvas, grow_mm)
    return ink


def ground_of(on_layer: Bool, z_mm: float, below: Sequence[LowerLayer], canvas: Canvas) -> Float:
    """Return the height of what lies at each place, (height, width) mm: a layer or the bed."""
    ground = np.zeros(canvas.shape)
    for layer in below:  # the lowest first
        ground[drawn(layer.lines, canvas)] = layer.middle_mm
    ground[on_layer] = z_mm
    return ground


def standing_on(
    lines: Lines, top_mm: float, height_mm: float, below: Sequence[LowerLayer], canvas: Canvas
) -> tuple[HidingLayer, ...]:
    """Return what hides the bed behind it, on a canvas."""
    own = LowerLayer(lines=lines, top_mm=top_mm, height_mm=height_mm)
    return tuple(
        HidingLayer(
            mask=drawn(each.lines, canvas, 2 * HIDING_MM), top_mm=each.top_mm, middle_mm=each.middle_mm
        )
        for each in (own, *spread_over(below))
    )


def hidden_bed(
    points_mm: Float, eye_mm: Float, shift_mm: Float, canvas: Canvas, standing: Sequence[HidingLayer]
) -> Bool:
    """Return which points (h, w, 3) lie behind the print for an eye (3,), (h, w).

    Both stand off the canvas by `shift_mm`. A layer hides nothing of what lies as high as itself.
    """
    hidden = np.zeros(points_mm.shape[:2], np.bool_)
    rest = points_mm[..., :2] - eye_mm[:2]
    down = eye_mm[2] - points_mm[..., 2]
    for layer in standing:
        over = eye_mm[:2] + rest * ((eye_mm[2] - layer.top_mm) / down)[..., None] + shift_mm
        at = canvas.to_px(over).astype(np.float32)
        there = cv2.remap(layer.mask.astype(np.uint8), at[..., 0], at[..., 1], cv2.INTER_NEAREST) > 0
        hidden |= there & (points_mm[..., 2] < layer.middle_mm - _FLAT_MM)
    return hidden
