"""How sharp each picture shows the outline of the print: focus told from motion.

Lost focus blurs edges of every direction alike and in every picture. Motion while a picture was exposed blurs
the edges across its way, by the length of the way over the square root of 12 (one standard deviation of an
even motion), and differs from picture to picture. Depth blurs as well, before and behind the sharp distance:
by the same law in all pictures of a survey, so what the sharper half shows at a distance is no motion.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from twinlapse.arrays import Float, Picture
from twinlapse.firstlayer.canvas import canvas_over
from twinlapse.firstlayer.expected import Lines, drawn
from twinlapse.firstlayer.mosaic import GROOVE, LayerPictures
from twinlapse.firstlayer.solid import LowerLayer
from twinlapse.optics.pose import Pose, in_picture, pose_on_mount, see
from twinlapse.rig import Lens

__all__ = [
    "EDGE_WAYS",
    "LEAST_MOVED_MM",
    "LEAST_MOVED_PX",
    "SHARP_PX",
    "EdgeBlur",
    "ExposureMotion",
    "edge_blur",
    "motion_of",
]

EDGE_WAYS = 6  # bins of half a turn
_PIECE, _STEP_PX = 8, 3  # points of a piece of outline, and how far apart on the toolpath's mask
_CLEAR_MM = 1.1  # outside the outline: nothing else lies so near
_PRINT_MM = 0.8  # within it there is print so deep
_STRAIGHT = 0.95  # cosine between the normals of a piece
_OFFSETS_PX = np.arange(-6.0, 10.01, 0.5)  # of a profile, outward
_SIGMAS_PX = 0.4 * 1.09 ** np.arange(35)  # 0.4 to 7.5
_BESIDE_PX = np.arange(-4.0, 4.01, 0.25)  # by which the outline may lie beside its place
_LEAST_STEP = 25.0  # of 255, from print to bed
_LEFT = 0.03  # of the step, squared: what the blurred edge leaves unexplained
_FEWEST = 4  # pieces in a direction
# drawn pictures at rest show up to 3.5 px, those that moved by 6 px at least 5
LEAST_MOVED_PX, LEAST_MOVED_MM = 4.0, 0.4
SHARP_PX = 1.7  # blur of the camera's own, one standard deviation, up to which motion is told from focus
# drawn edges at rest differ by up to 1.8 times from direction to direction; below 0.8 px noise decides
_UNEVEN, _LEAST_STILL_PX = 2.0, 0.8
_FEWEST_DEPTHS = 12  # edges of pictures and directions that show how blur goes with depth
_DEEP = 1.15  # the farthest of them against the nearest
_LOWER = 0.2  # share of the weight that an edge above the curve has: few pictures of a survey moved
_MORE = 0.5  # of the blur that the sharpest picture has, squared: what is less is not told from noise


@dataclass(frozen=True, slots=True, kw_only=True)
class EdgeBlur:
    """Blur across the outline, one standard deviation, by picture and direction of the outline's normal."""

    sigma_px: Float  # (frames, EDGE_WAYS); NaN: no such edge
    px_per_mm: Float  # (frames,) across the edges
    depth_mm: Float  # as sigma_px, of the edges from the camera


@dataclass(frozen=True, slots=True, kw_only=True)
class ExposureMotion:
    """How far each picture moved while it was exposed, and how sharp the camera is."""

    moved_mm: tuple[float, ...]  # length of each frame's way; 0: not told from a still one
    still_mm: float  # blur of the sharpest edges, one standard deviation; NaN: no outline was seen


def motion_of(found: EdgeBlur) -> ExposureMotion:
    """Return which pictures moved while they were exposed.

    Of each direction the sharpest picture shows how sharp the camera is, and the sharpest direction how sharp
    it is at least within a factor; so do all edges at the same distance. What is more is motion. Where
    no picture is sharp in any direction it is the focus, and nothing is said of motion.
    """
    square = found.sigma_px**2
    seen = np.isfinite(square)
    if not seen.any():
        return ExposureMotion(moved_mm=(0.0,) * len(square), still_mm=math.nan)
    lowest = np.where(seen, square, np.inf).min(axis=0)
    still = math.sqrt(float(lowest.min()))
    if len(square) == 1:
        lowest = np.full(EDGE_WAYS, still**2)
    # where all pictures moved none is sharp in every direction: a lens blurs all directions about alike
    lowest = np.where(lowest > (_UNEVEN * max(still, _LEAST_STILL_PX)) ** 2, still**2, lowest)
    scale = float(np.nanmedian(found.px_per_mm))
    camera = np.maximum(lowest, _blur_of_depth(square, found.depth_mm))
    lengths = [
        _moved_px(row, own) if still < SHARP_PX else 0.0 for row, own in zip(square, camera, strict=True)
    ]
    told = [length / scale if length >= LEAST_MOVED_PX else 0.0 for length in lengths]
    return ExposureMotion(
        moved_mm=tuple(round(v, 2) if v >= LEAST_MOVED_MM else 0.0 for v in told), still_mm=still / scale
    )


