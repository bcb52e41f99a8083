"""The corner patrol: the same corners of the print watched over its first layers, and whether one lifts.

A corner that curls up rises toward the camera: in the picture it moves along the line of sight, grows, and
leaves the plane of focus. From layer to layer the camera stands at the same height above the layer, so that a
corner that stays down looks the same. How far a stop was off is read off the bed beside the corner; where
that tells nothing, what all corners do together is taken out before one is accused.
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
from twinlapse.firstlayer.mosaic import SurveyFrame
from twinlapse.optics.pose import pose_in_bed
from twinlapse.rig import Camera, Printer

SIDE_MM = 8.0  # of the piece that is watched around a corner
STEP_MM = 0.08
FEWEST = 4  # corners, so that what all do together is known
ALARM_MM = 0.25  # of lift; below, parking errors look the same (measured on simulated pictures)
KNOWN_ALARM_MM = 0.15  # of lift where the bed beside the corner tells the parking error
KNOWN_MM = 0.04  # standard deviation of a parking error that is known
SURE = 3.0  # the shift must be this many times what the steady corners do
STEADY_MM = 0.05  # no corner is told apart better than this
WEAK = 0.5  # of 1: a corner that looks less like itself is another thing
TIP_MM = 3.2  # of the piece that is followed


@dataclass(frozen=True, slots=True, kw_only=True)
class Strip:
    """One corner over the layers, each picture laid to the same rectangle of the bed."""

    corner_mm: tuple[float, float]
    pictures: tuple[
        NDArray[np.uint8] | None, ...
    ]  # None: no frame of that layer shows the corner; not the first
    beds: tuple[Bed | None, ...]  # what lies beside it in each picture, where that is seen


@dataclass(frozen=True, slots=True, kw_only=True)
class Watch:
    """What one corner did since the first picture."""

    corner_mm: tuple[float, float]
    lift_mm: Float  # (pictures,) estimated from the shift along the line of sight; NaN: not seen
    blur: Float  # (pictures,) sharpness over that of the first picture; NaN: not seen
    lifted: bool
    confidence: float  # 0 to 1
    since: int | None  # index of the first picture in which it is up

    @property
    def newest_mm(self) -> float:
        """Lift in the newest picture that shows it."""
        return float(self.lift_mm[np.isfinite(self.lift_mm)][-1])


def strip_of(
    corner_mm: tuple[float, float],
    frames: Sequence[tuple[SurveyFrame, float] | None],
    camera: Camera,
    printer: Printer,
    middle_mm: tuple[float, float],
) -> Strip:
    """Return one corner in each picture, laid to the plane of the layer of its time.

    Parameters
    ----------
    frames : sequence of (SurveyFrame, float) or None
        The picture of each layer and the height of that layer's top; None where the corner was not seen.
    middle_mm : (float, float)
        Of the print: the bed lies on the other side of the corner.
    """
    canvas = canvas_around(np.array(corner_mm), SIDE_MM, STEP_MM)
    pictures = [
        None if shown is None else laid(shown[0], canvas, shown[1], camera, printer)[0] for shown in frames
    ]
    beds = [
        None if shown is None else bed_beside(corner_mm, middle_mm, shown[0], camera, printer)
        for shown in frames
    ]
    return Strip(corner_mm=corner_mm, pictures=tuple(pictures), beds=tuple(beds))


def watch_corners(
    strips: Sequence[Strip],
    nozzles_mm: Mapping[tuple[float, float], tuple[float, float, float]],
    camera: Camera,
    printer: Printer,
) -> list[Watch]:
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


def _watch(strip: Strip, lifts: Float, limits: Float, blur: Float) -> Watch:
    up = lifts > limits
    newest = int(np.flatnonzero(np.isfinite(lifts))[-1])
    lasting = bool(up[newest])
    sure = 1 - math.exp(-max(0.0, float(lifts[newest])) / (2 * limits[newest]))
    return Watch(
        corner_mm=strip.corner_mm,
        lift_mm=lifts,
        blur=blur,
        lifted=lasting,
        confidence=round(sure, 2) if lasting else round(1 - sure, 2),
        since=int(np.flatnonzero(up)[0]) if lasting else None,
    )


def _lifts(strips: Sequence[Strip], sights: Float) -> tuple[Float, Float]:
    """Return how far n corners rose in m pictures, and from where on a rise is one, (n, m) mm each.

    Where its bed tells how far a stop was off, nothing is left that a corner does but rise. Elsewhere what
    all corners do together is taken out, and the others tell how much stops differ.
    """
    slips = [[slip(strip.beds[0], bed) for bed in strip.beds] for strip in strips]
    shifts = np.array(
        [[_shift(strip.pictures[0], picture) for picture in strip.pictures] for strip in strips]
    )
    shifts -= np.array([[each.moved_mm for each in row] for row in slips])
    spread = np.array([[each.spread_mm for each in row] for row in slips])
    seen = np.array([[picture is not None for picture in strip.pictures] for strip in strips])
    bedded = np.array([[bed is not None for bed in strip.beds] for strip in strips])
    known = seen & (spread < KNOWN_MM)
    most = 2 * known.sum(axis=0) > seen.sum(axis=0)  # (m,)
    common = np.stack([_common(shifts[:, k], seen[:, k]) for k in range(shifts.shape[1])])
    own = shifts - np.where((known | most)[..., None], 0.0, common)
    # a point raised by h is laid h times its sight away from where it is
    slope = np.maximum(np.hypot(*sights.T), 1e-3)[:, None]
    lift = (own * sights[:, None]).sum(axis=2) / slope**2
    lift[~seen | (most & bedded & ~known)] = np.nan  # one stop that is not told among those that are
    others = np.array([[_spread_of_others(lift, k)] for k in range(len(lift))])
    least = np.where(known, KNOWN_ALARM_MM, ALARM_MM)
    return lift, np.maximum(least, SURE * np.where(known | most, spread / slope, others))


def _common(shifts: Float, of: NDArray[np.bool_]) -> Float:
    """Return what most corners (n, 2) did in one picture; nothing where it is told by too few."""
    return np.asarray(np.median(shifts[of], axis=0)) if of.sum() >= FEWEST else np.zeros(2)


def _spread_of_others(lift_mm: Float, k: int) -> float:
    """Return by how much the other corners seem to move, as a standard deviation in mm."""
    others = np.delete(lift_mm, k, axis=0)[:, 1:]
    others = others[np.isfinite(others)]
    # 1.4826: of a normal distribution the standard deviation over the median absolute deviation
    return max(STEADY_MM, 1.4826 * float(np.median(np.abs(others)))) if len(others) else STEADY_MM


def _shift(first: NDArray[np.uint8] | None, now: NDArray[np.uint8] | None) -> tuple[float, float]:
    """Return how far the corner itself moved on the bed, in mm; none where it is not found again.

    The very corner alone is looked for, by normalised cross-correlation: the bed around it stays where it is,
    and the lines within come again every line width.
    """
    if first is None or now is None:
        return 0.0, 0.0
    reach, middle = round(TIP_MM / 2 / STEP_MM), first.shape[0] // 2
    cut = slice(middle - reach, middle + reach)
    found = np.asarray(
        cv2.matchTemplate(_detail(now), _detail(first)[cut, cut], cv2.TM_CCOEFF_NORMED), np.float32
    )
    _, height, _, (x, y) = cv2.minMaxLoc(found)
    if height < WEAK:
        return 0.0, 0.0
    at = (x + _between(found[y], x), y + _between(found[:, x], y))
    return (at[0] - cut.start) * STEP_MM, (cut.start - at[1]) * STEP_MM


def _between(heights: NDArray[np.float32], at: int) -> float:
    """Return where between its neighbours a peak stands, by a parabola through three."""
    if not 0 < at < len(heights) - 1:
        return 0.0
    before, here, after = (float(h) for h in heights[at - 1 : at + 2])
    bend = before - 2 * here + after
    return 0.0 if bend >= 0 else (before - after) / (2 * bend)


def _detail(picture: NDArray[np.uint8]) -> NDArray[np.float32]:
    grey = cv2.cvtColor(picture, cv2.COLOR_RGB2GRAY).astype(np.float32)
    spread = max(float(grey.std()), 1.0)
    return np.asarray(
        (cv2.GaussianBlur(grey, (0, 0), 1.0) - cv2.GaussianBlur(grey, (0, 0), 12)) / spread, np.float32
    )


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
