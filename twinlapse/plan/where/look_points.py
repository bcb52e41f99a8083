"""Which point of the print the nozzle camera looks at: one that lasts, or one that goes round the outline."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from twinlapse.arrays import Float
from twinlapse.gcode import Layers, Toolpath
from twinlapse.gcode.segments import printed_boxes, segment_chunks
from twinlapse.plan.clearance import height_map_kernels
from twinlapse.plan.clearance.height_map import BORDER_MM
from twinlapse.rig import Printer

CELL_MM = 2.0
REACH_STEP_MM = 0.8
DIRECTIONS = 144
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
        return (self.left_mm + (i + 0.5) * CELL_MM, self.front_mm + (j + 0.5) * CELL_MM)


def footprint_of(
    toolpath: Toolpath, layers: Layers, printer: Printer, kept: NDArray[np.bool_] | None = None
) -> Footprint:
    """Return the footprint; `counts` counts the kept layers only."""
    left, front = printer.x_range_mm[0] - BORDER_MM, printer.y_range_mm[0] - BORDER_MM
    shape = tuple(math.ceil((size + 2 * BORDER_MM) / CELL_MM) for size in printer.bed_mm)
    n = len(layers)
    kept = np.ones(n, bool) if kept is None else kept
    counts, seen = np.zeros(shape, np.int32), np.full(shape, -1, np.int32)
    covered, centre = np.zeros(n, np.int64), np.zeros((n, 3))
    for chunk in segment_chunks(toolpath, int(layers.first_row[0]), int(layers.first_row[-1])):
        height_map_kernels.count_layers(
            chunk.row, chunk.first_mm, chunk.last_mm, layers.first_row, kept, CELL_MM, left, front, seen,
            counts, covered, centre,
        )  # fmt: skip
    weight = centre[:, 2]
    middle = centre[:, :2] / np.maximum(weight, 1e-9)[:, None]
    middle[weight <= 0] = middle[weight > 0].mean(axis=0) if (weight > 0).any() else 0.0
    return Footprint(
        counts=counts, left_mm=left, front_mm=front, covered=covered, centre_mm=middle, material=weight
    )


def lasting_targets(toolpath: Toolpath, layers: Layers, printer: Printer) -> Float:
    """Return for each layer the point that stance ``over`` looks at, (n, 2).

    One place for all layers of an object where some place has print on it from the first layer to the last;
    else the place that is printed on most often, pulled towards each layer's own middle and smoothed.
    """
    targets = np.zeros((len(layers), 2))
    groups = np.unique(layers.object) if layers.sequential else np.array([-1])
    for group in groups:
        kept = layers.object == group if group >= 0 else np.ones(len(layers), bool)
        targets[kept] = _targets_of(toolpath, layers, printer, kept)
    return targets


def _targets_of(toolpath: Toolpath, layers: Layers, printer: Printer, kept: NDArray[np.bool_]) -> Float:
    foot = footprint_of(toolpath, layers, printer, kept)
    count = int((kept & (foot.covered > 0)).sum())
    middle = np.average(foot.centre_mm[kept], axis=0, weights=np.maximum(foot.material[kept], 1e-9))
    most = int(foot.counts.max())
    if most >= 0.97 * count:  # a layer or two of support alone may miss it
        best = np.argwhere(foot.counts >= 0.97 * count)
        places = np.array([foot.place_of((int(i), int(j))) for i, j in best])
        nearest = int(np.argmin(((places - middle) ** 2).sum(axis=1)))
        return np.tile(places[nearest], (int(kept.sum()), 1))
    return wandering(toolpath, layers, kept, foot.centre_mm)


def wandering(toolpath: Toolpath, layers: Layers, kept: NDArray[np.bool_], centre_mm: Float) -> Float:
    """Return a point on each layer that moves little: on the edge, in one direction from the middle."""
    reach = reach_of(toolpath, layers, centre_mm)[kept]
    direction = int(np.argmax(np.minimum.reduce(reach, axis=0)))
    ray = _directions()[direction]
    points = centre_mm[kept] + reach[:, direction, None] * ray
    return np.stack([smoothed(points[:, k]) for k in range(2)], axis=1)


def touring_targets(toolpath: Toolpath, layers: Layers, shots_layer: NDArray[np.int64]) -> Float:
    """Return for each shot a point on the outline of its layer, (m, 2), one round over all shots.

    The pace along the outline is even: directions are spaced by the length of the print's mean outline.
    """
    if not len(shots_layer):
        return np.zeros((0, 2))
    foot_centre = steady_centre(toolpath, layers)
    reach = reach_of(toolpath, layers, foot_centre)
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


def reach_of(toolpath: Toolpath, layers: Layers, centre_mm: Float) -> Float:
    """Return how far each layer reaches from its centre in every direction, (n, DIRECTIONS)."""
    reach = np.zeros((len(layers), DIRECTIONS))
    centres = np.ascontiguousarray(centre_mm)
    for chunk in segment_chunks(toolpath, int(layers.first_row[0]), int(layers.first_row[-1])):
        height_map_kernels.reach_of_layers(
            chunk.row, chunk.first_mm, chunk.last_mm, layers.first_row, centres, REACH_STEP_MM, reach
        )
    for row in reach:
        hit = np.flatnonzero(row > 0)
        if 0 < len(hit) < DIRECTIONS:
            row[:] = np.interp(np.arange(DIRECTIONS), hit, row[hit], period=DIRECTIONS)
    return reach


def on_outline(
    toolpath: Toolpath, layers: Layers, rows: NDArray[np.int64], near_mm: float
) -> NDArray[np.bool_]:
    """Return for extruding rows whether each ends near the outline of its layer, as seen from its middle.

    An estimate for files whose comments do not tell walls apart: hollows and second objects are missed.
    """
    centre = steady_centre(toolpath, layers)
    reach = reach_of(toolpath, layers, centre)
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
    centre = np.zeros((len(layers), 2))
    boxes = printed_boxes(toolpath, layers.first_row)
    for group in np.unique(layers.object) if layers.sequential else [-1]:
        mine = layers.object == group if group >= 0 else np.ones(len(layers), bool)
        low, high = boxes.low_mm[mine, :2].min(axis=0), boxes.high_mm[mine, :2].max(axis=0)
        centre[mine] = (low + high) / 2 if np.isfinite(low).all() else 0.0
    return centre


def _directions() -> Float:
    """Return unit vectors by diamond angle, in the order of `heights.turn_share`."""
    share = (np.arange(DIRECTIONS) + 0.5) / DIRECTIONS * 4
    x = np.where(share < 2, 1 - share, share - 3)
    y = np.where(share < 2, 1 - np.abs(x), np.abs(x) - 1)
    ray = np.stack([x, y], axis=1)
    return np.asarray(ray / np.hypot(*ray.T)[:, None])
