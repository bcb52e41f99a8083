"""One corner of the print over the layers, each picture laid to the same rectangle of the bed.

Where the print should be seen is drawn from the toolpath, each layer at its own height: a higher layer hides
more of the bed behind it. Where the camera is not quite where the rig says, the corner is sought in the first
picture and all are laid around the place where it is found.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from twinlapse.arrays import Bool, Float, Float32
from twinlapse.firstlayer.bed_reference import Bed, bed_beside, bed_canvas, laid
from twinlapse.firstlayer.canvas import Canvas, canvas_around
from twinlapse.firstlayer.components import moved, shrunk
from twinlapse.firstlayer.expected import Lines, drawn
from twinlapse.firstlayer.filament_share import RIM_MM, STRIP_STEP_MM, filament_share, softened
from twinlapse.firstlayer.mosaic import SurveyFrame
from twinlapse.firstlayer.solid import LowerLayer, drawn_below
from twinlapse.optics.pose import pose_in_bed
from twinlapse.rig import Camera, Printer

__all__ = ["Strip", "strip_of"]

_SIDE_MM = 9.6  # of the piece that is watched around a corner
_NEAR_MM = 16.0  # as far from the corner anything is drawn
_TIP_MM = 4.8  # of the piece of outline that is sought
_WEAK = 0.8  # of 1: an outline that looks less like itself is another thing
_ASTRAY_MM = 2.5  # by which the rig's camera may show a corner beside its place
_TURNS = 3  # of seeking it: colours are sampled anew where it is
_FLAT_MM = 1e-6


@dataclass(frozen=True, slots=True, kw_only=True)
class Strip:
    """One corner over the layers, each picture laid to the same rectangle of the bed."""

    corner_mm: tuple[float, float]
    # one for each layer; None: no frame of that layer shows the corner; not the first
    pictures: tuple[NDArray[np.uint8] | None, ...]
    beds: tuple[Bed | None, ...]  # what lies beside it in each picture, where that is seen
    inside: tuple[Bool | None, ...]  # (h, w) where the print should be seen in each picture
    sights: Float  # (n, 2) mm on the bed by which a point seems to move per mm that it rises; NaN: not seen
    wall_mm: Float  # (n,) how high the print stands at the outline above its lowest layer; NaN: not seen


def strip_of(
    corner_mm: tuple[float, float],
    frames: Sequence[tuple[SurveyFrame, float] | None],
    camera: Camera,
    printer: Printer,
    layers: Sequence[LowerLayer],
) -> Strip:
    """Return one corner in each picture, laid to the height of the lowest layer.

    Parameters
    ----------
    frames : sequence of (SurveyFrame, float) or None
        The picture of each layer and the height of that layer's top; None where the corner was not seen.
    layers : sequence of LowerLayer
        All layers up to the highest that was looked at, the lowest first.
    """
    near = [replace(layer, lines=_around(corner_mm, layer.lines)) for layer in layers]
    ground_mm = near[0].middle_mm
    seen = [
        None if shown is None else (*shown, _sight(corner_mm, ground_mm, shown[0], camera, printer))
        for shown in frames
    ]

    corner = np.array(corner_mm)

    def laid_around(at_mm: Float, side_mm: float, frame: SurveyFrame) -> NDArray[np.uint8]:
        return laid(frame, canvas_around(at_mm, side_mm, STRIP_STEP_MM), ground_mm, camera, printer)[0]

    frame, top_mm, sight = next(each for each in seen if each is not None)
    wide = canvas_around(corner, _SIDE_MM + 2 * _ASTRAY_MM, STRIP_STEP_MM)
    wanted = _seen_print(near, top_mm, sight, wide)
    astray_mm = _astray_mm(laid_around(corner, _SIDE_MM + 2 * _ASTRAY_MM, frame), wanted)
    away = corner - wide.grid_mm()[wanted].mean(axis=0) if wanted.any() else np.ones(2)
    away /= max(float(np.hypot(*away)), 1e-9)
    beside, around = bed_canvas(corner, away), canvas_around(corner, _SIDE_MM, STRIP_STEP_MM)
    bed = replace(beside, left_mm=beside.left_mm + astray_mm[0], back_mm=beside.back_mm + astray_mm[1])
    printed = drawn_below(near, beside)
    return Strip(
        corner_mm=corner_mm,
        pictures=tuple(
            None if each is None else laid_around(corner + astray_mm, _SIDE_MM, each[0]) for each in seen
        ),
        beds=tuple(
            None if each is None else bed_beside(bed, printed, each[0], camera, printer) for each in seen
        ),
        inside=tuple(None if each is None else _seen_print(near, *each[1:], around) for each in seen),
        sights=np.array([(np.nan, np.nan) if each is None else each[2] for each in seen]),
        wall_mm=np.array([np.nan if each is None else _wall_mm(near, each[1], around) for each in seen]),
    )


def _wall_mm(layers: Sequence[LowerLayer], top_mm: float, canvas: Canvas) -> float:
    """Return how high the print stands at its outline above the lowest layer: with a brim it does not."""
    upper = [layer for layer in layers[1:] if layer.top_mm < top_mm + _FLAT_MM]
    within = shrunk(drawn_below(layers[:1], canvas), RIM_MM / STRIP_STEP_MM)
    return top_mm - layers[0].top_mm if (drawn_below(upper, canvas) & ~within).any() else 0.0


def _around(corner_mm: tuple[float, float], lines: Lines) -> Lines:
    """Return the lines that may show around a corner."""
    low = np.minimum(lines.first_mm, lines.last_mm) - np.array(corner_mm)
    high = np.maximum(lines.first_mm, lines.last_mm) - np.array(corner_mm)
    return lines.some(((low < _NEAR_MM) & (high > -_NEAR_MM)).all(axis=1))


def _seen_print(layers: Sequence[LowerLayer], top_mm: float, sight: Float, canvas: Canvas) -> Bool:
    """Return where on the plane of the lowest layer all layers up to a height are seen, (h, w)."""
    ink = np.zeros(canvas.shape, np.bool_)
    for layer in layers:
        if layer.top_mm < top_mm + _FLAT_MM:
            off = sight * (layer.middle_mm - layers[0].middle_mm)
            ink |= drawn(
                layer.lines, replace(canvas, left_mm=canvas.left_mm - off[0], back_mm=canvas.back_mm - off[1])
            )
    return ink


def _astray_mm(picture: NDArray[np.uint8], inside: Bool) -> Float:
    """Return how far from its place a picture shows the outline, (2,); 0 where it is not found."""
    at = np.zeros(2)
    wanted = softened(inside.astype(np.float32))
    for _ in range(_TURNS):
        there = moved(inside, (round(at[0] / STRIP_STEP_MM), round(-at[1] / STRIP_STEP_MM)))
        shown = filament_share(picture, there)
        if shown is None:
            return np.zeros(2)
        found, start = _likeness(wanted, softened(shown))
        _, height, _, (x, y) = cv2.minMaxLoc(found)
        if height < _WEAK:
            return np.zeros(2)
        at = np.array([x - start, start - y]) * STRIP_STEP_MM
    return at


def _likeness(first: Float32, now: Float32) -> tuple[Float32, int]:
    """Return how much the corner of one picture looks like each place of another, and where no shift is."""
    reach, middle = round(_TIP_MM / 2 / STRIP_STEP_MM), first.shape[0] // 2
    cut = slice(middle - reach, middle + reach)
    found = cv2.matchTemplate(now, first[cut, cut], cv2.TM_CCOEFF_NORMED)
    return np.asarray(found, np.float32), cut.start


def _sight(
    corner_mm: tuple[float, float], ground_mm: float, frame: SurveyFrame, camera: Camera, printer: Printer
) -> Float:
    """Return how far on the ground a point at the corner seems to move per millimetre that it rises, (2,)."""
    eye = pose_in_bed(camera, printer, frame.nozzle_mm).place_mm
    return np.asarray((np.array(corner_mm) - eye[:2]) / max(float(eye[2]) - ground_mm, 1e-6))
