"""Which point of the print the nozzle camera looks at: one that lasts, or one that goes round the outline."""

from __future__ import annotations

import math
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from twinlapse.arrays import Float, Int
from twinlapse.gcode import Layers, Toolpath
from twinlapse.gcode.segments import printed_boxes, segment_chunks
from twinlapse.plan.clearance import height_map_kernels
from twinlapse.plan.clearance.height_map import BORDER_MM
from twinlapse.rig import Printer

__all__ = [
    "DIRECTIONS",
    "REACH_STEP_MM",
    "SMOOTH_LAYERS",
    "Footprint",
    "LastingTargets",
    "footprint_of",
    "object_edges",
    "on_outline",
    "reach_of",
    "smoothed",
    "steady_centre",
    "touring_targets",
    "wandering",
]

_CELL_MM = 2.0
REACH_STEP_MM = 0.8
DIRECTIONS = 144
_CHUNK_LAYERS = 4096  # filled at a time, for the sake of memory
SMOOTH_LAYERS = 9  # over which a wandering point is averaged: its pace must not be seen as jumps


@dataclass(frozen=True, slots=True, kw_only=True)
class Footprint:
    """Where the layers of a print are, seen from above."""

    counts: NDArray[np.int32]  # coarse cells: in how many of the upper layers there is print
    left_mm: float
    front_mm: float
    covered: NDArray[np.int64]  # (n,) cells printed in each layer
    centre_mm: Float  # (n, 2) middle of the paths of each layer
    material: Float  # (n,) millimetres of path

    def place_of(self, cell: tuple[int, int]) -> tuple[float, float]:
        """Return the middle of a cell."""
        i, j = cell
        return (self.left_mm + (i + 0.5) * _CELL_MM, self.front_mm + (j + 0.5) * _CELL_MM)


