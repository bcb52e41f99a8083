"""The corner check: the same corners of the print over its first layers, and whether one lifts.

A corner that curls up rises toward the camera: in the picture its outline moves along the line of sight.
What is followed is the outline of the print against the bed, not the lines within it, which run another way
on each layer. How far a stop was off is read off the bed beside the corner, which does not rise; where the
bed does not show that, or the outline is not found again, the corner's lift is not known, and that is said.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from twinlapse.arrays import Float
from twinlapse.firstlayer.bed_reference import Bed, bed_beside, laid, slip
from twinlapse.firstlayer.canvas import canvas_around
from twinlapse.firstlayer.components import grown, shrunk
from twinlapse.firstlayer.mosaic import SurveyFrame
from twinlapse.optics.pose import pose_in_bed
from twinlapse.rig import Camera, Printer

__all__ = [
    "ALARM_MM",
    "APART",
    "KNOWN_MM",
    "RIM_MM",
    "TIP_MM",
    "CornerMonitor",
    "Strip",
    "monitor_corners",
    "strip_of",
]

_SIDE_MM = 8.0  # of the piece that is watched around a corner
_STEP_MM = 0.08
ALARM_MM = 0.2  # of lift: chosen on rehearsed pictures, where sound corners stay below
KNOWN_MM = 0.07  # standard deviation of a parking error that is known well enough
_SURE = 3.0  # a lift must be this many times what the stop's error leaves open
_WEAK = 0.8  # of 1: an outline that looks less like itself is another thing
TIP_MM = 4.8  # of the piece of outline that is followed
APART = 3.0  # distance of filament and bed in spreads below which there is no outline
RIM_MM = 0.4  # at the outline neither filament nor bed is sampled


@dataclass(frozen=True, slots=True, kw_only=True)
class Strip:
    """One corner over the layers, each picture laid to the same rectangle of the bed."""

    corner_mm: tuple[float, float]
    pictures: tuple[
        NDArray[np.uint8] | None, ...
    ]  # None: no frame of that layer shows the corner; not the first
    beds: tuple[Bed | None, ...]  # what lies beside it in each picture, where that is seen
    inside: NDArray[np.bool_]  # (h, w) where the print should be


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


def strip_of(
    corner_mm: tuple[float, float],
    frames: Sequence[tuple[SurveyFrame, float] | None],
    camera: Camera,
    printer: Printer,
    middle_mm: tuple[float, float],
    outline_mm: Float,
) -> Strip:
    """Return one corner in each picture, laid to the plane of the layer of its time.

    Parameters
    ----------
    frames : sequence of (SurveyFrame, float) or None
        The picture of each layer and the height of that layer's top; None where the corner was not seen.
    middle_mm : (float, float)
        Of the print: the bed lies on the other side of the corner.
    outline_mm : ndarray of shape (n, 2)
        The outline of the print, anticlockwise or clockwise.
    """
    canvas = canvas_around(np.array(corner_mm), _SIDE_MM, _STEP_MM)
    pictures = [
        None if shown is None else laid(shown[0], canvas, shown[1], camera, printer)[0] for shown in frames
    ]
    beds = [
        None if shown is None else bed_beside(corner_mm, middle_mm, shown[0], camera, printer)
        for shown in frames
    ]
    inside = np.zeros(canvas.shape, np.uint8)
    cv2.fillPoly(inside, [np.round(canvas.to_px(outline_mm)).astype(np.int32)], 1)
    return Strip(
        corner_mm=corner_mm, pictures=tuple(pictures), beds=tuple(beds), inside=inside.astype(np.bool_)
    )


def monitor_corners(
    strips: Sequence[Strip],
    nozzles_mm: Mapping[tuple[float, float], tuple[float, float, float]],
    camera: Camera,
    printer: Printer,
) -> list[CornerMonitor]:
    """Return what each corner did.

    Parameters
    ----------
    strips : sequence of Strip
        Of all corners, with the same number of pictures.
    nozzles_mm : mapping
        Where the nozzle stood for a corner, relative to the layer's top in z: the line of sight follows.
    camera, printer
    """
    sights = np.array(
        [_sight(strip.corner_mm, nozzles_mm[strip.corner_mm], camera, printer) for strip in strips]
    )
    lift, limits = _lifts(strips, sights)
    sharp = np.array([[_sharpness(picture) for picture in strip.pictures] for strip in strips])
    sharp /= np.maximum(sharp[:, :1], 1e-6)
    return [_watch(*each) for each in zip(strips, lift, limits, sharp, strict=True)]


def _watch(strip: Strip, lifts: Float, limits: Float, blur: Float) -> CornerMonitor:
    up = lifts > limits
    newest = int(np.flatnonzero(np.isfinite(lifts))[-1])
    lasting = bool(up[newest])
    sure = 1 - math.exp(-max(0.0, float(lifts[newest])) / (2 * limits[newest]))
    return CornerMonitor(
        corner_mm=strip.corner_mm,
        lift_mm=lifts,
        blur=blur,
        lifted=lasting,
        confidence=round(sure, 2) if lasting else round(1 - sure, 2),
        since=int(np.flatnonzero(up)[0]) if lasting else None,
    )


def _lifts(strips: Sequence[Strip], sights: Float) -> tuple[Float, Float]:
    """Return how far n corners rose in m pictures, and from where on a rise is one, (n, m) mm each.

    NaN: not known, because the outline is not found again or the bed beside does not show the stop's error.
    """
    slips = [[slip(strip.beds[0], bed) for bed in strip.beds] for strip in strips]
    shifts = np.array([_shifts(strip) for strip in strips])
    shifts -= np.array([[each.moved_mm for each in row] for row in slips])
    spread = np.array([[each.spread_mm for each in row] for row in slips])
    # a point raised by h is laid h times its sight away from where it is
    slope = np.maximum(np.hypot(*sights.T), 1e-3)[:, None]
    lift = (shifts * sights[:, None]).sum(axis=2) / slope**2
    aside = np.abs(shifts[..., 0] * sights[:, None, 1] - shifts[..., 1] * sights[:, None, 0]) / slope
    # what moves across the line of sight is no lift: it shows how far the measurement is wrong
    limits = np.maximum(ALARM_MM, _SURE * np.maximum(spread, np.nan_to_num(aside) / 2) / slope)
    lift[spread > KNOWN_MM] = np.nan
    lift[:, 0] = 0.0
    return lift, limits


def _shifts(strip: Strip) -> list[tuple[float, float]]:
    """Return how far the outline moved on the bed since the first picture, in mm; NaN: it is not known."""
    scores = [None if picture is None else _outline(picture, strip.inside) for picture in strip.pictures]
    return [_shift(scores[0], now) for now in scores]


def _outline(picture: NDArray[np.uint8], inside: NDArray[np.bool_]) -> NDArray[np.float32] | None:
    """Return 0 for bed to 1 for filament, (h, w); None where the two are not told apart."""
    rim = RIM_MM / _STEP_MM
    lab = cv2.cvtColor(picture.astype(np.float32) / 255, cv2.COLOR_RGB2LAB)
    lab = np.asarray(cv2.GaussianBlur(lab, (0, 0), 1.5), np.float32)
    filament, bed = lab[shrunk(inside, rim)], lab[~grown(inside, rim)]
    if min(len(filament), len(bed)) < 100:
        return None
    spread = (np.cov(filament.T) + np.cov(bed.T)) / 2 + 0.1 * np.eye(3)
    apart = np.median(filament, axis=0) - np.median(bed, axis=0)
    way = np.linalg.solve(spread, apart)
    distance = float(apart @ way)
    if distance < APART**2:
        return None
    score = (lab - np.median(bed, axis=0)) @ way / distance
    return np.asarray(np.clip(score, 0, 1), np.float32)


def _shift(first: NDArray[np.float32] | None, now: NDArray[np.float32] | None) -> tuple[float, float]:
    if first is None or now is None:
        return math.nan, math.nan
    reach, middle = round(TIP_MM / 2 / _STEP_MM), first.shape[0] // 2
    cut = slice(middle - reach, middle + reach)
    found = np.asarray(cv2.matchTemplate(now, first[cut, cut], cv2.TM_CCOEFF_NORMED), np.float32)
    _, height, _, (x, y) = cv2.minMaxLoc(found)
    if height < _WEAK or not (0 < x < found.shape[1] - 1 and 0 < y < found.shape[0] - 1):
        return math.nan, math.nan
    at = (x + _between(found[y], x), y + _between(found[:, x], y))
    return (at[0] - cut.start) * _STEP_MM, (cut.start - at[1]) * _STEP_MM


def _between(heights: NDArray[np.float32], at: int) -> float:
    """Return where between its neighbours a peak stands, by a parabola through three."""
    if not 0 < at < len(heights) - 1:
        return 0.0
    before, here, after = (float(h) for h in heights[at - 1 : at + 2])
    bend = before - 2 * here + after
    return 0.0 if bend >= 0 else (before - after) / (2 * bend)


def _sharpness(picture: NDArray[np.uint8] | None) -> float:
    if picture is None:
        return math.nan
    grey = cv2.cvtColor(picture, cv2.COLOR_RGB2GRAY).astype(np.float32)
    return float(cv2.Laplacian(grey, cv2.CV_32F).var()) / max(float(grey.var()), 1.0)


def _sight(
    corner_mm: tuple[float, float], nozzle_mm: tuple[float, float, float], camera: Camera, printer: Printer
) -> Float:
    """Return how far on the layer a point at the corner seems to move per millimetre that it rises, (2,)."""
    eye = pose_in_bed(camera, printer, nozzle_mm).place_mm
    return np.asarray((np.array(corner_mm) - eye[:2]) / max(float(eye[2]), 1e-6))
