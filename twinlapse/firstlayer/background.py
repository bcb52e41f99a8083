"""The bare bed as the background of a layer: what was there before the print is not the print's.

Residue of an older print, scratches, glue and texture look the same in both surveys; what differs is what was
laid since. Each picture of the bare bed is laid onto the map beside the picture from the same stop: both show
the bed around the print, which says how far the two stops were apart.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np

from twinlapse.arrays import Bool, Float, Float32, Picture
from twinlapse.firstlayer.components import grown
from twinlapse.firstlayer.expected import Lines, drawn
from twinlapse.firstlayer.mosaic import (
    LayerPictures,
    Mosaic,
    SurveyFrame,
    blended,
    laid_on,
    shown_box,
    unshaded,
)
from twinlapse.firstlayer.overlaps import Patch, common, cut, moved_px
from twinlapse.records import ArrayRecord

__all__ = [
    "COVERS",
    "LEAST_PEAK",
    "SAME_STOP_MM",
    "Background",
    "background_of",
    "difference_of",
    "like_print",
    "overexposed",
]

SAME_STOP_MM = 0.5  # two stops nearer than this are one: the plan writes both with the same figures
_AROUND_MM = 1.2  # this far around the print the bed is not compared: shadows, what has been dragged out
_FEWEST_PX = 1500  # of bed that both pictures show
_FURTHEST_MM = 1.0
LEAST_PEAK = 0.1  # of the correlation, below which two pictures of the bed have nothing in common
COVERS = 0.9  # share of the map that the bare bed must cover, else it is not used
_COUNTS = 0.02  # weight of a picture, of 1 where it is sharpest, that is seen in a map
_CLIPPED = 250  # of 255, of the brightest channel: a reflection of the lamp, which the print has as well
_BRIGHT = 200  # of a print's brightest channel, less than which is no reflection
# of the way from bed to print in CIE Lab: what is left of it parts a print on residue from a gap
_ALIKE = 0.3
_GRAIN_MM = 0.3  # grains of the bed are no residue
_BLUR_MM = 0.15  # what is left between two stops is smaller than this


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class Background(ArrayRecord):
    """The bare bed on the canvas of a map."""

    colours: Picture  # as bright as the map shows the bed
    seen: Bool
    alike: Bool  # where the bed itself looks like the print, or is too bright to tell: residue, the lamp
    placed: int  # pictures whose place the bed around the print shows
    frames: int


def background_of(survey: LayerPictures, mosaic: Mosaic, lines: Lines) -> Background | None:
    """Return the bare bed on a map's canvas; None where it covers too little of it.

    Parameters
    ----------
    survey : LayerPictures
        With the camera as the map was made with it.
    mosaic : Mosaic
    lines : Lines
    """
    canvas, frames = mosaic.canvas, survey.frames
    ground = np.zeros(canvas.shape)
    far = ~grown(drawn(lines, canvas), _AROUND_MM / canvas.step_mm)
    patches, uneven, placed = [], [], 0
    for picture in survey.bare:
        k = _same_stop(picture, frames)
        start = np.zeros(2) if k is None else mosaic.shifts_mm[k]
        box = shown_box(picture, survey)
        patch = laid_on(picture, survey, ground, canvas, box, start)
        if k is not None:
            now = laid_on(frames[k], survey, ground, canvas, box, mosaic.shifts_mm[k])
            slip = _slip(now, patch, far, canvas.step_mm)
            if slip is not None:
                placed += 1
                patch = laid_on(picture, survey, ground, canvas, box, start + slip)
            patch = _as_bright(patch, now, far, float(mosaic.gains[k]))
            # both maps must be blended of the same pictures, or the seams would be taken for threads
            uneven.append(replace(now, weight=now.weight * (patch.weight == 0) * (now.weight > _COUNTS)))
            patch = replace(patch, weight=now.weight * (patch.weight > 0))
        patch = unshaded(patch, picture, canvas, mosaic.shading)
        patches.append(patch)
    if not patches:
        return None
    colours, seen = blended(patches, np.ones(len(patches)), canvas)
    if (seen & mosaic.seen).sum() < COVERS * mosaic.seen.sum():
        return None
    bright = cv2.GaussianBlur(mosaic.colours.max(axis=2), (0, 0), _BLUR_MM / canvas.step_mm) > _BRIGHT
    dazzled = seen & bright & overexposed(colours, canvas.step_mm)  # a dark print is told from any bed
    if uneven:
        dazzled |= seen & blended(uneven, np.ones(len(uneven)), canvas)[1]
    alike = dazzled | (seen & like_print(colours, mosaic, lines))
    return Background(colours=colours, seen=seen & ~dazzled, alike=alike, placed=placed, frames=len(patches))


def like_print(bare: Picture, mosaic: Mosaic, lines: Lines) -> Bool:
    """Return where the bare bed (h, w, 3) on a map's canvas has a good part of the print's colour."""
    canvas = mosaic.canvas
    printed = drawn(lines, canvas, -_BLUR_MM) & mosaic.seen
    bed = ~grown(drawn(lines, canvas), _AROUND_MM / canvas.step_mm) & mosaic.seen
    if min(printed.sum(), bed.sum()) < _FEWEST_PX:
        return np.zeros(canvas.shape, np.bool_)
    now, before = (
        cv2.cvtColor(some.astype(np.float32) / 255, cv2.COLOR_RGB2LAB) for some in (mosaic.colours, bare)
    )
    usual = np.median(now[bed], axis=0)
    way = np.median(now[printed], axis=0) - usual
    share = np.asarray((before - usual) @ way / max(float(way @ way), 1e-6), np.float32)
    return np.asarray(cv2.GaussianBlur(share, (0, 0), _GRAIN_MM / canvas.step_mm) > _ALIKE)


def difference_of(colours: Picture, seen: Bool, background: Background, step_mm: float) -> Float32:
    """Return by how much a map (h, w, 3) differs from the bare bed, in CIE Lab, (h, w, 3).

    What one of them does not show has no part in what is said beside it, and differs by nothing.
    """
    now, before = (
        cv2.cvtColor(some.astype(np.float32) / 255, cv2.COLOR_RGB2LAB)
        for some in (colours, background.colours)
    )
    both = (seen & background.seen).astype(np.float32)
    above = cv2.GaussianBlur((now - before) * both[..., None], (0, 0), _BLUR_MM / step_mm)
    below = cv2.GaussianBlur(both, (0, 0), _BLUR_MM / step_mm)
    return np.asarray(above / np.maximum(below, 1e-3)[..., None], np.float32)


def overexposed(colours: Picture, step_mm: float) -> Bool:
    """Return where the bed is so bright that a print on it differs by nothing that can be read."""
    clipped = (colours.max(axis=2) >= _CLIPPED).astype(np.float32)
    return np.asarray(cv2.GaussianBlur(clipped, (0, 0), _BLUR_MM / step_mm) > 0.5)


def _same_stop(picture: SurveyFrame, frames: Sequence[SurveyFrame]) -> int | None:
    away = [math.dist(picture.nozzle_mm, frame.nozzle_mm) for frame in frames]
    k = int(np.argmin(away)) if away else 0
    return k if away and away[k] < SAME_STOP_MM else None


def _slip(now: Patch, bare: Patch, far: Bool, step_mm: float) -> Float | None:
    """Return by how much the bare bed must move to lie on the bed beside the print, mm; None: not known."""
    box = common(now, bare)
    if box is None:
        return None
    (one, wa), (other, wb) = cut(now, box), cut(bare, box)
    both = np.minimum(wa, wb) * _within(far, box)
    if (both > 0.05).sum() < _FEWEST_PX:
        return None
    shift, _, height = moved_px(one, other, both)
    slip = np.asarray([-step_mm, step_mm]) * shift
    return slip if height > LEAST_PEAK and float(np.hypot(*slip)) < _FURTHEST_MM else None


def _as_bright(bare: Patch, now: Patch, far: Bool, gain: float) -> Patch:
    """Return the bare bed as bright as the other picture shows the bed: exposures differ."""
    box = common(now, bare)
    if box is None:
        return bare
    (one, wa), (other, wb) = cut(now, box), cut(bare, box)
    both = (np.minimum(wa, wb) > 0.05) & (_within(far, box) > 0)
    ratio = np.ones(3, np.float32)
    if both.sum() >= _FEWEST_PX:
        ratio = np.asarray(np.median(one[both], axis=0) / np.maximum(np.median(other[both], axis=0), 1.0))
    return Patch(
        row=bare.row, column=bare.column, colours=bare.colours * np.float32(gain) * ratio, weight=bare.weight
    )


def _within(mask: Bool, box: tuple[int, int, int, int]) -> Float32:
    """Return a mask of the canvas in a box that may reach beyond it; beyond it is bed."""
    top, left, bottom, right = box
    rows = np.clip(np.arange(top, bottom), 0, mask.shape[0] - 1)
    columns = np.clip(np.arange(left, right), 0, mask.shape[1] - 1)
    return mask[np.ix_(rows, columns)].astype(np.float32)
