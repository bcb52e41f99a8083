"""What stays at one place of every picture while the print moves below: dirt on the lens, a reflection.

From each picture that is taken away which the toolpath explains: filament and bed, each with its own light.
What is left of a defect moves with the print; what is left of dirt, and of the lamp that rides with the
camera, does not. It is where the pictures of two stops and more are all darker, or all brighter, than they
should be.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from twinlapse.arrays import Bool, Float, Float32, Picture
from twinlapse.firstlayer.canvas import canvas_over
from twinlapse.firstlayer.expected import Lines, drawn
from twinlapse.firstlayer.linear_light import light_of
from twinlapse.firstlayer.mosaic import GROOVE, LayerPictures, SurveyFrame, stands_up
from twinlapse.firstlayer.picture_ground import GLOBAL, PictureGround
from twinlapse.firstlayer.self_calibration import SelfCalibration
from twinlapse.firstlayer.solid import LowerLayer, SolidMask, seen_slices, solid_mask
from twinlapse.optics.pose import pose_on_mount

__all__ = ["ALONE", "BRIGHTER", "DARKER", "SPOT_PX", "STOPS", "clouded_by_dirt", "dirt_among"]

_COARSE = 2  # pixels taken together
_FINE_PX, _WIDE_PX = 3.0, 18.0  # at a width of 640: what is smaller is texture, what is wider is light
_PURE = 0.04  # of the mask, blurred by `_RIM_MM`: what is nearer to an outline belongs to neither material
_RIM_MM = 0.3
DARKER, BRIGHTER = 0.10, 0.30  # logarithm of the light, in every picture; rehearsed and drawn ones stay below
# of the pictures' own spread, by the number of stops that show a place: two beds may look alike by chance
_SPREADS = (4.5, 4.5, 4.5, 3.5, 3.0)
_FRINGE = 0.4  # of these limits: the soft rim of a spot
SPOT_PX = 60.0  # least area of a spot, in a picture 640 wide
_LONGEST = 3.0  # times its width: what is longer may be a line that is missing in a row of stops
# darker by this in one picture; lumps are, from one side, by up to 0.17
ALONE = 0.2
_FEW = 0.1  # share of a finding's pixels that must show one material alone: at an outline few do
_NOTHING = 0.25  # of what one stop shows: so little says that it is not there
STOPS = 2  # that show a place; stops nearer to each other than `_APART_MM` are one
_APART_MM = 3.0


@dataclass(frozen=True, slots=True)
class _Rest:
    """What the toolpath leaves unexplained of one picture, at reduced size."""

    value: Float32  # (h, w) logarithm of the light
    on_print: Bool
    on_bed: Bool


def clouded_by_dirt(
    survey: LayerPictures, found: SelfCalibration, lines: Lines, below: Sequence[LowerLayer] = ()
) -> Bool:
    """Return where in each picture, (height, width), dirt or the lamp's reflection hides the layer."""
    rests = _rests(survey, found, lines, below)
    rests += [_rest(frame, _ground(survey, found), None, np.zeros(2)) for frame in survey.bare]
    stops = _stops((*survey.frames, *survey.bare))
    clouded = np.zeros(_shape(survey), np.bool_)
    confirmed = bool(survey.bare)
    shown = [[rest.on_print | rest.on_bed for rest in rests], [rest.on_bed for rest in rests]]
    if not confirmed:  # else the bare bed at the same pixels must show it as well
        shown.append([rest.on_print for rest in rests])
    for known in shown:
        for sign, limit in ((-1.0, DARKER), (1.0, BRIGHTER)):
            clouded |= _spots(rests, known, stops, sign, limit, _scale(survey), any_shape=confirmed)
    return _whole(clouded, survey)