def _blur_of_depth(square: Float, depth_mm: Float) -> Float:
    """Return the blur that the survey shows at each edge's depth, px^2; 0 where too few edges tell.

    A thin lens blurs by a share of the difference of 1/d and 1/focus, so its square is a parabola of 1/d.
    Edges above the curve weigh less, for motion adds to blur and never takes from it; edges below it tell how
    far still ones scatter, and the curve is raised by three times that.
    """
    seen = np.isfinite(square) & np.isfinite(depth_mm)
    flat = np.zeros(square.shape)
    if seen.sum() < _FEWEST_DEPTHS or not depth_mm[seen].max() > _DEEP * depth_mm[seen].min():
        return flat
    near = 1 / depth_mm[seen]
    near = (near - near.mean()) / np.ptp(near)
    base, weight = np.column_stack([np.ones(len(near)), near, near**2]), np.ones(len(near))
    for _ in range(20):
        root = np.sqrt(weight)
        curve = base @ np.linalg.lstsq(root[:, None] * base, root * square[seen], rcond=None)[0]
        weight = np.where(square[seen] > curve, _LOWER, 1 - _LOWER)
    curve = np.maximum(curve, 1e-6)
    under = np.minimum(square[seen] / curve - 1, 0.0)
    flat[seen] = curve * (1 + 3 * math.sqrt(float((under[under < 0] ** 2).mean())))
    return flat


def _moved_px(square: Float, camera: Float) -> float:
    """Return the length of the way that explains the blur (directions,) px^2 beyond that of the camera."""
    own = np.isfinite(square)
    if not own.any():
        return 0.0
    more = np.maximum(square[own] - camera[own], 0.0)
    worst = int(more.argmax())
    most = float(more[worst])
    turn = 2 * np.flatnonzero(own) * math.pi / EDGE_WAYS
    base = np.column_stack([np.ones(len(turn)), np.cos(turn), np.sin(turn)])
    if len(turn) > base.shape[1]:  # one odd direction is no motion: s^2 = m^2 / 12 cos^2(angle)
        mean, along, across = np.linalg.lstsq(base, more, rcond=None)[0]
        most = min(most, float(mean + math.hypot(along, across)))
    return math.sqrt(12 * most) if most > _MORE * camera[own][worst] else 0.0


def edge_blur(
    survey: LayerPictures, lines: Lines, shifts_mm: Float, below: Sequence[LowerLayer] = ()
) -> EdgeBlur:
    """Return how sharp each frame of a survey shows the outline of the print.

    Parameters
    ----------
    survey : LayerPictures
        With the camera as the print shows it.
    lines : Lines
        What lies there.
    shifts_mm : ndarray of shape (frames, 2)
        By which each frame's nozzle stood off its place.
    below : sequence of LowerLayer
        Lower layers: an outline with these beside it is left out.
    """
    places, normals = _pieces(lines, below)
    pose, lens = pose_on_mount(survey.camera, survey.printer), survey.camera.lens
    rise = survey.frames[0].nozzle_mm[2] - survey.top_mm + GROOVE * survey.height_mm
    sigma, depth = np.full((2, len(survey.frames), EDGE_WAYS), np.nan)
    scale = np.full(len(survey.frames), np.nan)
    for k, (frame, shift) in enumerate(zip(survey.frames, shifts_mm, strict=True)):
        off = places - np.array(frame.nozzle_mm[:2]) - shift
        middle, normal, size = _in_picture(off, normals, rise, pose, lens)
        angles, widths, sizes, depths = [], [], [], []
        for piece in np.flatnonzero(
            in_picture(middle.reshape(-1, 2), lens, 0.95).reshape(middle.shape[:2]).all(axis=1)
        ):
            width = _width(_profile(frame.picture, middle[piece], normal[piece]))
            if width is not None:
                x, y = normal[piece].mean(axis=0)
                angles.append(math.atan2(y, x))
                widths.append(width)
                sizes.append(size[piece])
                depths.append(pose.to_camera(np.array([[*off[piece].mean(axis=0), -rise]]))[0, 2])
        if not widths:
            continue
        which = np.round(np.array(angles) / math.pi * EDGE_WAYS).astype(np.int64) % EDGE_WAYS
        for direction in range(EDGE_WAYS):
            if (which == direction).sum() >= _FEWEST:
                sigma[k, direction] = np.median(np.array(widths)[which == direction])
                depth[k, direction] = np.median(np.array(depths)[which == direction])
        scale[k] = np.median(sizes)
    return EdgeBlur(sigma_px=sigma, px_per_mm=scale, depth_mm=depth)