def footprint_of(toolpath: Toolpath, first_row: Int, printer: Printer) -> Footprint:
    """Return the footprint of the layers between rows (n + 1,): ``Layers.first_row`` or a part of it."""
    half = int(np.searchsorted(first_row, (first_row[0] + first_row[-1]) // 2))
    with ThreadPoolExecutor(1) as helper:  # the loops release the interpreter
        above = helper.submit(_counted, toolpath, first_row[half:], printer)
        below = _counted(toolpath, first_row[: half + 1], printer)
    counts = below[0] + above.result()[0]
    covered, centre = (np.concatenate(both) for both in zip(below[1:], above.result()[1:], strict=True))
    weight = centre[:, 2]
    middle = centre[:, :2] / np.maximum(weight, 1e-9)[:, None]
    middle[weight <= 0] = middle[weight > 0].mean(axis=0) if (weight > 0).any() else 0.0
    left, front = _corner(printer)
    return Footprint(
        counts=counts, left_mm=left, front_mm=front, covered=covered, centre_mm=middle, material=weight
    )


def _corner(printer: Printer) -> tuple[float, float]:
    return printer.x_range_mm[0] - BORDER_MM, printer.y_range_mm[0] - BORDER_MM


def _counted(
    toolpath: Toolpath, first_row: Int, printer: Printer
) -> tuple[NDArray[np.int32], NDArray[np.int64], Float]:
    """Return how many of some layers print on each coarse cell; of each layer its cells and its middle."""
    shape = tuple(math.ceil((size + 2 * BORDER_MM) / _CELL_MM) for size in printer.bed_mm)
    n = len(first_row) - 1
    counts, seen = np.zeros(shape, np.int32), np.full(shape, -1, np.int32)
    covered, centre = np.zeros(n, np.int64), np.zeros((n, 3))
    for chunk in segment_chunks(toolpath, int(first_row[0]), int(first_row[-1])):
        height_map_kernels.count_layers(
            chunk.row, chunk.first_mm, chunk.last_mm, first_row, _CELL_MM, *_corner(printer), seen, counts,
            covered, centre,
        )  # fmt: skip
    return counts, covered, centre


@dataclass(frozen=True, slots=True)
class LastingTargets:
    """The point of each layer that stance ``over`` looks at; an object's are worked out when asked for.

    One place for all layers of an object where some place has print on it from the first layer to the last;
    else the place that is printed on most often, pulled towards each layer's own middle and smoothed.
    """

    toolpath: Toolpath
    layers: Layers
    printer: Printer
    _edges: Int = field(init=False)
    _known: dict[int, Float] = field(
        init=False, default_factory=dict
    )  # (layers, 2) by the object's first layer

    def __post_init__(self) -> None:
        object.__setattr__(self, "_edges", object_edges(self.layers))

    def __getitem__(self, layer: int) -> Float:
        """Return the point of a layer, (2,)."""
        k = int(np.searchsorted(self._edges, layer, "right")) - 1
        first, stop = self._edges[k : k + 2].tolist()
        if first not in self._known:
            rows = self.layers.first_row[first : stop + 1]
            self._known[first] = _targets_of(self.toolpath, rows, self.printer)
        return np.asarray(self._known[first][layer - first])


def object_edges(layers: Layers) -> Int:
    """Return the layers at which objects printed one after the other begin, and the count of layers."""
    if not layers.sequential:
        return np.array([0, len(layers)])
    return np.concatenate([[0], np.flatnonzero(np.diff(layers.object)) + 1, [len(layers)]])


def _targets_of(toolpath: Toolpath, first_row: Int, printer: Printer) -> Float:
    foot = footprint_of(toolpath, first_row, printer)
    count = int((foot.covered > 0).sum())
    middle = np.average(foot.centre_mm, axis=0, weights=np.maximum(foot.material, 1e-9))
    most = int(foot.counts.max())
    if most >= 0.97 * count:  # a layer or two of support alone may miss it
        best = np.argwhere(foot.counts >= 0.97 * count)
        places = np.array([foot.place_of((int(i), int(j))) for i, j in best])
        nearest = int(np.argmin(((places - middle) ** 2).sum(axis=1)))
        return np.tile(places[nearest], (len(first_row) - 1, 1))
    return wandering(toolpath, first_row, foot.centre_mm)


def wandering(toolpath: Toolpath, first_row: Int, centre_mm: Float) -> Float:
    """Return a point on each layer that moves little: on the edge, in one direction from the middle."""
    reach = reach_of(toolpath, first_row, centre_mm)
    direction = int(np.argmax(np.minimum.reduce(reach, axis=0)))
    ray = _directions()[direction]
    points = centre_mm + reach[:, direction, None] * ray
    return np.stack([smoothed(points[:, k]) for k in range(2)], axis=1)


def touring_targets(toolpath: Toolpath, layers: Layers, shots_layer: NDArray[np.int64]) -> Float:
    """Return for each shot a point on the outline of its layer, (m, 2), one round over all shots.

    The pace along the outline is even: directions are spaced by the length of the print's mean outline.
    """
    if not len(shots_layer):
        return np.zeros((0, 2))
    foot_centre = steady_centre(toolpath, layers)
    reach = reach_of(toolpath, layers.first_row, foot_centre)
    mean = reach[np.unique(shots_layer)].mean(axis=0)
    outline = mean[:, None] * _directions()
    edges = np.concatenate([outline, outline[:1]])
    length = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(edges, axis=0).T))])
    share = np.arange(len(shots_layer)) / len(shots_layer) * length[-1]
    place = np.interp(share, length, np.arange(DIRECTIONS + 1.0))
    low = place.astype(int) % DIRECTIONS
    part = place - np.floor(place)
    high = (low + 1) % DIRECTIONS
    near = reach[shots_layer, low] * (1 - part) + reach[shots_layer, high] * part
    rays = _directions()
    ray = rays[low] * (1 - part)[:, None] + rays[high] * part[:, None]
    return np.asarray(foot_centre[shots_layer] + smoothed(near)[:, None] * ray)