def dirt_among(
    boxes_mm: Sequence[tuple[float, float, float, float]],
    survey: LayerPictures,
    found: SelfCalibration,
    lines: Lines,
    below: Sequence[LowerLayer] = (),
) -> Bool:
    """Return where in each picture, (height, width), findings (x, y, width, depth) are dirt on the lens.

    At the pixels of such a one all other stops show a spot, too; or another stop that sees its place on the
    layer shows nothing there.
    """
    rests, stops, ground = _rests(survey, found, lines, below), _stops(survey.frames), _ground(survey, found)
    clouded = np.zeros(_shape(survey), np.bool_)
    same_view = not stands_up(survey)  # from a level camera one stop sees into a gap, another one does not
    for box in boxes_mm:
        if max(box[2:]) > _LONGEST * min(box[2:]):
            continue
        places = [
            _inside(box, ground.places + np.array(frame.nozzle_mm[:2]) + shift) & ground.good
            for frame, shift in zip(survey.frames, found.shifts_mm, strict=True)
        ]
        places = [place.reshape(clouded.shape) for place in places]
        shown = [_mean_of(rest, place) for rest, place in zip(rests, places, strict=True)]
        for k, own in enumerate(places):
            others = [j for j, stop in enumerate(stops) if stop != stops[k]]
            at_pixels = np.array([_mean_of(rests[j], own) for j in others])
            at_pixels = at_pixels[np.isfinite(at_pixels)]
            stays = len(at_pixels) > 0 and (at_pixels.max() < -DARKER or at_pixels.min() > BRIGHTER)
            alone = (
                same_view and shown[k] < -ALONE and any(abs(shown[j]) < _NOTHING * -shown[k] for j in others)
            )
            if stays or alone:
                clouded |= own
    return _whole(clouded, survey)


def _inside(box_mm: tuple[float, float, float, float], places: Float) -> Bool:
    off = places - np.array(box_mm[:2])
    return np.asarray(((off >= 0) & (off <= np.array(box_mm[2:]))).all(axis=1))


def _mean_of(rest: _Rest, where: Bool) -> float:
    """Return what is left unexplained of some pixels; NaN where too few show filament or bed alone."""
    known = where & (rest.on_print | rest.on_bed)
    return float(np.mean(rest.value[known])) if known.sum() > _FEW * max(1, where.sum()) else math.nan


def _shape(survey: LayerPictures) -> tuple[int, int]:
    height, width = survey.frames[0].picture.shape[:2]
    return height // _COARSE, width // _COARSE


def _scale(survey: LayerPictures) -> float:
    return float(survey.frames[0].picture.shape[1]) / 640 / _COARSE


def _whole(clouded: Bool, survey: LayerPictures) -> Bool:
    """Return spots with their soft rim, in the size of the pictures."""
    fringe = np.ones((2 * math.ceil(2 * _scale(survey)) + 1,) * 2, np.uint8)
    grown = cv2.dilate(clouded.astype(np.uint8), fringe)
    size = survey.frames[0].picture.shape[:2]
    return cv2.resize(grown, size[::-1], interpolation=cv2.INTER_NEAREST).astype(np.bool_)


def _ground(survey: LayerPictures, found: SelfCalibration) -> PictureGround:
    rise = survey.frames[0].nozzle_mm[2] - survey.top_mm + GROOVE * survey.height_mm
    return PictureGround(found.camera, survey.printer, rise, _shape(survey), np.zeros(GLOBAL))


def _rests(
    survey: LayerPictures, found: SelfCalibration, lines: Lines, below: Sequence[LowerLayer]
) -> list[_Rest]:
    z_mm = survey.top_mm - GROOVE * survey.height_mm
    steep_rad = pose_on_mount(survey.camera, survey.printer).steep_rad
    slices = seen_slices(lines, z_mm, survey.height_mm, below, steep_rad)
    ends = np.concatenate([end for each, _ in slices for end in (each.first_mm, each.last_mm)])
    canvas = canvas_over(ends.min(axis=0), ends.max(axis=0), 0.1, 2.0)
    sharp = [drawn(each, canvas).astype(np.float32) for each, _ in slices]
    mask = solid_mask(sharp, [depth_mm for _, depth_mm in slices], canvas, _RIM_MM)
    ground = _ground(survey, found)
    return [
        _rest(frame, ground, mask, shift) for frame, shift in zip(survey.frames, found.shifts_mm, strict=True)
    ]


