"""A rigid body in its own picture: the nozzle before a camera that rides with it.

It stands still but for the camera's shaking while everything behind it changes. Its pixels are found as those
whose change over the film, divided by their slope, is a fraction of a pixel. How it lies in a picture is read
off these pixels alone by least squares on their brightness (Lucas and Kanade 1981, in the inverse form of
Baker and Matthews 2004): a few thousand steep pixels tell a hundredth of a pixel where tiles would be full of
what moves behind.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from twinlapse.arrays import Bool, Float, Grey
from twinlapse.imaging.bodies import find_bodies
from twinlapse.imaging.decode import reduced
from twinlapse.imaging.medians import median_plane
from twinlapse.imaging.registration import make_reference, measure
from twinlapse.imaging.transforms import fit_maps
from twinlapse.rig.film_settings import Box

__all__ = [
    "CELLS",
    "FEWEST",
    "FIRST_PX",
    "FOOT",
    "LIMITS_PX",
    "MOST",
    "MOST_RIM",
    "NEARLY_PX",
    "NEIGHBOURS",
    "NOISE",
    "PIECES",
    "RIM",
    "SCENE_PX",
    "STEEP",
    "USUAL_WIDTH_PX",
    "Plane",
    "Rigid",
    "enlarged",
    "find_rigid",
    "soften",
]

Plane = NDArray[np.float32]

# an sRGB code plus this is a power of light but for the darkest few (IEC 61966-2-1): a gain of the light is
# then a gain of the sum
FOOT = np.float32(255 * 0.055)
_SMALL_PX = 240  # width of the pictures of the first look
NEIGHBOURS = 15  # edge of the part over which change and slope are compared, px
FIRST_PX = (0.6, 1.2, 2.4)  # what counts as standing still before the shaking is known, tried in turn
LIMITS_PX = (0.4, 0.3, 0.25)  # and after it was taken out, once, twice, three times
SCENE_PX = 0.8  # what stands still, in most pictures, once the body's shaking is taken out
NEARLY_PX = 0.5  # what counts as part of the body when others are to stay away from it
STEEP = 3.0  # codes per pixel of a picture of USUAL_WIDTH_PX; larger ones show the same edges softer
USUAL_WIDTH_PX = 640
NOISE = 1.0  # standard deviation of a code that is never undercut
FEWEST, MOST = 300, 4000  # pixels
_MOST_SHARE = 0.6  # of all textured pixels; a body that is more is the scene itself
MOST_RIM = 0.6  # of the textured pixels along the picture's rim: a nozzle comes in from one side
_PART = 0.12  # of the picture that a nozzle fills at least
_TILE_PX = 64  # of the look for a body that shook far
RIM = 0.04  # width of the rim over that of the picture
PIECES = 5  # that hold nearly all of a body: a dirty nozzle falls apart into some
CELLS = (40, 30)  # raster in which the body's place is told
_ARM = 100.0  # px: brings turns and shifts to one size


@dataclass(frozen=True, slots=True, kw_only=True)
class Rigid:
    """A body's steep pixels in a reference picture, ready to be looked for in others."""

    size: tuple[int, int]  # width, height of the picture
    points: Plane  # (k, 2) px
    values: Plane  # (k,)
    slopes: Plane  # (k, 4): change of the value with right, down, turn and light
    pull: Plane  # (k,) one over the variance of the value
    middle: Float  # (2,) px, about which it turns
    outline: Grey  # (height, width), not zero where the body is

    def read(self, grey: Grey) -> tuple[Float, float]:
        """Return how the body lies in a picture.

        Returns
        -------
        matrix : ndarray of shape (2, 3)
            Reference to picture.
        confidence : float
            Share of the body's pixels that look as they should.
        """
        soft, corner = self._part(grey)
        way, light = np.eye(3), float(np.median(_sampled(soft, self.points - corner) / self.values))
        off = np.zeros_like(self.values)
        for _ in range(10):
            at = self.points @ way[:2, :2].T.astype(np.float32) + way[:2, 2].astype(np.float32)
            off = _sampled(soft, at - corner) / np.float32(light) - self.values
            step = self._step(off)
            way = way @ np.linalg.inv(_turned(step, self.middle))
            light *= 1 + float(step[3])
            if np.abs(step[:2]).max() < 5e-3:
                break
        likely = np.abs(off) * np.sqrt(self.pull) < 4
        return np.asarray(way[:2]), float(likely.mean())

    def brightness(self, grey: Grey, matrix: Float) -> float:
        """Return the light of a picture over the reference's."""
        at = self.points @ matrix[:, :2].T.astype(np.float32) + matrix[:, 2].astype(np.float32)
        soft, corner = self._part(grey)
        return float(np.median(_sampled(soft, at - corner) / self.values))

    def covers(self, across: int, down: int) -> Plane:
        """Return how much of each cell of a raster over the picture the body is, (down, across) 0 to 1."""
        shares = cv2.resize(self.outline.astype(np.float32), (across, down), interpolation=cv2.INTER_AREA)
        return np.asarray(shares / 255, np.float32)

    def boxes(self) -> tuple[Box, ...]:
        """Return where the body is as boxes, shares of the picture."""
        across, down = CELLS
        found = []
        for row, line in enumerate(self.covers(across, down) > 0):
            edges = np.flatnonzero(np.diff(np.concatenate([[0], line.astype(np.int8), [0]])))
            for start, stop in edges.reshape(-1, 2):
                found.append((int(start) / across, row / down, int(stop - start) / across, 1 / down))
        return tuple(found)

    def _part(self, grey: Grey) -> tuple[Plane, Plane]:
        """Return the softened part of a picture in which the body may be, and its first pixel."""
        room = 24
        low = np.maximum(self.points.min(axis=0).astype(int) - room, 0)
        high = self.points.max(axis=0).astype(int) + room + 1
        return soften(grey[low[1] : high[1], low[0] : high[0]]), low.astype(np.float32)

    def _step(self, off: Plane) -> Float:
        error = np.abs(off) * np.sqrt(self.pull)
        reach = 4.685 * max(1.4826 * float(np.median(error)), 0.5)
        pulled = self.slopes * (self.pull * np.maximum(1 - (error / reach) ** 2, 0) ** 2)[:, None]
        square = (pulled.T @ self.slopes).astype(np.float64)
        square[np.diag_indices(4)] += 1e-9 * np.trace(square)
        return np.asarray(np.linalg.solve(square, (pulled.T @ off).astype(np.float64)))


