"""Trouble that a survey shows beside the layer: focus, motion, glare, dirt, a clump on the nozzle."""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np

from twinlapse.arrays import Bool, Float32
from twinlapse.firstlayer.canvas import Canvas
from twinlapse.firstlayer.edge_blur import ExposureMotion
from twinlapse.firstlayer.mosaic import LayerPictures, dazzled
from twinlapse.firstlayer.nozzle_clump import Clump

__all__ = [
    "BIN_MM",
    "BLURRED_MM",
    "DAZZLED_SHARE",
    "FEWEST_FRAMES",
    "RIM_SHARE",
    "SHARP_MM",
    "CameraTrouble",
    "camera_trouble",
    "outline_blur_mm",
]

_REACH_MM = 1.2  # each way of the outline
BIN_MM = 0.04
# blur (one standard deviation) of the outline in the map: 0.20 to 0.26 mm on sound layers, 0.30 with pictures
# out of focus by 3 pixels
BLURRED_MM = 0.28
# blur of single edges in pictures: up to 0.09 mm in sharp drawn ones, from 0.14 out of focus by 2 pixels
SHARP_MM = 0.11
DAZZLED_SHARE = 0.15  # of the pictures: a tidy lamp stays below; common practice, no source


FEWEST_FRAMES = 4  # of a layer, without those of the bare bed: two beds may look alike by chance
RIM_SHARE = 0.02  # of the width: what lies at the picture's rim is left out but not said


@dataclass(frozen=True, slots=True, kw_only=True)
class CameraTrouble:
    """What is wrong with the pictures, whatever they show."""

    least_mm: float  # blur up to which the pictures count as sharp: what this camera can show
    blur_mm: float  # of the print's outline, one standard deviation; NaN: not known
    dazzled_share: float
    specks_px: tuple[tuple[float, float], ...]  # middles of spots that stay in the picture
    moved_mm: tuple[float, ...] = ()  # way of each picture while it was exposed; 0: it stood still
    still_mm: float = math.nan  # blur of the sharpest edges in the pictures; NaN: not known
    clump: Clump | None = None  # on the nozzle

    @property
    def blurred(self) -> bool:
        """Whether the map is too blurred to show a small gap; an outline may be soft by itself."""
        moved = any(way > 0 for way in self.moved_mm)
        return self.blur_mm > self.least_mm and (moved or not self.still_mm < SHARP_MM)

    @property
    def out_of_focus(self) -> bool:
        """Whether the pictures are blurred by more than motion explains."""
        moved = any(way > 0 for way in self.moved_mm) and self.still_mm < 0.75 * self.least_mm
        return self.blurred and not moved

    @property
    def sentences(self) -> tuple[str, ...]:
        """What is wrong and what to do, one sentence each."""
        said = []
        if self.clump is not None:
            said.append(
                f"about {self.clump.area_mm2:.0f} mm2 of something hang on the nozzle that were not there "
                "over the bare bed: stop and look"
            )
        moved = [way for way in self.moved_mm if way > 0]
        if moved:
            said.append(
                f"{len(moved)} of {len(self.moved_mm)} pictures moved by up to {max(moved):.1f} mm while "
                "exposed: raise settle_s of the camera, and see that it sits tight"
            )
        if self.out_of_focus:
            said.append(f"the pictures are out of focus by {self.blur_mm:.2f} mm: focus the camera")
        if self.dazzled_share > DAZZLED_SHARE:
            said.append(f"{self.dazzled_share:.0%} of the pictures is dazzled: dim or turn the lamp")
        if self.specks_px:
            count, (x, y) = len(self.specks_px), self.specks_px[0]
            spots = "1 spot stays" if count == 1 else f"{count} spots stay"
            where = f"{x:.0f}, {y:.0f} px" + (" and elsewhere" if count > 1 else "")
            said.append(
                f"{spots} in every picture at {where} and {'is' if count == 1 else 'are'} left out: "
                "clean the lens, or turn the camera's lamp"
            )

        return tuple(said)