def _rest(frame: SurveyFrame, ground: PictureGround, mask: SolidMask | None, shift_mm: Float) -> _Rest:
    shape = ground.shape
    share: Float32 = np.zeros(shape, np.float32)
    if mask is not None:
        share = mask.at(ground, np.array(frame.nozzle_mm[:2]) + shift_mm)[0].reshape(shape)
    good = ground.good.reshape(shape)
    light = _light(frame.picture, shape)
    scale = frame.picture.shape[1] / 640 / _COARSE
    on_print, on_bed = good & (share > 1 - _PURE), good & (share < _PURE)
    off = np.zeros(shape, np.float32)
    for material in (on_print, on_bed):
        usual = _mean(light, material, _WIDE_PX * scale)
        off = np.where(material, light - usual, off)
    value = _mean(off, on_print | on_bed, _FINE_PX * scale)
    return _Rest(value=value, on_print=on_print, on_bed=on_bed)


def _light(picture: Picture, shape: tuple[int, int]) -> Float32:
    whole = picture[: shape[0] * _COARSE, : shape[1] * _COARSE]
    linear = light_of(whole).mean(axis=2)
    small = cv2.resize(linear, shape[::-1], interpolation=cv2.INTER_AREA)
    return np.asarray(np.log(small + 0.005), np.float32)


def _mean(value: Float32, where: Bool, sigma_px: float) -> Float32:
    """Return the mean of a picture around each pixel, what lies elsewhere left out."""
    inside = where.astype(np.float32)
    above = cv2.GaussianBlur(value * inside, (0, 0), sigma_px)
    return np.asarray(above / np.maximum(cv2.GaussianBlur(inside, (0, 0), sigma_px), 1e-3), np.float32)


def _stops(frames: Sequence[SurveyFrame]) -> list[int]:
    """Return the number of the stop of each frame; frames nearly from one place share it."""
    places: list[Float] = []
    numbers = []
    for frame in frames:
        here = np.array(frame.nozzle_mm[:2])
        near = [k for k, place in enumerate(places) if np.hypot(*(here - place)) < _APART_MM]
        numbers.append(near[0] if near else len(places))
        if not near:
            places.append(here)
    return numbers


def _spots(
    rests: Sequence[_Rest],
    known: Sequence[Bool],
    stops: Sequence[int],
    sign: float,
    limit: float,
    scale: float,
    *,
    any_shape: bool,
) -> Bool:
    """Return where all pictures that show a place are off by a limit, the same way."""
    shape = rests[0].value.shape
    least = np.full(shape, np.inf, np.float32)
    count = np.zeros(shape, np.int64)
    spread = 0.0
    for stop in sorted(set(stops)):
        seen = np.zeros(shape, np.bool_)
        for rest, where, own in zip(rests, known, stops, strict=True):
            if own != stop or not where.any():
                continue
            seen |= where
            least = np.where(where, np.minimum(least, sign * rest.value), least)
            spread = max(spread, 1.4826 * float(np.median(np.abs(rest.value[where]))))
        count += seen
    spreads = np.array(_SPREADS)[np.minimum(count, len(_SPREADS) - 1)]
    odd = np.where(count < STOPS, 0.0, least) / np.maximum(limit, spreads * spread)
    steady = odd > _FRINGE
    _, labels, stats, _ = cv2.connectedComponentsWithStats(steady.astype(np.uint8), connectivity=4)
    spots = np.zeros(shape, np.bool_)
    for label in np.unique(labels[odd > 1]):
        own = labels == label
        if label == 0 or stats[label, cv2.CC_STAT_AREA] < SPOT_PX * scale**2:
            continue
        _, sides, _ = cv2.minAreaRect(np.argwhere(own).astype(np.float32))
        if any_shape or max(sides) <= _LONGEST * max(min(sides), 1.0):
            spots |= own
    return spots