def find_rigid(greys: Sequence[Grey]) -> Rigid | None:
    """Return the body that stands still in pictures spread over the film, the first being the reference.

    None where nothing does, or where that is so much that it is the scene itself: a camera that stands on
    its own feet has no body in its picture.
    """
    if len(greys) < 4:
        return None
    # of one picture: what changes behind the body is blurred away in the mean of many
    textured = _textured(soften(greys[0]))
    size, even = (greys[0].shape[1], greys[0].shape[0]), _evened(greys)
    change = _first_look(even, size)
    if not _is_scene(_first_look(even, size, most=True) < FIRST_PX[0], textured):
        # it stands still by itself, whatever shakes behind it
        found = _found(greys, change, textured, FIRST_PX[:1])
        if found is not None:
            return found
    laid = _laid_by_tiles(greys)
    even = even if laid is None else _evened(laid)
    if laid is not None and _is_scene(_first_look(even, size, most=True) < SCENE_PX, textured):
        return None
    found = _found(greys, change, textured, FIRST_PX[1:])
    if found is None and laid is not None:
        # laid already, the body is near enough to be read in the others
        found = _found(laid, _first_look(even, size), textured, FIRST_PX[:1])
    return found


def _found(greys: Sequence[Grey], change: Plane, textured: Bool, limits_px: Sequence[float]) -> Rigid | None:
    """Return the body by what stands still before its shaking is known; limits are tried in turn."""
    for first_px in limits_px:
        template, spread = soften(greys[0]), np.full(greys[0].shape, 4.0, np.float32)
        if _in_few_pieces((change < first_px) & textured):
            found = _refined(greys, _body(template, spread, change, first_px, textured), textured)
            if found is not None:
                return found
    return None


def _refined(greys: Sequence[Grey], rigid: Rigid | None, textured: Bool) -> Rigid | None:
    """Return the body by what is left of the change once its own shaking is taken out."""
    for limit in LIMITS_PX:
        if rigid is None:
            return None
        some = greys[1::3] if limit == LIMITS_PX[0] and len(greys) > 9 else greys[1:]
        laid = np.stack([_laid_on(grey, rigid) for grey in some])
        template = median_plane(laid)
        spread = np.asarray(((laid - template) ** 2).mean(axis=0), np.float32)
        rigid = _body(template, spread, _change_px(laid), limit, textured)
    if rigid is None or np.mean(rigid.outline > 0) > _MOST_SHARE or not _in_one_place(rigid.outline):
        return None
    laid = np.stack([_laid_on(grey, rigid) for grey in greys[1:]])
    return None if _is_scene(_change_px(laid, most=True) < SCENE_PX, textured) else rigid


