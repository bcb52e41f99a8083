"""The camera calibrated by the print: lens, pose and the stops' errors that lay the outlines on the toolpath.

A survey is many pictures of one plane from one rigid camera, so one map from pixel to bed, seen from the
nozzle, holds for all of them. Focal length, first distortion coefficient, place and direction of the camera
and a shift of each frame are solved for together: what is scored filament must lie where the toolpath says
(Gauss and Newton's method on a blurred mask, coarse to fine, Huber's weights), held by how far a rig file can
be wrong. The least squares' curvature gives the covariance, and what is left at the outlines says whether the
map can be trusted.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np

from twinlapse.arrays import Float, Float32
from twinlapse.firstlayer.canvas import canvas_over
from twinlapse.firstlayer.expected import Lines, drawn
from twinlapse.firstlayer.mosaic import SurveyFrame, dazzled
from twinlapse.firstlayer.outline_residual import MOST_GROWN_MM, outline_of, residual_of
from twinlapse.firstlayer.picture_ground import (
    GLOBAL,
    PictureGround,
    camera_stepped,
)
from twinlapse.firstlayer.solid import LowerLayer, SolidMask, seen_slices, solid_mask
from twinlapse.optics.pose import pose_on_mount
from twinlapse.rig import Camera, Printer

__all__ = [
    "ALIKE_PX",
    "FEWEST_PIECES",
    "FLAT",
    "FOCAL_SHARE",
    "GOOD_MM",
    "GROWN_MM",
    "HUBER",
    "K1",
    "LEAST_K1",
    "MASK_MM",
    "MOST_K1",
    "PLACE_MM",
    "ROUGH_MM",
    "TURN_DEG",
    "SelfCalibration",
    "calibrate_by_print",
]

# standard deviations of what a rig file says of a camera that was aimed by eye: half of the largest errors
# that the solution must find its way out of (2 mm, 2 degrees, 8 % of the focal length, k1 down to -0.3)
PLACE_MM, TURN_DEG, FOCAL_SHARE, K1 = 1.0, 1.0, 0.04, 0.15
_PARKING_MM = 0.15  # of a stop along X and Y; common practice, no source
GROWN_MM = 0.1  # how much wider than the toolpath says lines may lie; common practice, no source
MASK_MM = 0.1  # pixel of the toolpath's mask
HUBER = 1.5  # residuals beyond this many spreads lose weight (Huber 1964: 1.345 to 2)
_STEPS = 3  # of Gauss and Newton's method at each scale
_ROUNDS = 3  # of scoring and fitting at each scale
_FAR_MM = 5.0  # the whole toolpath is looked for this far around: what 2 mm, 2 degrees and 8 % add up to
FLAT = 0.02  # share of the steepest slope below which a pixel says nothing
ALIKE_PX = 25.0  # neighbouring pixels err alike: this many count as one
FEWEST_PIECES = 6  # of outline, without which nothing is known
GOOD_MM = 0.1  # residual up to which a layer is judged
ROUGH_MM = 0.2  # up to which the objects are looked for by it; without a print it is more
LEAST_K1, MOST_K1 = -0.4, 0.2


@dataclass(frozen=True, slots=True, kw_only=True)
class SelfCalibration:
    """A camera as the print shows it, and how far that can be trusted."""

    camera: Camera  # with place, direction and lens as solved
    shifts_mm: Float  # (frames, 2) by which each frame's nozzle stood off its commanded place
    grown_mm: float  # by which lines lie wider than the toolpath says, on each side
    spread: Float  # (8, 8) covariance of place (mm), turn (rad), log focal length, k1
    residual_mm: float  # robust RMS of outlines beside the toolpath; NaN: no outline was seen
    pieces: int  # of outline that the residual was measured on
    separability: float  # distance of filament and bed in spreads of a pixel

    @property
    def trusted(self) -> bool:
        """Whether the map that follows can be judged."""
        return self.pieces >= FEWEST_PIECES and self.residual_mm <= GOOD_MM

    @property
    def useful(self) -> bool:
        """Whether it is nearer to the truth than the rig file: enough to look for the objects."""
        return self.pieces >= FEWEST_PIECES and self.residual_mm <= ROUGH_MM

    @property
    def place_error_mm(self) -> float:
        """Standard deviation of the place, the largest of its three."""
        return float(np.sqrt(np.diag(self.spread)[:3].max()))

    @property
    def turn_error_deg(self) -> float:
        """Standard deviation of the direction, the largest of its three."""
        return math.degrees(float(np.sqrt(np.diag(self.spread)[3:6].max())))


@dataclass(frozen=True, slots=True)
class _View:
    """One frame made small: features and which pixels count."""

    features: Float32  # (n, channels) of the pixels on the grid that all frames share
    weight: Float32  # (n,)
    nozzle: Float  # (2,)


def calibrate_by_print(
    frames: Sequence[SurveyFrame],
    camera: Camera,
    printer: Printer,
    layer_z_mm: float,
    lines: Lines,
    *,
    height_mm: float = 0.0,
    below: Sequence[LowerLayer] = (),
    progress: Callable[[float], None] | None = None,
) -> SelfCalibration:
    """Return the camera and the stops that fit a survey's pictures to the toolpath.

    Parameters
    ----------
    frames : sequence of SurveyFrame
        All with the nozzle at one height above the layer.
    camera : Camera
        On the head, as the rig file says; the start.
    printer : Printer
    layer_z_mm : float
        Height at which the layer's outline is seen.
    lines : Lines
        What should lie there.
    height_mm : float
        Of the layer: a level camera sees the sides of lines.
    below : sequence of LowerLayer
        They show on the camera's side of the print, and where they reach beyond it.
    """
    rise = float(np.median([frame.nozzle_mm[2] for frame in frames])) - layer_z_mm
    theta = np.zeros(GLOBAL)
    shifts: Any = np.zeros((len(frames), 2))
    spread: Any = np.zeros((GLOBAL, GLOBAL))
    apart = 0.0
    low = np.minimum(lines.first_mm, lines.last_mm).min(axis=0)
    high = np.maximum(lines.first_mm, lines.last_mm).max(axis=0)
    canvas = canvas_over(low, high, MASK_MM, _FAR_MM + 6.0)
    slices = seen_slices(lines, layer_z_mm, height_mm, below, pose_on_mount(camera, printer).steep_rad)
    sharp = [drawn(each, canvas).astype(np.float32) for each, _ in slices]
    depths = [depth_mm for _, depth_mm in slices]
    scales = ((4, 1.5), (4, 0.7), (2, 0.35), (2, 0.25))  # pixels taken together, blur of the mask in mm
    for turn, (coarse, blur_mm) in enumerate(scales):
        mask = solid_mask(sharp, depths, canvas, blur_mm)
        shape = (camera.lens.height_px // coarse, camera.lens.width_px // coarse)
        views = [_view(frame, coarse, shape) for frame in frames]
        if turn == 0:
            shifts, apart = _looked_for(views, mask, PictureGround(camera, printer, rise, shape, theta))
            theta = _with_shift(theta, shifts[0])
            shifts = np.zeros((len(frames), 2))
        for _ in range(_ROUNDS):
            geometry = PictureGround(camera, printer, rise, shape, theta)
            theta, shifts, spread, apart = _fitted(views, mask, geometry, shifts)
        if progress is not None:
            progress((turn + 1) / (len(scales) + 1))
    solved = camera_stepped(camera, printer, theta)
    geometry = PictureGround(camera, printer, rise, shape, theta)
    offs = [view.nozzle + shift for view, shift in zip(views, shifts, strict=True)]
    scores, _ = _scored(views, [mask.at(geometry, off)[0] for off in offs], geometry)
    outline = outline_of(sharp, depths, canvas, scales[-1][1])
    residual, pieces = residual_of(
        outline, geometry, float(theta[8]), offs, scores, [view.weight for view in views]
    )
    if progress is not None:
        progress(1.0)
    return SelfCalibration(
        camera=solved,
        shifts_mm=shifts,
        grown_mm=float(theta[8]),
        spread=spread[:8, :8],
        residual_mm=residual,
        pieces=pieces,
        separability=apart,
    )


def _view(frame: SurveyFrame, coarse: int, shape: tuple[int, int]) -> _View:
    whole = frame.picture[: shape[0] * coarse, : shape[1] * coarse]
    small = cv2.resize(whole, (shape[1], shape[0]), interpolation=cv2.INTER_AREA)
    bright = cv2.resize(dazzled(whole).astype(np.float32), (shape[1], shape[0]), interpolation=cv2.INTER_AREA)
    lab = cv2.cvtColor(small.astype(np.float32) / 255, cv2.COLOR_RGB2LAB)
    grey = cv2.cvtColor(whole, cv2.COLOR_RGB2GRAY).astype(np.float32)
    rough = np.abs(grey - cv2.GaussianBlur(grey, (0, 0), 3.0))
    rough = cv2.resize(rough, (shape[1], shape[0]), interpolation=cv2.INTER_AREA)
    rough = np.sqrt(cv2.GaussianBlur(rough, (0, 0), max(0.5, 4 / coarse)))
    features = np.dstack([lab, 4 * rough]).reshape(-1, 4)
    clear = (cv2.dilate((bright > 0.02).astype(np.uint8), np.ones((3, 3), np.uint8)) == 0).ravel()
    return _View(
        features=features.astype(np.float32),
        weight=clear.astype(np.float32),
        nozzle=np.array(frame.nozzle_mm[:2], np.float64),
    )


def _light(shape: tuple[int, int]) -> Float32:
    """Return (n, 5) smooth terms over the picture: lamps and the lens's fall of light."""
    y, x = np.mgrid[-1 : 1 : shape[0] * 1j, -1 : 1 : shape[1] * 1j]
    return np.column_stack([part.ravel() for part in (x, y, x * x, x * y, y * y)]).astype(np.float32)


