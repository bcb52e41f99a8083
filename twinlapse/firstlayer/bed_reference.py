"""How far a picture of a corner is off its place, read off the bed beside the corner.

A machine stops a hair off each time, and a stop that is off looks like a corner that has moved. The bed
beside it does not rise: what it does from picture to picture is the stop's doing alone.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from twinlapse.arrays import Bool, Float
from twinlapse.firstlayer.canvas import Canvas, canvas_around
from twinlapse.firstlayer.components import grown
from twinlapse.firstlayer.mosaic import SurveyFrame
from twinlapse.firstlayer.overlaps import fine_detail, moved_px
from twinlapse.optics.pose import in_picture, pose_in_bed, see
from twinlapse.rig import Camera, Printer

__all__ = [
    "HELD_BACK",
    "NO_SLIP",
    "Bed",
    "Slip",
    "bed_beside",
    "bed_canvas",
    "laid",
    "slip",
]

_SIDE_MM = 11.0  # of the piece of bed
_AWAY_MM = 4.5  # of its middle from the corner
_CLEAR_MM = 1.2  # between the print and what is looked at: the corner's shadow, and what it hides
_STEP_MM = 0.08
_FEWEST = 0.2  # share of the piece that must be seen
# how far a stop may be off (one standard deviation) when nothing shows it: the worst machine considered
_PARKING_MM = 0.3
_FURTHEST_MM = 1.5
# codes of fine detail below which a bed is bare: rehearsed bare beds show 0.6 to 1.3, and what is told there
# is up to 0.17 mm wrong; rough ones show 1.8 and more, one with a skirt on it 16
_TEXTURE = 1.5
_LEAST = 0.2  # height of the correlation's peak below which nothing is told
# by how much what the brightness tells is less sure than it says: the blocks of a JPEG and the glare of the
# camera's own light do not move with the bed (steady corners of both renderers err by less than a lift of
# what this leaves open)
HELD_BACK = 4.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Bed:
    """A piece of bed beside a corner, laid to its place."""

    picture: NDArray[np.float32]  # (h, w, 3)
    seen: NDArray[np.float32]  # (h, w): 0 where it was not seen, or the print may lie


def bed_canvas(corner_mm: Float, away: Float) -> Canvas:
    """Return the piece of bed beside a corner (2,), in the direction `away` (2,) from the print."""
    return canvas_around(corner_mm + away * _AWAY_MM, _SIDE_MM, _STEP_MM)


def bed_beside(
    canvas: Canvas, printed: Bool, frame: SurveyFrame, camera: Camera, printer: Printer
) -> Bed | None:
    """Return a piece of bed without what is printed on it (h, w); None where too little shows."""
    picture, at = laid(frame, canvas, 0.0, camera, printer)
    shown = in_picture(at, camera.lens, 0.99) & ~grown(printed, _CLEAR_MM / _STEP_MM)
    if shown.mean() < _FEWEST:
        return None
    return Bed(picture=picture.astype(np.float32), seen=shown.astype(np.float32))


def laid(
    frame: SurveyFrame, canvas: Canvas, z_mm: float, camera: Camera, printer: Printer
) -> tuple[NDArray[np.uint8], Float]:
    """Return a frame laid to the level plane at `z_mm`, and where in it each pixel lies, (h, w, 2)."""
    points = np.concatenate([canvas.grid_mm(), np.full((*canvas.shape, 1), z_mm)], axis=-1)
    at = see(points, pose_in_bed(camera, printer, frame.nozzle_mm), camera.lens)
    across, down = at[..., 0].astype(np.float32), at[..., 1].astype(np.float32)
    return np.asarray(cv2.remap(frame.picture, across, down, cv2.INTER_LINEAR), np.uint8), at


@dataclass(frozen=True, slots=True, kw_only=True)
class Slip:
    """How far the bed beside a corner seems to have moved since the first picture."""

    moved_mm: Float  # (2,)
    spread_mm: float  # standard deviation


NO_SLIP = Slip(moved_mm=np.zeros(2), spread_mm=2**0.5 * _PARKING_MM)


def slip(first: Bed | None, now: Bed | None) -> Slip:
    """Return how far the bed seems to have moved.

    A bed that tells little is believed little: where nothing is known, a stop is where it should be.
    """
    if first is None or now is None:
        return NO_SLIP
    both = np.minimum(first.seen, now.seen)
    if min(float(fine_detail(each.picture, both).std()) for each in (first, now)) < _TEXTURE:
        return NO_SLIP
    shift, spread, height = moved_px(first.picture, now.picture, both)
    flip = np.diag([_STEP_MM, -_STEP_MM])  # rows run toward the front
    moved = flip @ shift
    if height < _LEAST or math.hypot(*moved) > _FURTHEST_MM:
        return NO_SLIP
    usual, told = np.eye(2) * NO_SLIP.spread_mm**2, flip @ spread @ flip * HELD_BACK**2
    trust = usual @ np.linalg.inv(usual + told)
    left = usual - trust @ usual
    return Slip(moved_mm=np.asarray(trust @ moved), spread_mm=float(np.sqrt(np.linalg.eigvalsh(left)[-1])))