def _laid_by_tiles(greys: Sequence[Grey]) -> list[Grey] | None:
    """Return the pictures laid on the first by the tiles that move least, None where none belong together.

    A body that shakes by some pixels is not seen to stand still before that.
    """
    by = max(1, round(greys[0].shape[1] / USUAL_WIDTH_PX))
    small = [reduced(grey, by) for grey in greys]
    reference = make_reference(small[0], tile_px=_TILE_PX, step=0.5, most=100)
    if len(reference) < 4:
        return None
    votes = measure(reference, small[1:], "rotation")
    label = find_bodies(reference.centres, votes.shifts, votes.weights, "shift")
    moved = [
        float(np.median(np.abs(votes.shifts[:, label == number])))
        for number in range(label.max(initial=-1) + 1)
    ]
    if not moved:
        return None
    own = label == int(np.argmin(moved))
    found, _ = fit_maps(reference.centres[own], votes.shifts[:, own], votes.weights[:, own], "rotation")
    size = (greys[0].shape[1], greys[0].shape[0])
    flags = cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP
    laid = [greys[0]]
    for grey, matrix in zip(greys[1:], found, strict=True):
        picture = cv2.warpAffine(
            grey, enlarged(matrix, by), size, flags=flags, borderMode=cv2.BORDER_REPLICATE
        )
        laid.append(np.asarray(picture, np.uint8))
    return laid


def enlarged(matrix: Float, by: int) -> Float:
    """Return for full pictures what maps those reduced by `by`."""
    turn, half = matrix[:, :2], np.full(2, (by - 1) / 2)
    return np.hstack([turn, (by * matrix[:, 2] + half - turn @ half)[:, None]])


def soften(grey: Grey, spread_px: float = 1.0) -> Plane:
    """Return a picture without its finest grain, as a power of light."""
    return np.asarray(cv2.GaussianBlur(grey.astype(np.float32), (0, 0), spread_px) + FOOT, np.float32)