def _pieces(lines: Lines, below: Sequence[LowerLayer]) -> tuple[Float, Float]:
    """Return pieces of the outline, (n, `_PIECE`, 2) mm, and their outward normals."""
    ends = np.concatenate([lines.first_mm, lines.last_mm])
    canvas = canvas_over(ends.min(axis=0), ends.max(axis=0), 0.1, 3.0)
    mask = cv2.morphologyEx(drawn(lines, canvas).astype(np.uint8), cv2.MORPH_CLOSE, np.ones((7, 7)))
    outside, inside = (
        cv2.distanceTransform(some, cv2.DIST_L2, 5) * canvas.step_mm for some in (1 - mask, mask)
    )
    for layer in below:  # what lies under this layer is not beside it
        under = drawn(layer.lines, canvas) & (mask == 0)
        lower = cv2.morphologyEx(under.astype(np.uint8), cv2.MORPH_OPEN, np.ones((3, 3)))
        outside = np.minimum(outside, cv2.distanceTransform(1 - lower, cv2.DIST_L2, 5) * canvas.step_mm)
    down, right = np.gradient(cv2.GaussianBlur(mask.astype(np.float32), (0, 0), 4))
    places, normals = [], []
    for outline in cv2.findContours(mask, cv2.RETR_CCOMP, cv2.CHAIN_APPROX_NONE)[0]:
        at = outline.reshape(-1, 2)[::_STEP_PX]
        slope = np.column_stack([right[at[:, 1], at[:, 0]], down[at[:, 1], at[:, 0]]])
        out = -slope / np.maximum(np.hypot(*slope.T), 1e-9)[:, None]

        def beside(picture: np.ndarray, way_mm: float, at: np.ndarray = at, out: Float = out) -> Float:
            off = np.rint(at + way_mm / canvas.step_mm * out).astype(np.int64)
            x, y = np.clip(off, 0, [mask.shape[1] - 1, mask.shape[0] - 1]).T
            return np.asarray(picture[y, x])

        clear = (beside(outside, 1.2 * _CLEAR_MM) > _CLEAR_MM) & (
            beside(inside, -_PRINT_MM) > 0.6 * _PRINT_MM
        )
        for start in range(0, len(at) - _PIECE + 1, _PIECE):
            own = slice(start, start + _PIECE)
            if clear[own].all() and (out[own] @ out[start]).min() > _STRAIGHT:
                places.append(canvas.to_mm(at[own].astype(np.float64)))
                normals.append(out[own] * [1, -1])  # rows run toward the front
    shape = (-1, _PIECE, 2)
    return np.array(places, np.float64).reshape(shape), np.array(normals, np.float64).reshape(shape)


def _in_picture(
    off_mm: Float, normals: Float, rise_mm: float, pose: Pose, lens: Lens
) -> tuple[Float, Float, Float]:
    """Return pieces in the picture, the normals of their edges there, and pixels to a mm across the edge."""

    def pixels(places: Float) -> Float:
        flat = np.concatenate([places, np.full((*places.shape[:2], 1), -rise_mm)], axis=-1).reshape(-1, 3)
        return see(flat, pose, lens).reshape(places.shape)

    out = pixels(off_mm + 0.25 * normals) - pixels(off_mm - 0.25 * normals)
    along = np.stack([-normals[..., 1], normals[..., 0]], axis=-1)
    edge = pixels(off_mm + 0.25 * along) - pixels(off_mm - 0.25 * along)
    normal = np.stack([-edge[..., 1], edge[..., 0]], axis=-1)
    normal /= np.maximum(np.linalg.norm(normal, axis=-1, keepdims=True), 1e-9)
    across = (normal * out).sum(axis=-1, keepdims=True)
    return pixels(off_mm), normal * np.sign(across), np.abs(across[..., 0]).mean(axis=1) / 0.5


def _profile(picture: Picture, middle: Float, normal: Float) -> Float:
    """Return the mean profile of a piece, (samples, 3)."""
    at = (middle[:, None] + _OFFSETS_PX[None, :, None] * normal[:, None]).astype(np.float32)
    read = cv2.remap(picture, at[..., 0], at[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(read.astype(np.float64).mean(axis=0))


def _width(profile: Float) -> float | None:
    """Return the blur of the best fitting blurred edge, px; None where the profile is none."""
    inner, outer = profile[_OFFSETS_PX < -1].mean(axis=0), profile[_OFFSETS_PX > 5].mean(axis=0)
    step = inner - outer
    size = float(np.linalg.norm(step))
    if not size >= _LEAST_STEP:
        return None
    value = (profile - outer) @ step / size**2
    value = value - value.mean()
    match = _EDGES @ value
    left = float(value @ value) - match**2 / _POWER
    best = int(left.argmin())
    if left[best] > _LEFT * len(value) or match[best] < 0:
        return None
    return float(_SIGMAS_PX[best // len(_BESIDE_PX)])


def _edges() -> Float:
    """Return blurred edges, print to bed, (blurs * offsets, samples), less their means."""
    argument = (_OFFSETS_PX[None, None] - _BESIDE_PX[None, :, None]) / (
        _SIGMAS_PX[:, None, None] * math.sqrt(2)
    )
    edges = 0.5 * (1 - np.vectorize(math.erf)(argument)).reshape(-1, len(_OFFSETS_PX))
    return np.asarray(edges - edges.mean(axis=1, keepdims=True))


_EDGES = _edges()
_POWER = (_EDGES**2).sum(axis=1)
