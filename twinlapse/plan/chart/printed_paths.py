"""What charts draw of the print: each layer's lines, thinned, and when each place is printed first."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from twinlapse.arrays import Bool, Float, Int
from twinlapse.gcode import Layers, Toolpath
from twinlapse.gcode.segments import Segments, segments_of

__all__ = [
    "GRID_CELLS",
    "MOST_POINTS",
    "NOT_PRINTED",
    "UNIT_MM",
    "FirstLayerMap",
    "PrintedPaths",
    "first_layer_map",
    "printed_paths",
    "stored_steps",
]

UNIT_MM = 0.02  # of a stored step; Int16 steps then reach 655 mm
_CHORD_MM = 0.1  # arcs are cut to this: a quarter of a line's width cannot be seen in the viewer
_THIN_MM = 0.05  # points nearer than this to the line through their neighbours are left out
MOST_POINTS = 400_000  # in one page, which stays below 3 MB with them; more are thinned further
GRID_CELLS = 420  # along the longer side of the map
_COARSEST_MM = 1.0  # beyond that whole paths are left out
_ROUNDS = 10  # each may halve the points
_WORTH = 0.01  # a round that leaves out a smaller share than this is the last
_POINTS_AT_ONCE = 500_000  # of the map, to bound memory
NOT_PRINTED = np.iinfo(np.uint16).max


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PrintedPaths:
    """Polylines of n layers in (p, 2) points; paths and layers are offsets."""

    points_mm: Float  # (p, 2)
    path_start: Int  # (paths + 1,) into the points
    layer_path: Int  # (n + 1,) into the paths


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FirstLayerMap:
    """For each cell of a grid the layer that prints on it first, NOT_PRINTED where none does."""

    layer: NDArray[np.uint16]  # (rows, columns), the back of the bed in row 0
    x_mm: float  # left edge
    y_mm: float  # front edge
    cell_mm: float


def printed_paths(toolpath: Toolpath, layers: Layers, *, most_points: int = MOST_POINTS) -> PrintedPaths:
    """Return the lines of all layers, thinned until they are at most `most_points` points.

    Thinning leaves out points that lie nearly on the line through their neighbours, more and more of them,
    and after that every other path.
    """
    pieces = _pieces(toolpath, layers)
    layer = _layer_of(pieces, layers)
    joined = np.zeros(len(pieces), bool)
    if len(pieces):
        apart = np.abs(pieces.first_mm[1:] - pieces.last_mm[:-1]).max(axis=1)
        joined[1:] = (apart < 1e-3) & (layer[1:] == layer[:-1])
    points, start = _polylines(pieces, joined)
    path_layer = layer[~joined] if len(pieces) else np.empty(0, np.int64)
    thin_mm = _THIN_MM
    points, start = _thinned(points, start, thin_mm)
    while len(points) > most_points and thin_mm < _COARSEST_MM:
        thin_mm *= 2
        points, start = _thinned(points, start, thin_mm)
    while len(points) > most_points:
        points, start, path_layer = _every_other_path(points, start, path_layer)
    layer_path = np.searchsorted(path_layer, np.arange(len(layers) + 1))
    return PrintedPaths(points_mm=points, path_start=start, layer_path=layer_path)


def first_layer_map(
    toolpath: Toolpath, layers: Layers, box_mm: tuple[float, float, float, float]
) -> FirstLayerMap:
    """Return when each place of a box (left, right, front, back) is printed first."""
    x0, x1, y0, y1 = box_mm
    cell_mm = max(x1 - x0, y1 - y0, 1.0) / GRID_CELLS
    columns, rows = (max(1, int(np.ceil((b - a) / cell_mm))) for a, b in ((x0, x1), (y0, y1)))
    found = np.full((rows, columns), NOT_PRINTED, np.uint16)
    pieces = _pieces(toolpath, layers)
    layer = _layer_of(pieces, layers)
    parts = np.maximum(1, np.ceil(pieces.length_mm / cell_mm)).astype(np.int64)
    # backwards, so that of all layers on a cell the first is written last and stays
    backwards = np.arange(len(pieces))[::-1]
    for some in np.array_split(backwards, max(1, int(parts.sum()) // _POINTS_AT_ONCE)):
        which = np.repeat(some, parts[some])
        part = np.arange(len(which)) - np.repeat(np.cumsum(parts[some]) - parts[some], parts[some])
        share = ((part + 0.5) / parts[which])[:, None]
        points = pieces.first_mm[which] + share * (pieces.last_mm - pieces.first_mm)[which]
        column = np.clip(((points[:, 0] - x0) / cell_mm).astype(np.int64), 0, columns - 1)
        row = np.clip(((y1 - points[:, 1]) / cell_mm).astype(np.int64), 0, rows - 1)
        found[row, column] = layer[which]
    for axis in (0, 1):  # a line is wider than a cell
        for step in (-1, 1):
            found = np.minimum(found, _shifted(found, step, axis))
    return FirstLayerMap(layer=found, x_mm=x0, y_mm=y1 - rows * cell_mm, cell_mm=cell_mm)


def _shifted(cells: NDArray[np.uint16], step: int, axis: int) -> NDArray[np.uint16]:
    moved = np.roll(cells, step, axis)
    edge: list[slice | int] = [slice(None), slice(None)]
    edge[axis] = 0 if step > 0 else -1
    moved[tuple(edge)] = NOT_PRINTED
    return moved


def stored_steps(paths: PrintedPaths, origin_mm: tuple[float, float]) -> NDArray[np.int16]:
    """Return the points as steps of UNIT_MM from the one before in their path, (p, 2).

    The first point of a path is a step from the origin.
    """
    whole = np.round((paths.points_mm - origin_mm) / UNIT_MM).astype(np.int64)
    steps = whole.copy()
    steps[1:] -= whole[:-1]
    first = paths.path_start[:-1]
    steps[first] = whole[first]
    return steps.astype(np.int16)


def _pieces(toolpath: Toolpath, layers: Layers) -> Segments:
    return segments_of(toolpath, int(layers.first_row[0]), int(layers.first_row[-1]), chord_mm=_CHORD_MM)


def _layer_of(pieces: Segments, layers: Layers) -> Int:
    return np.asarray(np.searchsorted(layers.first_row[1:-1], pieces.row, "right"))


def _polylines(pieces: Segments, joined: Bool) -> tuple[Float, Int]:
    """Return points and offsets of chains of pieces that end where the next begins."""
    starts = np.flatnonzero(~joined)
    counts = np.diff(np.append(starts, len(pieces))) + 1
    start = np.concatenate([[0], np.cumsum(counts)]).astype(np.int64)
    points = np.empty((int(start[-1]), 2))
    points[start[:-1]] = pieces.first_mm[starts, :2]
    inner = np.ones(len(points), bool)
    inner[start[:-1]] = False
    points[inner] = pieces.last_mm[:, :2]
    return points, start


def _thinned(points: Float, start: Int, thin_mm: float) -> tuple[Float, Int]:
    """Leave out points that lie near the line of their neighbours, in rounds: never two in a row at once."""
    for _ in range(_ROUNDS):
        if len(points) < 3:
            break
        before, way = points[1:-1] - points[:-2], points[2:] - points[:-2]
        square = np.maximum(way[:, 0] ** 2 + way[:, 1] ** 2, 1e-18)
        off = way[:, 0] * before[:, 1] - way[:, 1] * before[:, 0]
        along = way[:, 0] * before[:, 0] + way[:, 1] * before[:, 1]
        drop = np.zeros(len(points), bool)
        drop[1:-1] = (off * off < thin_mm**2 * square) & (along > 0) & (along < square)
        drop[start[:-1]] = False
        drop[np.maximum(start[1:] - 1, 0)] = False
        drop[1:] &= ~drop[:-1]
        if drop.sum() < _WORTH * len(points):
            break
        kept = np.concatenate([[0], np.cumsum(~drop)])
        points, start = points[~drop], kept[start]
    return points, start


def _every_other_path(points: Float, start: Int, path_layer: Int) -> tuple[Float, Int, Int]:
    chosen = np.arange(len(path_layer)) % 2 == 0
    counts = np.diff(start)
    return (
        points[np.repeat(chosen, counts)],
        np.concatenate([[0], np.cumsum(counts[chosen])]),
        path_layer[chosen],
    )