def _scored(
    views: Sequence[_View],
    masks: Sequence[Float32],
    geometry: PictureGround,
    *,
    most: int = 60_000,
    rounds: int = 3,
) -> tuple[list[Float32], float]:
    """Return each frame's score, 0 bed and 1 filament, and how far the two are apart in spreads.

    Colour is a constant of each frame, smooth light over the picture and the material; the best direction of
    colour is Fisher's (1936) on what these leave.
    """
    light, good = _light(geometry.shape), geometry.good
    take = slice(None, None, max(1, len(light) * len(views) // most))
    rows, values, weights = [], [], []
    for k, (view, mask) in enumerate(zip(views, masks, strict=True)):
        chosen = np.flatnonzero(good & (view.weight > 0))[take]
        frame = np.zeros((len(chosen), len(views)), np.float32)
        frame[:, k] = 1
        rows.append(np.column_stack([mask[chosen], light[chosen], frame]))
        values.append(view.features[chosen])
        weights.append(np.ones(len(chosen), np.float32))
    matrix, value, weight = np.concatenate(rows), np.concatenate(values), np.concatenate(weights)
    solution: Float = np.zeros((matrix.shape[1], value.shape[1]), np.float32)
    inverse: Float = np.eye(value.shape[1])
    for _ in range(rounds):
        heavy = matrix * weight[:, None]
        square = heavy.T @ matrix + 1e-3 * np.eye(matrix.shape[1], dtype=np.float32)
        solution = np.linalg.solve(square, heavy.T @ value)
        rest = value - matrix @ solution
        inverse = np.asarray(
            np.linalg.inv(np.cov(rest.T, aweights=weight) + 1e-2 * np.eye(rest.shape[1])), np.float64
        )
        off = np.sqrt(np.einsum("ij,jk,ik->i", rest, inverse, rest) / rest.shape[1])
        weight = np.minimum(1.0, 2.0 / np.maximum(off, 1e-6)).astype(np.float32)
    way = inverse @ solution[0]
    apart = math.sqrt(max(float(solution[0] @ way), 1e-12))
    scores = []
    for k, view in enumerate(views):
        even = view.features - light @ solution[1 : 1 + light.shape[1]] - solution[1 + light.shape[1] + k]
        scores.append(np.clip((even @ way) / apart**2, -0.5, 1.5).astype(np.float32))
    return scores, apart


def _looked_for(views: Sequence[_View], mask: SolidMask, geometry: PictureGround) -> tuple[Float, float]:
    """Return the one shift of all frames, (1, 2) mm, that parts filament and bed best."""
    best, found = -1.0, np.zeros(2)
    for step, span in ((2.0, _FAR_MM), (0.7, 1.4)):
        centre = found.copy()
        steps = np.arange(-span, span + 0.01, step)
        for dx in steps:
            for dy in steps:
                shift = centre + np.array([dx, dy])
                masks = [mask.at(geometry, view.nozzle + shift)[0] for view in views]
                apart = _scored(views, masks, geometry, most=12_000, rounds=1)[1]
                apart *= math.exp(-float(shift @ shift) / (2 * 4.0**2))  # of nearly equal ones the nearest
                if apart > best:
                    best, found = apart, shift
    return found[None], best


def _with_shift(theta: Float, shift: Float) -> Float:
    """Return the parameters with the whole picture shifted on the bed: the camera's place moves with it."""
    moved = theta.copy()
    moved[:2] += shift
    return moved


def _prior() -> Float:
    sides = [PLACE_MM] * 3 + [math.radians(TURN_DEG)] * 3 + [FOCAL_SHARE, K1, GROWN_MM]
    return 1 / np.array(sides)


def _fitted(
    views: Sequence[_View], mask: SolidMask, geometry: PictureGround, shifts: Float
) -> tuple[Float, Float, Float, float]:
    """Return the parameters after one round of scoring and fitting, and their covariance."""
    masks = [mask.at(geometry, view.nozzle + shift)[0] for view, shift in zip(views, shifts, strict=True)]
    scores, apart = _scored(views, masks, geometry)
    scores = [_smoothed(score, geometry) for score in scores]
    theta = geometry.theta
    size = GLOBAL + 2 * len(views)
    hold = np.concatenate([_prior(), np.full(2 * len(views), 1 / _PARKING_MM)])
    spread: Float = np.eye(size)
    for turn in range(_STEPS):
        if turn:
            geometry = PictureGround(
                geometry.camera, geometry.printer, geometry.rise_mm, geometry.shape, theta
            )
        square, pull, variance = _equations(views, scores, mask, geometry, shifts)
        now = np.concatenate([theta, shifts.ravel()])
        whole = square / variance + np.diag(hold**2)
        step = np.linalg.solve(whole, pull / variance - hold**2 * now)
        step[:3] = np.clip(step[:3], -1, 1)
        step[8] *= 0.5  # where the mask is steep its width and the score's scale chase each other
        theta = theta + step[:GLOBAL]
        shifts = shifts + step[GLOBAL:].reshape(-1, 2)
        theta[8] = np.clip(theta[8], -MOST_GROWN_MM, MOST_GROWN_MM)
        own_k1 = geometry.camera.lens.distortion[0] if geometry.camera.lens.distortion else 0.0
        theta[7] = np.clip(theta[7], LEAST_K1 - own_k1, MOST_K1 - own_k1)
        spread = np.asarray(np.linalg.inv(whole), np.float64)
        if np.abs(step[:3]).max() < 0.005 and np.abs(step[3:6]).max() < 1e-4:
            break
    return theta, shifts, spread[:GLOBAL, :GLOBAL], apart


def _equations(
    views: Sequence[_View],
    scores: Sequence[Float32],
    mask: SolidMask,
    geometry: PictureGround,
    shifts: Float,
) -> tuple[Float, Float, float]:
    """Return the normal equations of the outlines, and the variance of one of their rows."""
    size = GLOBAL + 2 * len(views)
    square, pull, rests = np.zeros((size, size)), np.zeros(size), [np.zeros(1)]
    grown = geometry.theta[8]
    chosen_of, places_of = [], []
    for k, view in enumerate(views):
        value, sx, sy = mask.at(geometry, view.nozzle + shifts[k])
        steep = np.hypot(sx, sy)
        chosen = np.flatnonzero(geometry.good & (view.weight > 0) & (steep > FLAT * (steep.max() + 1e-9)))
        chosen_of.append(chosen)
        places_of.append((value[chosen], sx[chosen], sy[chosen], steep[chosen]))
    union = np.unique(np.concatenate(chosen_of))
    union_slopes = geometry.slopes(union)
    for k, score in enumerate(scores):
        chosen, (value, sx, sy, steep) = chosen_of[k], places_of[k]
        if not len(chosen):
            continue
        slopes = union_slopes[np.searchsorted(union, chosen)]
        rest = score[chosen] - np.clip(value + grown * steep, 0, 1)
        jac = np.empty((len(chosen), GLOBAL + 2))
        jac[:, :8] = sx[:, None] * slopes[:, 0] + sy[:, None] * slopes[:, 1]
        jac[:, 8:] = np.column_stack([steep, sx, sy])
        scale = max(1.4826 * float(np.median(np.abs(rest - np.median(rest)))), 0.03)
        weight = np.minimum(1.0, HUBER * scale / np.maximum(np.abs(rest), 1e-9))
        rests.append(rest * np.sqrt(weight))
        heavy = jac * weight[:, None]
        here = np.r_[0:GLOBAL, GLOBAL + 2 * k, GLOBAL + 2 * k + 1]
        square[np.ix_(here, here)] += heavy.T @ jac
        pull[here] += heavy.T @ rest
    return square, pull, max(float(np.mean(np.square(np.concatenate(rests)))), 1e-4) * ALIKE_PX


def _smoothed(score: Float32, geometry: PictureGround) -> Float32:
    """Return the score blurred a little, what looks past the bed left out."""
    known = geometry.good.reshape(geometry.shape).astype(np.float32)
    above = cv2.GaussianBlur(score.reshape(geometry.shape) * known, (0, 0), 1.0)
    below = cv2.GaussianBlur(known, (0, 0), 1.0)
    return np.asarray(above / np.maximum(below, 1e-3), np.float32).ravel()
