"""The printed geometry: every extruding row as straight segments, arcs and helices cut to a chord error.

Whatever asks where material lies takes it from here. Rows already hold places in machine millimetres with
modes, units, offsets and extruder letters resolved.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from twinlapse.arrays import Float, Int
from twinlapse.gcode.arcs import arc_boxes
from twinlapse.gcode.segment_kernels import EXTRUDE, cut_rows, stretch_boxes
from twinlapse.gcode.toolpath import Layers, Toolpath

__all__ = [
    "SHORTEST_MM",
    "Extents",
    "Segments",
    "arc_extents",
    "layer_segments",
    "line_areas",
    "line_sizes",
    "points_along",
    "printed_box",
    "printed_boxes",
    "segment_chunks",
    "segments_of",
]

_CHORD_MM = 0.02  # an arc's segments stay this near to it: a twentieth of a line's width
_CHUNK = 8192  # segments held at a time: half a megabyte stays in the cache
# a line narrower or wider than this many nozzle diameters is no plain line; common practice, no source
_NARROWEST, _WIDEST = 0.4, 3.0
_FLATTEST_MM, _TALLEST_MM = 0.03, 2.0  # what a layer's height can be; common practice, no source
_UNKNOWN_HEIGHT_MM = 0.2  # of what is printed outside all layers: prime lines; common practice, no source
SHORTEST_MM = 1e-3  # what is shorter is a dot, with no length to share its material out over


@dataclass(frozen=True, slots=True, kw_only=True)
class Segments:
    """Straight pieces of what is printed, m of them in the order of printing; machine millimetres."""

    row: Int  # (m,) of the toolpath, not falling
    first_mm: Float  # (m, 3) where the piece begins
    last_mm: Float  # (m, 3) where it ends; a slope has two heights

    def __len__(self) -> int:
        return len(self.row)

    @property
    def length_mm(self) -> Float:
        """Length of each piece in space, (m,)."""
        step = self.last_mm - self.first_mm
        return np.asarray(np.sqrt((step * step).sum(axis=1)))


@dataclass(frozen=True, slots=True, kw_only=True)
class Extents:
    """The lowest and highest place that material reaches; infinities where there is none."""

    low_mm: Float  # (..., 3)
    high_mm: Float  # (..., 3)


def segment_chunks(
    path: Toolpath, first_row: int = 0, stop_row: int | None = None, *, chord_mm: float = _CHORD_MM
) -> Iterator[Segments]:
    """Yield the segments of rows from `first_row` to before `stop_row`, some thousand at a time.

    Parameters
    ----------
    path : Toolpath
    first_row, stop_row : int
        The rest of the file when `stop_row` is left out.
    chord_mm : float
        How far a segment may leave its arc.

    Notes
    -----
    Columns of a chunk are overwritten by the next one: copy what is kept.
    """
    row, piece = max(first_row, 0), 0
    stop = len(path) if stop_row is None else min(stop_row, len(path))
    rows, first, last = np.empty(_CHUNK, np.int64), np.empty((_CHUNK, 3)), np.empty((_CHUNK, 3))
    while row < stop:
        arc = int(np.searchsorted(path.arc_row, row))
        row, piece, count = cut_rows(
            path.kind, path.x_mm, path.y_mm, path.z_mm, path.arc_row, path.arc, row, stop, arc, piece,
            chord_mm, rows, first, last,
        )  # fmt: skip
        if count:
            yield Segments(row=rows[:count], first_mm=first[:count], last_mm=last[:count])


def segments_of(
    path: Toolpath, first_row: int = 0, stop_row: int | None = None, *, chord_mm: float = _CHORD_MM
) -> Segments:
    """Return the segments of rows from `first_row` to before `stop_row` at once; see `segment_chunks`."""
    chunks = [
        (chunk.row.copy(), chunk.first_mm.copy(), chunk.last_mm.copy())
        for chunk in segment_chunks(path, first_row, stop_row, chord_mm=chord_mm)
    ]
    empty = (np.empty(0, np.int64), np.empty((0, 3)), np.empty((0, 3)))
    row, first, last = (np.concatenate(columns) for columns in zip(empty, *chunks, strict=True))
    return Segments(row=row, first_mm=first, last_mm=last)


def layer_segments(path: Toolpath, layers: Layers, layer: int, *, chord_mm: float = _CHORD_MM) -> Segments:
    """Return the segments of one layer."""
    first, stop = int(layers.first_row[layer]), int(layers.first_row[layer + 1])
    return segments_of(path, first, stop, chord_mm=chord_mm)


def points_along(segments: Segments, step_mm: float) -> Float:
    """Return points (n, 3) in the middles of equal parts of each segment, none longer than `step_mm`."""
    flat = np.hypot(*(segments.last_mm - segments.first_mm)[:, :2].T)
    parts = np.maximum(1, np.ceil(flat / step_mm)).astype(np.int64)
    which = np.repeat(np.arange(len(segments)), parts)
    part = np.arange(len(which)) - np.repeat(np.cumsum(parts) - parts, parts)
    share = ((part + 0.5) / parts[which])[:, None]
    first = segments.first_mm[which]
    return np.asarray(first + share * (segments.last_mm[which] - first))


def line_sizes(
    path: Toolpath, layers: Layers, rows: Int, *, filament_mm: float, nozzle_mm: float
) -> tuple[Float, Float]:
    """Return width and height of the line that each row prints, (m,) and (m,), in mm.

    Parameters
    ----------
    path, layers
        Of one file.
    rows : ndarray of shape (m,)
        Extruding rows; `Segments.row`, say.
    filament_mm, nozzle_mm : float
        Diameters.

    Notes
    -----
    A line of height h and width w has the cross-section (w - h) h + pi h^2 / 4, a rectangle with round sides;
    the filament fed over the length of the row gives the area. Rows that feed by M101, without a number,
    count as one nozzle wide.
    """
    area, height = line_areas(path, layers, rows, filament_mm)
    width = area / height + height * (1 - math.pi / 4)
    width = np.where(path.e_mm[rows] == 0, nozzle_mm, width)
    return np.clip(width, _NARROWEST * nozzle_mm, _WIDEST * nozzle_mm), height


def line_areas(path: Toolpath, layers: Layers, rows: Int, filament_mm: float) -> tuple[Float, Float]:
    """Return cross-section in mm2 and height in mm of the line that each row prints, (m,) and (m,)."""
    area = path.e_mm[rows] * math.pi * filament_mm**2 / 4 / np.maximum(path.length_mm[rows], SHORTEST_MM)
    return area, _heights(layers, rows)


def _heights(layers: Layers, rows: Int) -> Float:
    layer = np.searchsorted(layers.first_row, rows, "right") - 1
    inside = (layer >= 0) & (layer < len(layers))
    height = layers.height_mm[np.clip(layer, 0, len(layers) - 1)]
    return np.asarray(np.clip(np.where(inside, height, _UNKNOWN_HEIGHT_MM), _FLATTEST_MM, _TALLEST_MM))


def printed_boxes(path: Toolpath, edges: Int) -> Extents:
    """Return the box of what is printed between each two of some rows, exact for arcs as well.

    Parameters
    ----------
    path : Toolpath
    edges : ndarray of shape (k + 1,)
        Rows, rising: ``Layers.first_row``, or 0 and the number of rows.

    Returns
    -------
    Extents
        Of shape (k, 3).
    """
    edges = np.ascontiguousarray(edges, np.int64)
    low = np.full((len(edges) - 1, 3), np.inf)
    high = np.full((len(edges) - 1, 3), -np.inf)
    stretch_boxes(path.kind, path.x_mm, path.y_mm, path.z_mm, edges, low, high)
    _stretch_by_arcs(path, edges, low, high)
    return Extents(low_mm=low, high_mm=high)


def printed_box(path: Toolpath) -> Extents:
    """Return the box of all that is printed, of shape (3,)."""
    boxes = printed_boxes(path, np.array([0, len(path)]))
    return Extents(low_mm=boxes.low_mm[0], high_mm=boxes.high_mm[0])


def arc_extents(path: Toolpath) -> tuple[Int, Float, Float]:
    """Return the extruding rows that are arcs, and the lowest and highest place of each, (m, 3)."""
    mine = path.kind[path.arc_row] == EXTRUDE
    rows = path.arc_row[mine]
    place = [np.column_stack([path.x_mm[r], path.y_mm[r], path.z_mm[r]]) for r in (rows - 1, rows)]
    place[0][rows == 0] = 0.0
    low, high = arc_boxes(path.arc[mine], *place)
    return rows, low, high


def _stretch_by_arcs(path: Toolpath, edges: Int, low: Float, high: Float) -> None:
    if not len(path.arc_row):
        return
    rows, lows, highs = arc_extents(path)
    place = np.searchsorted(edges, rows, "right") - 1
    inside = (place >= 0) & (place < len(low))
    np.minimum.at(low, place[inside], lows[inside])
    np.maximum.at(high, place[inside], highs[inside])