def reach_of(toolpath: Toolpath, first_row: Int, centre_mm: Float) -> Float:
    """Return how far layers reach from their centres in every direction, (n, DIRECTIONS).

    Parameters
    ----------
    toolpath : Toolpath
    first_row : ndarray of shape (n + 1,)
        ``Layers.first_row`` or a part of it.
    centre_mm : ndarray of shape (n, 2)
    """
    reach = np.zeros((len(first_row) - 1, DIRECTIONS))
    centres = np.ascontiguousarray(centre_mm)
    for chunk in segment_chunks(toolpath, int(first_row[0]), int(first_row[-1])):
        height_map_kernels.reach_of_layers(
            chunk.row, chunk.first_mm, chunk.last_mm, first_row, centres, REACH_STEP_MM, reach
        )
    for start in range(0, len(reach), _CHUNK_LAYERS):
        _fill(reach[start : start + _CHUNK_LAYERS])
    return reach


def _fill(reach: Float) -> None:
    """Fill the directions that no path goes through from the nearest on both sides, row by row."""
    laid = reach > 0
    open_rows = np.flatnonzero(laid.any(axis=1) & ~laid.all(axis=1))
    if not len(open_rows):
        return
    turns = np.tile(
        laid[open_rows], 3
    )  # one turn before and one behind, so that every place lies between two
    place = np.arange(3 * DIRECTIONS)
    before = np.maximum.accumulate(np.where(turns, place, 0), axis=1)[:, DIRECTIONS:-DIRECTIONS]
    after = np.minimum.accumulate(np.where(turns, place, 3 * DIRECTIONS)[:, ::-1], axis=1)[:, ::-1]
    after = after[:, DIRECTIONS:-DIRECTIONS]
    low, high = (reach[open_rows[:, None], side % DIRECTIONS] for side in (before, after))
    share = (place[DIRECTIONS:-DIRECTIONS] - before) / np.maximum(after - before, 1)
    reach[open_rows] = low + (high - low) * share


def on_outline(
    toolpath: Toolpath, layers: Layers, rows: NDArray[np.int64], near_mm: float
) -> NDArray[np.bool_]:
    """Return for extruding rows whether each ends near the outline of its layer, as seen from its middle.

    An estimate for files whose comments do not tell walls apart: hollows and second objects are missed.
    """
    centre = steady_centre(toolpath, layers)
    reach = reach_of(toolpath, layers.first_row, centre)
    layer = np.clip(np.searchsorted(layers.first_row, rows, "right") - 1, 0, len(layers) - 1)
    dx, dy = toolpath.x_mm[rows] - centre[layer, 0], toolpath.y_mm[rows] - centre[layer, 1]
    whole = np.maximum(np.abs(dx) + np.abs(dy), 1e-9)
    share = np.where(dy >= 0, 1 - dx / whole, 3 + dx / whole) / 4  # as `heights.turn_share`
    direction = (share * DIRECTIONS).astype(int) % DIRECTIONS
    return np.asarray(np.hypot(dx, dy) > reach[layer, direction] - near_mm)


def smoothed(values: Float) -> Float:
    """Return a running mean that keeps the ends."""
    half = min(SMOOTH_LAYERS // 2, (len(values) - 1) // 2)
    if half < 1:
        return values
    padded = np.pad(values, half, mode="edge")
    return np.convolve(padded, np.full(2 * half + 1, 1 / (2 * half + 1)), mode="valid")


def steady_centre(toolpath: Toolpath, layers: Layers) -> Float:
    """Return one centre an object: that of the box around its paths."""
    boxes, edges = printed_boxes(toolpath, layers.first_row), object_edges(layers)
    low = np.minimum.reduceat(boxes.low_mm[:, :2], edges[:-1])
    high = np.maximum.reduceat(boxes.high_mm[:, :2], edges[:-1])
    empty = ~np.isfinite(low)
    low[empty] = high[empty] = 0.0
    return np.repeat((low + high) / 2, np.diff(edges), axis=0)


def _directions() -> Float:
    """Return unit vectors by diamond angle, in the order of `heights.turn_share`."""
    share = (np.arange(DIRECTIONS) + 0.5) / DIRECTIONS * 4
    x = np.where(share < 2, 1 - share, share - 3)
    y = np.where(share < 2, 1 - np.abs(x), np.abs(x) - 1)
    ray = np.stack([x, y], axis=1)
    return np.asarray(ray / np.hypot(*ray.T)[:, None])
