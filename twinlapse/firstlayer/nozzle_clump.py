"""A clump on the nozzle: its outline in its own picture against that over the bare bed.

Nozzle and camera ride together, so the nozzle stays at one place of every picture. The pictures of the bare
bed show it clean. Where the pictures from the same stops, taken after the layer, differ from these in the
same place at every stop, and the print cannot explain it, something hangs on the nozzle.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from twinlapse.arrays import Bool, Float, Float32, Picture
from twinlapse.firstlayer.background import SAME_STOP_MM
from twinlapse.firstlayer.canvas import canvas_over
from twinlapse.firstlayer.expected import Lines, drawn
from twinlapse.firstlayer.linear_light import codes_of, light_of
from twinlapse.firstlayer.mosaic import GLARE, GROOVE, LayerPictures, SurveyFrame
from twinlapse.firstlayer.overlaps import moved_px
from twinlapse.firstlayer.solid import LowerLayer
from twinlapse.optics.lens import unproject
from twinlapse.optics.pose import on_plane, pose_on_mount, see
from twinlapse.optics.view import pixel_size
from twinlapse.rig import Camera, Printer

__all__ = [
    "AROUND_TIP_MM",
    "CHANGED",
    "CLEAR_OF_LINES_MM",
    "FEWEST_STOPS",
    "SMALLEST_CLUMP_MM2",
    "Clump",
    "clump_on",
]

_COARSE = 2  # pixels taken together
_SOFT_PX = 1.2  # of the reduced picture: what is left between two stops at one place is smaller
AROUND_TIP_MM = 6.0  # around the nozzle's tip, in the picture
CLEAR_OF_LINES_MM = 1.0  # from the lines: shadows of the print, and what the camera's place is off
CHANGED = 12.0  # CIE Lab, at every stop
SMALLEST_CLUMP_MM2 = 0.8  # seen at the distance of the tip
FEWEST_STOPS = 2  # at one stop it may lie on the bed
_CONE_MM = ((0.3, 0.0), (1.6, 2.6))  # radius, height: inside every usual nozzle (common practice)


@dataclass(frozen=True, slots=True, kw_only=True)
class Clump:
    """What hangs on the nozzle."""

    at_px: tuple[float, float]
    area_mm2: float  # seen from the camera, at the distance of the tip
    stops: int  # at which it was seen


def clump_on(
    survey: LayerPictures, lines: Lines, shifts_mm: Float | None = None, below: Sequence[LowerLayer] = ()
) -> Clump | None:
    """Return what hangs on the nozzle; None where nothing is seen, or no bare bed shows the clean nozzle.

    Parameters
    ----------
    survey : LayerPictures
        With the camera as the print shows it.
    lines : Lines
        What lies there.
    shifts_mm : ndarray of shape (frames, 2), optional
        By which each frame's nozzle stood off its place.
    below : sequence of LowerLayer
        Lower layers.
    """
    pairs = _pairs(survey.frames, survey.bare)
    if len(pairs) < FEWEST_STOPS:
        return None
    size = survey.frames[0].picture.shape[:2]
    shape = (size[0] // _COARSE, size[1] // _COARSE)
    rise = survey.frames[0].nozzle_mm[2] - survey.top_mm + GROOVE * survey.height_mm
    places, near, nozzle = _around_tip(survey.camera, survey.printer, rise, shape)
    laid = [lines, *(layer.lines for layer in below)]
    ends = np.concatenate([end for each in laid for end in (each.first_mm, each.last_mm)])
    canvas = canvas_over(ends.min(axis=0), ends.max(axis=0), 0.1, 2 * CLEAR_OF_LINES_MM)
    lines_there = np.any([drawn(each, canvas, CLEAR_OF_LINES_MM) for each in laid], axis=0)
    least = np.full(shape, np.inf, np.float32)
    count = np.zeros(shape, np.int64)
    for k, bare in pairs:
        frame = survey.frames[k]
        at = places + np.array(frame.nozzle_mm[:2]) + (0.0 if shifts_mm is None else shifts_mm[k])
        bed = ~_within(lines_there, canvas.to_px(at)).reshape(shape)
        change = _change(_small(frame.picture, shape), _small(bare.picture, shape), bed, near, nozzle)
        told = (bed | nozzle) & near & np.isfinite(change)
        least = np.where(told, np.minimum(least, change), least)
        count += told
    changed = (count >= FEWEST_STOPS) & (least > CHANGED)
    return _largest(changed, nozzle, count, _px_mm(survey.camera, survey.printer) * _COARSE)


def _pairs(frames: Sequence[SurveyFrame], bare: Sequence[SurveyFrame]) -> list[tuple[int, SurveyFrame]]:
    """Return each frame's number with the picture of the bare bed from its stop, as far as there is one."""
    pairs = []
    for k, frame in enumerate(frames):
        same = [other for other in bare if math.dist(frame.nozzle_mm[:2], other.nozzle_mm[:2]) < SAME_STOP_MM]
        if same:
            pairs.append((k, same[0]))
    return pairs