def _laid_on(grey: Grey, rigid: Rigid) -> Plane:
    matrix, _ = rigid.read(grey)
    flags = cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP
    laid = cv2.warpAffine(soften(grey), matrix, rigid.size, flags=flags, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(laid / rigid.brightness(grey, matrix), np.float32)


def _is_scene(still: Bool, textured: Bool) -> bool:
    """Return True if what stands still in most pictures is all around: the scene, not a body in it."""
    rim = textured.copy()
    edge = round(RIM * still.shape[1])
    rim[edge:-edge, edge:-edge] = False
    return bool(rim.any() and np.mean(still[rim]) > MOST_RIM)


def _evened(greys: Sequence[Grey]) -> Plane:
    """Return logarithms of pictures made smaller and equally bright, (n, height, width)."""
    by = max(1, round(greys[0].shape[1] / _SMALL_PX))
    planes = np.stack([np.log(soften(reduced(grey, by))) for grey in greys])
    for _ in range(3):
        apart = planes - median_plane(planes)
        planes -= _most_common(apart.reshape(len(planes), -1))[:, None, None]
    return planes


def _first_look(even: Plane, size: tuple[int, int], *, most: bool = False) -> Plane:
    """Return `_change_px` before anything is known, by pictures of `size` that are `_evened`."""
    by = max(1, round(size[0] / _SMALL_PX))
    return np.asarray(cv2.resize(by * _change_px(even, NEIGHBOURS // by | 1, most=most), size), np.float32)


def _most_common(values: Plane) -> Plane:
    """Return the middle of the shortest interval with a part of each row's values, (n,).

    A nozzle is a small part of the picture, and what is behind it is brighter in one and darker in another.
    """
    ordered = np.sort(values, axis=1)
    part = max(1, int(_PART * values.shape[1]))
    first = (ordered[:, part:] - ordered[:, :-part]).argmin(axis=1)
    return np.asarray(ordered[np.arange(len(values)), first + part // 2], np.float32)


def _change_px(planes: Plane, near: int = NEIGHBOURS, *, most: bool = False) -> Plane:
    """Return by how many pixels the content around each pixel would have to move to change as it does.

    With `most` it is the change in most of the pictures, not its mean square: a toolhead that passes is left
    out.
    """
    middle = median_plane(planes)
    down, right = _slopes(middle)
    slope = _around(down**2 + right**2, near)
    squares = (planes - middle) ** 2
    # the median of squares is .455 of their mean for a normal error
    change = _around(median_plane(squares) / np.float32(0.455) if most else squares.mean(axis=0), near)
    return np.asarray(np.sqrt(change / (slope + 1e-9)))


def _slopes(plane: Plane) -> tuple[Plane, Plane]:
    down, right = np.gradient(plane)
    return np.asarray(down, np.float32), np.asarray(right, np.float32)


def _around(plane: Plane, near: int = NEIGHBOURS) -> Plane:
    # its running sums leave a trace below zero where there is nothing
    return np.asarray(np.maximum(cv2.boxFilter(plane.astype(np.float32), -1, (near, near)), 0), np.float32)


def _in_few_pieces(still: Bool) -> bool:
    """Return True if what stands still hangs together; in a scene that moves it is strewn all over.

    Spots of dirt on a body are near each other: gaps no wider than what change is looked for in are none.
    """
    near = np.ones((NEIGHBOURS, NEIGHBOURS), np.uint8)
    joined = cv2.morphologyEx(still.astype(np.uint8), cv2.MORPH_CLOSE, near)
    count, _, pieces, _ = cv2.connectedComponentsWithStats(joined)
    sizes = np.sort(pieces[1:count, cv2.CC_STAT_AREA])[::-1]
    return bool(sizes[:PIECES].sum() >= 0.8 * sizes.sum() > 0)


def _in_one_place(outline: Grey) -> bool:
    """Return True if a few pieces are all of it: edges of several bodies that hardly shook lie all over."""
    count, _, pieces, _ = cv2.connectedComponentsWithStats(outline)
    sizes = np.sort(pieces[1:count, cv2.CC_STAT_AREA])[::-1]
    return bool(sizes[:PIECES].sum() >= 0.9 * sizes.sum() > 0)


def _textured(template: Plane) -> Bool:
    down, right = _slopes(template)
    return np.asarray(np.sqrt(_around(down**2 + right**2)) > _steep(template))


def _steep(plane: Plane) -> float:
    return float(STEEP * min(1.0, USUAL_WIDTH_PX / plane.shape[1]))


def _body(template: Plane, spread: Plane, change: Plane, limit_px: float, textured: Bool) -> Rigid | None:
    still = change < limit_px
    down, right = _slopes(template)
    slope = np.asarray(np.hypot(right, down), np.float32)
    inner = np.zeros(still.shape, bool)
    inner[6:-6, 6:-6] = True
    chosen = still & (slope > _steep(template)) & inner
    if np.count_nonzero(chosen) < FEWEST or np.mean(still[textured]) > _MOST_SHARE:
        return None
    y, x = np.nonzero(chosen)
    pull = 1 / (spread[y, x] + NOISE**2)
    # stripes tell nothing along themselves, however many they are: half of the pixels for either direction
    orders = [np.argsort(-(part[y, x] ** 2) * pull, kind="stable")[: MOST // 2] for part in (right, down)]
    best = np.unique(np.concatenate(orders))
    y, x, pull = y[best], x[best], pull[best]
    points = np.stack([x, y], axis=1).astype(np.float32)
    middle = points.mean(axis=0).astype(np.float64)
    arm = (points - middle.astype(np.float32)) / np.float32(_ARM)
    turn = down[y, x] * arm[:, 0] - right[y, x] * arm[:, 1]
    return Rigid(
        size=(template.shape[1], template.shape[0]),
        points=points,
        values=template[y, x],
        slopes=np.stack([right[y, x], down[y, x], turn, template[y, x]], axis=1).astype(np.float32),
        pull=pull.astype(np.float32),
        middle=middle,
        outline=_outline((change < NEARLY_PX) & _textured(template)),
    )


def _outline(still: Bool) -> Grey:
    """Return the body with its smooth inside: the hulls of its larger pieces."""
    joined = cv2.morphologyEx(still.astype(np.uint8), cv2.MORPH_CLOSE, np.ones((25, 25), np.uint8))
    pieces, _ = cv2.findContours(joined, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_SIMPLE)
    filled = np.zeros(still.shape, np.uint8)
    for piece in pieces:
        if cv2.contourArea(piece) > 0.002 * still.size:
            cv2.fillConvexPoly(filled, cv2.convexHull(piece), 255)
    return np.asarray(cv2.dilate(filled, np.ones((9, 9), np.uint8)), np.uint8)


def _sampled(plane: Plane, points: Plane) -> Plane:
    across, down = (np.ascontiguousarray(points[None, :, axis]) for axis in (0, 1))
    found = cv2.remap(plane, across, down, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(found[0], np.float32)


def _turned(step: Float, middle: Float) -> Float:
    turn = step[2] / _ARM
    way = np.eye(3)
    way[:2, :2] = [[1, -turn], [turn, 1]]
    way[:2, 2] = middle + step[:2] - way[:2, :2] @ middle
    way[:2, :2] /= np.hypot(1, turn)
    return way
