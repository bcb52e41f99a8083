"""Survey frames to one picture of the layer as from straight above.

Each frame is laid onto the plane of the layer by the camera's pose and the machine's place. What is left
(parking error, a bed that is not quite where it says) is measured between every two frames that overlap by
phase correlation and least squares, and solved for all at once. Overlaps without texture count little or
nothing; the machine's own place holds what no overlap tells.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from functools import lru_cache

import cv2
import numpy as np
from numpy.typing import NDArray

from twinlapse.arrays import Bool, Float, Float32, Picture
from twinlapse.firstlayer.canvas import Canvas, canvas_over
from twinlapse.firstlayer.expected import Lines, drawn
from twinlapse.firstlayer.overlaps import (
    FURTHEST_MM,
    MACHINE_MM,
    OVERLAP_MM,
    Link,
    Patch,
    common,
    cut,
    links_of,
    solved,
)
from twinlapse.firstlayer.solid import (
    SIDE_MM,
    HidingLayer,
    LowerLayer,
    ground_of,
    hidden_bed,
    standing_on,
)
from twinlapse.optics.gap_view import side_mm
from twinlapse.optics.pose import Place, pose_in_bed, pose_on_mount, see
from twinlapse.optics.window import detail_mm, usable
from twinlapse.records import ArrayRecord
from twinlapse.rig import Camera, Printer

__all__ = [
    "BESIDE_MM",
    "BLOCK_MM",
    "BLOCK_SPREAD",
    "FARTHEST_MM",
    "FEWEST_IN_BLOCK",
    "FEWEST_SHADED",
    "FLICKER",
    "GLARE",
    "GROOVE",
    "NEAR_GLARE_PX",
    "PLACED_FURTHEST_MM",
    "PLACED_MM",
    "PLACED_OVERLAP_MM",
    "SHADE",
    "SHADE_MM",
    "STEP_MM",
    "TERMS",
    "TRUST_MM",
    "TURNS",
    "LayerPictures",
    "Mosaic",
    "SurveyFrame",
    "blended",
    "build_mosaic",
    "dazzled",
    "evened",
    "laid_on",
    "shade_terms",
    "shown_box",
    "stands_up",
    "unshaded",
]

# all channels this bright are a reflection of the camera's own light, and tell nothing; a strong colour may
# fill one channel and still tell by the others
GLARE = 247
NEAR_GLARE_PX = 40.0  # at a width of 640, about 3 mm: so far from a reflection a picture counts in full
GROOVE = 0.5  # of the layer, below its top: what is matched of lines are the grooves between them (measured)
BESIDE_MM = 0.6  # around the lines: the drawing may stand beside them
STEP_MM = 0.2  # where the sides of the print are seen beside its outline
# how far a frame's place by the outlines is trusted (one standard deviation): rehearsed ones are off by half
PLACED_MM = 0.06
# lines seen from two sides are not quite the same picture: over a row of stops that adds up
PLACED_OVERLAP_MM = 0.05
PLACED_FURTHEST_MM = 0.2  # less than half the distance of two lines, which look alike
TERMS = 5  # of the light over the picture
FLICKER = 0.05  # of the exposure from frame to frame, one standard deviation of its logarithm
TRUST_MM = 0.5  # cells in which it is worked out how well a place is shown
FARTHEST_MM = 70.0  # from the tip
SHADE, SHADE_MM = 0.2, 10.0  # the light over the picture changes by about so much (logarithm) within so much
FEWEST_SHADED = 5  # frames; fewer do not drift, and show too little of the light over the picture
BLOCK_MM, FEWEST_IN_BLOCK = 2.0, 60  # blocks of an overlap that are compared
BLOCK_SPREAD = 0.05  # of the logarithm of one block's ratio: the print's shading seen from two sides
TURNS = 2  # measured again on frames laid by the last solution: a third moved them by 0.006 mm


@dataclass(frozen=True, slots=True, kw_only=True)
class SurveyFrame:
    """One picture and where the nozzle stood."""

    picture: NDArray[np.uint8]  # (height, width, 3)
    nozzle_mm: Place
    trust: float = 1.0  # less where the picture is blurred by motion: a sharper one counts more


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class LayerPictures(ArrayRecord):
    """What a survey of one layer saw, and by which camera."""

    frames: tuple[SurveyFrame, ...]  # pictures of the size that the camera's lens names
    camera: Camera
    printer: Printer
    top_mm: float  # of the layer
    height_mm: float = 0.0  # of the layer; what is matched of its lines are the grooves between them
    bare: tuple[SurveyFrame, ...] = ()  # of the bed before the print, from the same stops
    clouded: Bool | None = None  # (height, width) of a picture: dirt on the lens, where nothing is seen


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class Mosaic(ArrayRecord):
    """The layer seen from straight above."""

    canvas: Canvas
    colours: NDArray[np.uint8]  # (height, width, 3)
    seen: NDArray[np.bool_]
    shifts_mm: Float  # (frames, 2) by which each frame was moved
    links: tuple[Link, ...]
    residual_mm: float  # of the overlaps used, RMS
    gains: Float  # (frames,) by which its brightness was multiplied
    shading: Float = field(default_factory=lambda: np.zeros(TERMS))  # of the picture; see `evened`


def build_mosaic(
    survey: LayerPictures,
    lines: Lines | None = None,
    *,
    below: Sequence[LowerLayer] = (),
    step_mm: float = 0.1,
    placed_mm: Float | None = None,
    progress: Callable[[float], None] | None = None,
) -> Mosaic:
    """Lay, align, even out and blend survey frames.

    Parameters
    ----------
    survey : LayerPictures
        Of one frame at least.
    lines : Lines, optional
        What should lie there. Beside it the bed is seen, which lies lower: taken for the layer's height, its
        texture would pull the frames apart.
    below : sequence of LowerLayer
        The lowest first. With them, or before a level camera, the print hides bed behind it.
    step_mm : float
        Size of a pixel of the map.
    placed_mm : ndarray of shape (frames, 2), optional
        By how much each frame stands off its place, as the outlines of the print show; else the machine is
        trusted.
    """
    frames = survey.frames
    start = np.zeros((len(frames), 2)) if placed_mm is None else np.asarray(placed_mm, np.float64)
    trust_mm = MACHINE_MM if placed_mm is None else PLACED_MM
    limits = (FURTHEST_MM, OVERLAP_MM) if placed_mm is None else (PLACED_FURTHEST_MM, PLACED_OVERLAP_MM)
    shifts = start.copy()
    outlines = [shown_box(frame, survey) for frame in frames]
    canvas = canvas_over(
        np.min([low for low, _ in outlines], axis=0),
        np.max([high for _, high in outlines], axis=0),
        step_mm,
        1.0,
    )
    # no step in the ground at the very outline: by that the toolpath is laid onto the map
    solid = stands_up(survey, below)
    reach_mm = STEP_MM if solid else BESIDE_MM
    on_layer = np.ones(canvas.shape, np.bool_) if lines is None else drawn(lines, canvas, 2 * reach_mm)
    ground = ground_of(on_layer, survey.top_mm - GROOVE * survey.height_mm, below, canvas)
    standing: tuple[HidingLayer, ...] = ()
    if lines is not None and solid:
        standing = standing_on(lines, survey.top_mm, survey.height_mm, below, canvas)
    links: tuple[Link, ...] = ()
    total = (TURNS + 1) * len(frames)
    for turn in range(TURNS):
        patches = []
        for index, frame in enumerate(frames):
            box = outlines[index]
            patches.append(laid_on(frame, survey, ground, canvas, box, shifts[index], standing))
            if progress is not None:
                progress((turn * len(frames) + index + 1) / total)
        links = tuple(links_of(patches, step_mm, *limits))
        change = solved(links, shifts - start, trust_mm)
        shifts = shifts + change
        if not len(links) or np.abs(change).max() < 0.02 * step_mm:
            break
    patches = [
        laid_on(frame, survey, ground, canvas, box, shift, standing)
        for frame, box, shift in zip(frames, outlines, shifts, strict=True)
    ]
    gains, shading = evened(patches, frames, canvas)
    patches = [unshaded(patch, frame, canvas, shading) for patch, frame in zip(patches, frames, strict=True)]
    colours, seen = blended(patches, gains, canvas)
    used = [link.shift_mm for link in links if link.used]
    if progress is not None:
        progress(1.0)
    return Mosaic(
        canvas=canvas,
        colours=colours,
        seen=seen,
        shifts_mm=shifts,
        links=links,
        residual_mm=float(np.sqrt(np.mean(np.square(used)) * 2)) if used else 0.0,
        gains=gains,
        shading=shading,
    )


def stands_up(survey: LayerPictures, below: Sequence[LowerLayer] = ()) -> bool:
    """Return whether the print is seen to stand: on lower layers, or by a camera that sees its sides."""
    steep_rad = pose_on_mount(survey.camera, survey.printer).steep_rad
    return bool(below) or side_mm(survey.height_mm, steep_rad) > SIDE_MM


def shown_box(frame: SurveyFrame, survey: LayerPictures) -> tuple[Float, Float]:
    """Return the box around what a frame shows well, on the bed."""
    low, trust = _trusted(survey.camera, survey.printer, frame.nozzle_mm[2] - survey.top_mm)
    middle = np.array(frame.nozzle_mm[:2])
    return middle + low, middle + low + np.array(trust.shape[::-1]) * TRUST_MM


def laid_on(
    frame: SurveyFrame,
    survey: LayerPictures,
    ground_mm: Float,
    canvas: Canvas,
    box: tuple[Float, Float],
    shift_mm: Float,
    standing: Sequence[HidingLayer] = (),
) -> Patch:
    """Return one frame laid onto the ground (canvas.shape, mm) within a box of the canvas, shifted by mm.

    What stands on the ground hides what is behind it.
    """
    corners = canvas.to_px(np.array([[box[0][0], box[1][1]], [box[1][0], box[0][1]]]))
    (column, row), (right, bottom) = np.floor(corners[0]).astype(int), np.ceil(corners[1]).astype(int) + 1
    part = replace(
        canvas,
        left_mm=canvas.left_mm + column * canvas.step_mm,
        back_mm=canvas.back_mm - row * canvas.step_mm,
        width=int(right - column),
        height=int(bottom - row),
    )
    places = part.grid_mm() - shift_mm
    rows = np.clip(np.arange(row, bottom), 0, canvas.height - 1)
    columns = np.clip(np.arange(column, right), 0, canvas.width - 1)
    points = np.concatenate([places, ground_mm[np.ix_(rows, columns)][..., None]], axis=-1)
    pose = pose_in_bed(survey.camera, survey.printer, frame.nozzle_mm)
    at = see(points, pose, survey.camera.lens).astype(np.float32)
    colours = cv2.remap(
        frame.picture, at[..., 0], at[..., 1], cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE
    )
    clear = cv2.remap(_clear(frame, survey), at[..., 0], at[..., 1], cv2.INTER_LINEAR)
    clear[clear < 0.99 / NEAR_GLARE_PX] = 0  # between a pixel that shows the layer and one that does not
    weight = _weight(part, frame, survey) * clear * np.float32(frame.trust)
    if standing:
        weight[hidden_bed(points, pose.place_mm, shift_mm, canvas, standing)] = 0
    return Patch(row=int(row), column=int(column), colours=colours.astype(np.float32), weight=weight)


def dazzled(picture: Picture) -> NDArray[np.uint8]:
    """Return where a picture (h, w, 3) shows nothing but the reflection of a lamp, 0 or 1, (h, w)."""
    return np.asarray(cv2.inRange(picture, (GLARE,) * 3, (255,) * 3) // 255, np.uint8)


def _clear(frame: SurveyFrame, survey: LayerPictures) -> Float32:
    """Return how far a picture shows the layer, (h, w): 0 where it is dazzled or dirt is on the lens.

    Around a reflection all is too bright: another picture counts more there, and none has a seam.
    """
    # single bright grains of a light bed are no reflection
    bright = cv2.morphologyEx(dazzled(frame.picture), cv2.MORPH_OPEN, np.ones((3, 3), np.uint8))
    hidden = cv2.dilate(bright, np.ones((9, 9), np.uint8))
    if survey.clouded is not None:
        hidden = np.maximum(hidden, survey.clouded.astype(np.uint8))
    if not hidden.any():
        return np.ones(hidden.shape, np.float32)
    away = cv2.distanceTransform(1 - hidden, cv2.DIST_L2, 3) / (NEAR_GLARE_PX * hidden.shape[1] / 640)
    return np.asarray(np.minimum(away, 1), np.float32)


def _weight(part: Canvas, frame: SurveyFrame, survey: LayerPictures) -> Float32:
    """Return how well each pixel of a piece of the canvas is shown: 1 where finest, falling to 0."""
    low, trust = _trusted(survey.camera, survey.printer, frame.nozzle_mm[2] - survey.top_mm)
    off = part.grid_mm()[[0, -1], [0, -1]] - np.array(frame.nozzle_mm[:2]) - low
    (left, back), (right, front) = off / TRUST_MM - 0.5
    x, y = np.linspace(left, right, part.width), np.linspace(back, front, part.height)
    at = np.meshgrid(x.astype(np.float32), y.astype(np.float32))
    weight, inside = (
        cv2.remap(some, *at, cv2.INTER_LINEAR) for some in (trust, (trust > 0).astype(np.float32))
    )
    return np.asarray(weight * (inside > 0.999), np.float32)  # beyond the last cell the head may show


@lru_cache(maxsize=4)  # all frames of a survey show the layer from one height
def _trusted(camera: Camera, printer: Printer, rise_mm: float) -> tuple[Float, Float32]:
    """Return the corner of the first cell around the tip, and how well each of TRUST_MM is shown."""
    steps = np.arange(-FARTHEST_MM, FARTHEST_MM, TRUST_MM) + TRUST_MM / 2
    grid = np.stack(np.meshgrid(steps, steps), axis=-1)
    points = np.concatenate([grid, np.full((*grid.shape[:2], 1), -rise_mm)], axis=-1).reshape(-1, 3)
    good = usable(points, camera, printer, rise_mm)
    if not good.any():
        return np.zeros(2), np.zeros((1, 1), np.float32)
    detail = np.where(good, detail_mm(points, camera, printer), np.nan)
    sharp = (np.nan_to_num(np.nanmin(detail) / detail) ** 2).reshape(grid.shape[:2])
    far = cv2.distanceTransform(good.reshape(grid.shape[:2]).astype(np.uint8), cv2.DIST_L2, 3) * TRUST_MM
    trust = np.where(far > 0, np.maximum(np.minimum(far / 3.0, 1.0) * sharp, 1e-3), 0)
    rows, columns = (np.flatnonzero(good.reshape(grid.shape[:2]).any(axis=axis)) for axis in (1, 0))
    inner = trust[rows[0] : rows[-1] + 1, columns[0] : columns[-1] + 1]
    low = grid[rows[0], columns[0]] - TRUST_MM / 2
    return low, inner.astype(np.float32)


def evened(patches: Sequence[Patch], frames: Sequence[SurveyFrame], canvas: Canvas) -> tuple[Float, Float]:
    """Return a factor for each frame and the light over the picture, which make frames equally bright.

    Both are solved for together where frames overlap. Without the light over the picture (the lamp's, the
    lens's) every overlap would put its unevenness into the factors, and a row of frames would drift.

    Returns
    -------
    gains : ndarray of shape (frames,)
    shading : ndarray of shape (5,)
        Of the logarithm, by x, y, x^2, xy, y^2 of the place seen from the nozzle, in units of `SHADE_MM`.
    """
    count = len(patches)
    size = count + TERMS
    shade = SHADE if count >= FEWEST_SHADED else 1e-6
    rows, right = [np.diag(np.r_[np.full(count, 1 / FLICKER), np.full(TERMS, 1 / shade)])], [np.zeros(size)]
    for one in range(count):
        for other in range(one + 1, count):
            box = common(patches[one], patches[other])
            if box is None:
                continue
            (a, wa), (b, wb) = cut(patches[one], box), cut(patches[other], box)
            ratio, at, sure = _ratios(a, b, (wa > 0.05) & (wb > 0.05), box, canvas)
            if not len(ratio):
                continue
            row = np.zeros((len(ratio), size))
            row[:, one], row[:, other] = 1.0, -1.0
            nozzles = (frames[k].nozzle_mm[:2] for k in (one, other))
            here, there = (shade_terms(at - np.array(nozzle)) for nozzle in nozzles)
            row[:, count:] = here - there
            rows.append(row * sure[:, None])
            right.append(ratio * sure)
    matrix, wanted = np.concatenate(rows), np.concatenate(right)
    weight = np.ones(len(matrix))
    logs: Float = np.zeros(size)
    for _ in range(3):  # what lies on the bed differs where frames are not quite laid: Huber's weights
        logs = np.asarray(np.linalg.lstsq(matrix * weight[:, None], wanted * weight, rcond=None)[0])
        off = np.abs(matrix @ logs - wanted)
        weight = np.sqrt(np.minimum(1.0, 1.5 / np.maximum(off, 1e-9)))
        weight[:size] = 1.0
    return np.asarray(np.exp(logs[:count])), np.asarray(logs[count:])


def _ratios(
    a: Float32, b: Float32, both: NDArray[np.bool_], box: tuple[int, int, int, int], canvas: Canvas
) -> tuple[Float, Float, Float]:
    """Return the logarithm of how much brighter `b` is than `a`, where, and how sure, by blocks."""
    grey_a, grey_b = a.mean(axis=2), b.mean(axis=2)
    good = both & (np.maximum(grey_a, grey_b) < 245) & (np.minimum(grey_a, grey_b) > 8)
    step = max(1, round(BLOCK_MM / canvas.step_mm))
    row, column = np.indices(good.shape)
    block = (row // step) * (good.shape[1] // step + 1) + column // step
    block, n = block[good], int(block.max(initial=0)) + 1
    count = np.bincount(block, minlength=n)
    sums = [np.bincount(block, some[good], n) for some in (grey_a, grey_b, row, column)]
    full = count >= FEWEST_IN_BLOCK
    mean_a, mean_b, y, x = (some[full] / count[full] for some in sums)
    at = canvas.to_mm(np.column_stack([x + box[1], y + box[0]]))
    sure = np.full(int(full.sum()), 1 / BLOCK_SPREAD)
    return np.log(mean_b / np.maximum(mean_a, 1e-6)), at, sure


def shade_terms(off_mm: Float) -> Float:
    """Return x, y, x^2, xy, y^2 of places (..., 2) seen from the nozzle, in units of `SHADE_MM`."""
    x, y = off_mm[..., 0] / SHADE_MM, off_mm[..., 1] / SHADE_MM
    return np.stack([x, y, x * x, x * y, y * y], axis=-1)


def unshaded(patch: Patch, frame: SurveyFrame, canvas: Canvas, shading: Float) -> Patch:
    """Return a patch as an even light over the picture would show it."""
    rows, columns = np.indices(patch.weight.shape)
    places = canvas.to_mm(np.dstack([columns + patch.column, rows + patch.row]))
    field = np.exp(np.clip(shade_terms(places - np.array(frame.nozzle_mm[:2])) @ shading, -1.5, 1.5))
    return replace(patch, colours=patch.colours * field[..., None].astype(np.float32))


def blended(
    patches: list[Patch], gains: Float, canvas: Canvas
) -> tuple[NDArray[np.uint8], NDArray[np.bool_]]:
    """Return the weighted mean of patches on a canvas, and where there is any."""
    total = np.zeros((*canvas.shape, 3), np.float32)
    weight = np.zeros(canvas.shape, np.float32)
    for patch, gain in zip(patches, gains, strict=True):
        top, left = max(patch.row, 0), max(patch.column, 0)
        box = (
            top,
            left,
            min(patch.row + patch.weight.shape[0], canvas.height),
            min(patch.column + patch.weight.shape[1], canvas.width),
        )
        colours, trust = cut(patch, box)
        part = (slice(box[0], box[2]), slice(box[1], box[3]))
        total[part] += np.float32(gain) * colours * trust[..., None]
        weight[part] += trust
    seen = weight > 0
    mean = total / np.maximum(weight, 1e-6)[..., None]
    return np.clip(np.round(mean), 0, 255).astype(np.uint8), seen