def _around_tip(
    camera: Camera, printer: Printer, rise_mm: float, shape: tuple[int, int]
) -> tuple[Float, Bool, Bool]:
    """Return where pixels look at the layer (n, 2), which lie around the tip, which show the nozzle."""
    pose, lens = pose_on_mount(camera, printer), camera.lens
    y, x = np.meshgrid(*((np.arange(n) + 0.5) * _COARSE - 0.5 for n in shape), indexing="ij")
    pixels = np.column_stack([x.ravel(), y.ravel()])
    with np.errstate(divide="ignore", invalid="ignore"):
        places = np.nan_to_num(on_plane(pixels, pose, lens, -rise_mm)[:, :2], nan=1e6)
    tip = see(np.zeros((1, 3)), pose, lens)[0]
    near = np.hypot(*(pixels - tip).T) < AROUND_TIP_MM / _px_mm(camera, printer)
    near &= np.isfinite(unproject(pixels, lens)).all(axis=1)
    turn = np.linspace(0, 2 * math.pi, 24, endpoint=False)
    rings = [np.column_stack([r * np.cos(turn), r * np.sin(turn), np.full(24, z)]) for r, z in _CONE_MM]
    outline = (see(np.concatenate(rings), pose, lens) + 0.5) / _COARSE - 0.5
    nozzle = np.zeros(shape, np.uint8)
    if np.isfinite(outline).all():
        cv2.fillConvexPoly(nozzle, cv2.convexHull(np.round(outline).astype(np.int32)), 1)
    return places, near.reshape(shape), nozzle.astype(np.bool_)


def _px_mm(camera: Camera, printer: Printer) -> float:
    """Return what a pixel shows at the tip, across the line of sight."""
    pose = pose_on_mount(camera, printer)
    steep = abs(float(pose.axes[2, 2]))
    return float(pixel_size(np.zeros((1, 3)), pose, camera.lens)[0]) * max(steep, 0.1)


def _within(mask: Bool, pixels: Float) -> Bool:
    at = np.rint(np.clip(pixels, -1, [mask.shape[1], mask.shape[0]])).astype(np.int64)
    inside = (at >= 0).all(axis=1) & (at[:, 0] < mask.shape[1]) & (at[:, 1] < mask.shape[0])
    out = np.zeros(len(at), np.bool_)
    out[inside] = mask[at[inside, 1], at[inside, 0]]
    return out


def _small(picture: Picture, shape: tuple[int, int]) -> Float32:
    """Return linear light at reduced size, NaN where it is dazzled."""
    whole = picture[: shape[0] * _COARSE, : shape[1] * _COARSE]
    light = light_of(whole)
    light[(whole >= GLARE).all(axis=2)] = np.nan
    small: Float32 = light.reshape(shape[0], _COARSE, shape[1], _COARSE, 3).mean(axis=(1, 3))
    return small


def _change(now: Float32, before: Float32, bed: Bool, near: Bool, nozzle: Bool) -> Float32:
    """Return by how much each pixel differs, CIE Lab, the exposure evened and the bed moved onto itself."""
    known = np.isfinite(now).all(axis=2) & np.isfinite(before).all(axis=2)
    now, before = np.nan_to_num(now), np.nan_to_num(before)
    ground = bed & known & ~cv2.dilate(nozzle.astype(np.uint8), np.ones((9, 9))).astype(np.bool_)
    if ground.sum() < 400:
        return np.full(bed.shape, np.nan, np.float32)
    evened = before * _ratio(now, before, ground)
    shift, _, _ = moved_px(255 * now, 255 * evened, ground.astype(np.float32))
    way = np.array([[1, 0, shift[0]], [0, 1, shift[1]]])
    how = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    slid = np.asarray(
        cv2.warpAffine(evened, way, now.shape[1::-1], flags=how, borderMode=cv2.BORDER_REPLICATE),
        np.float32,
    )
    # the nozzle has a light of its own: brass mirrors what lies below, and may be dazzled in one of the two
    own = before * _ratio(now, before, nozzle & known)
    lab = [cv2.GaussianBlur(_lab(some), (0, 0), _SOFT_PX) for some in (now, evened, slid, own)]
    least = np.min([np.linalg.norm(lab[0] - other, axis=2) for other in lab[1:]], axis=0)
    return np.where(known, least, np.nan).astype(np.float32)


def _ratio(now: Float32, before: Float32, where: Bool) -> Float32:
    """Return how much brighter each channel is now, (3,)."""
    if not where.any():
        return np.ones(3, np.float32)
    ratio = np.median(now[where], axis=0) / np.maximum(np.median(before[where], axis=0), 1e-4)
    return np.asarray(ratio, np.float32)


def _lab(light: Float32) -> Float32:
    shown = codes_of(np.clip(light, 0, 1))
    return np.asarray(cv2.cvtColor(shown, cv2.COLOR_RGB2LAB), np.float32)


def _largest(changed: Bool, nozzle: Bool, count: np.ndarray, px_mm: float) -> Clump | None:
    """Return the largest piece that hangs together with the nozzle."""
    total, labels, stats, middles = cv2.connectedComponentsWithStats(changed.astype(np.uint8), connectivity=4)
    reach = max(1, round(0.8 / px_mm))
    touched = cv2.dilate(nozzle.astype(np.uint8), np.ones((2 * reach + 1,) * 2)).astype(np.bool_)
    areas = stats[:, cv2.CC_STAT_AREA] * px_mm**2
    held = [k for k in range(1, total) if areas[k] >= SMALLEST_CLUMP_MM2 and (touched & (labels == k)).any()]
    if not held:
        return None
    best = max(held, key=lambda k: areas[k])
    x, y = ((middles[best] + 0.5) * _COARSE - 0.5).tolist()
    return Clump(
        at_px=(round(x, 1), round(y, 1)),
        area_mm2=round(float(areas[best]), 2),
        stops=int(np.median(count[labels == best])),
    )