def camera_trouble(
    survey: LayerPictures,
    score: Float32,
    wanted: Bool,
    seen: Bool,
    canvas: Canvas,
    detail_mm: float = 0.0,
    motion: ExposureMotion | None = None,
    clump: Clump | None = None,
) -> CameraTrouble:
    """Return what is wrong with the pictures of a survey.

    Parameters
    ----------
    survey : LayerPictures
    score : ndarray of shape (h, w)
        Of the map, 0 bed to 1 filament.
    wanted, seen : ndarray of bool
    canvas : Canvas
    detail_mm : float
        What the camera shows at best in the middle of its window.
    motion : ExposureMotion, optional
        While the pictures were exposed.
    clump : Clump, optional
        On the nozzle.
    """
    pictures = [frame.picture for frame in (*survey.frames, *survey.bare)]
    bright = [float(dazzled(picture).mean()) for picture in pictures]
    return CameraTrouble(
        least_mm=max(BLURRED_MM, 2 * detail_mm),
        blur_mm=outline_blur_mm(score, wanted, seen, canvas),
        dazzled_share=float(np.mean(bright)) if bright else 0.0,
        specks_px=_specks(survey),
        moved_mm=() if motion is None else motion.moved_mm,
        still_mm=math.nan if motion is None else motion.still_mm,
        clump=clump,
    )


def outline_blur_mm(score: Float32, wanted: Bool, seen: Bool, canvas: Canvas) -> float:
    """Return the blur at the outline, one standard deviation: half of 16 % to 84 %; NaN: unknown."""
    closed = cv2.morphologyEx(wanted.astype(np.uint8), cv2.MORPH_CLOSE, np.ones((5, 5), np.uint8))
    out = cv2.distanceTransform(1 - closed, cv2.DIST_L2, 5) - cv2.distanceTransform(closed, cv2.DIST_L2, 5)
    far = out * canvas.step_mm
    near = (np.abs(far) < _REACH_MM) & seen
    if near.sum() < 500:
        return math.nan
    bins = np.floor((far[near] + _REACH_MM) / BIN_MM).astype(np.int64)
    count = np.bincount(bins)
    mean = np.bincount(bins, np.clip(score[near], -0.5, 1.5)) / np.maximum(count, 1)
    at = (np.arange(len(mean)) + 0.5) * BIN_MM - _REACH_MM
    mean, at = mean[count > 20], at[count > 20]
    if len(mean) < 10:
        return math.nan
    high, low = float(np.median(mean[at < -0.5 * _REACH_MM])), float(np.median(mean[at > 0.5 * _REACH_MM]))
    share = (mean - low) / max(high - low, 1e-6)
    # from the outline both ways: grooves further in are dark as well
    middle = int(np.argmin(np.abs(at) + 10 * (np.abs(share - 0.5) > 0.35)))
    inner = next((k for k in range(middle, -1, -1) if share[k] >= 0.84), 0)
    outer = next((k for k in range(middle, len(share)) if share[k] <= 0.16), len(share) - 1)
    return float(at[outer] - at[inner]) / 2


def _specks(survey: LayerPictures) -> tuple[tuple[float, float], ...]:
    """Return the middles of what hides the layer, where so many pictures show it that it can be said."""
    clouded = survey.clouded
    if clouded is None or not (survey.bare or len(survey.frames) >= FEWEST_FRAMES):
        return ()
    rim = RIM_SHARE * clouded.shape[1]
    count, _, stats, middles = cv2.connectedComponentsWithStats(clouded.astype(np.uint8))
    left, top = stats[:, cv2.CC_STAT_LEFT], stats[:, cv2.CC_STAT_TOP]
    right, low = left + stats[:, cv2.CC_STAT_WIDTH], top + stats[:, cv2.CC_STAT_HEIGHT]
    inside = (np.minimum(left, top) > rim) & (right < clouded.shape[1] - rim) & (low < clouded.shape[0] - rim)
    return tuple((float(middles[k][0]), float(middles[k][1])) for k in range(1, count) if inside[k])
