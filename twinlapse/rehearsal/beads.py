"""What is printed: every extruding move as a bead with a width, a height and a place."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from twinlapse.arrays import Float, Float32, Int
from twinlapse.errors import GcodeError
from twinlapse.gcode import Kind, Layers, Toolpath, find_layers
from twinlapse.gcode.arcs import arc_points

LONGEST_MM = 6.0  # longer beads are cut, so that a bent lens bends them too
ARC_STEP_RAD = 0.15
PRESSED = 1.10  # a pressed line is painted this much wider than its share, and its round ends as much longer


@dataclass(frozen=True, slots=True, kw_only=True)
class Beads:
    """Columns of n beads in the order of printing.

    ``first_mm`` and ``last_mm`` are the ends of a bead's middle line, in G-code coordinates.
    """

    first_mm: Float32  # (n, 3)
    last_mm: Float32  # (n, 3)
    half_width_mm: Float32  # (n,)
    half_height_mm: Float32  # (n,)
    row: NDArray[np.int64]  # (n,) of the toolpath, ascending

    def __len__(self) -> int:
        return len(self.row)


def beads_of(path: Toolpath, filament_mm: float, nozzle_mm: float) -> Beads:
    """Return the beads of a toolpath.

    Parameters
    ----------
    path : Toolpath
    filament_mm : float
        Diameter of the filament.
    nozzle_mm : float
        Bore of the nozzle: a bead is at most three times as wide.

    Notes
    -----
    A bead of height h and width w has the cross-section (w - h) h + pi h^2 / 4, a rectangle with round sides;
    the filament fed over the length of the move gives the area.
    """
    rows = np.flatnonzero((path.kind == Kind.EXTRUDE) & (path.length_mm > 1e-3))
    xyz = np.column_stack([path.x_mm, path.y_mm, path.z_mm])
    first, last = xyz[rows - 1], xyz[rows]
    first[rows == 0] = 0
    height = heights_of(path)[rows]
    area = path.e_mm[rows] * np.pi * filament_mm**2 / 4 / path.length_mm[rows]
    width = np.clip(area / height + height * (1 - np.pi / 4), 0.4 * nozzle_mm, 3 * nozzle_mm)
    first, last, rows, source = _without_arcs(path, first, last, rows)
    first, last, cut = _cut(first, last)
    middle = -0.5 * height[source][cut]
    first[:, 2] += middle
    last[:, 2] += middle
    return Beads(
        first_mm=first.astype(np.float32),
        last_mm=last.astype(np.float32),
        half_width_mm=(0.5 * width[source][cut]).astype(np.float32),
        half_height_mm=(0.5 * height[source][cut]).astype(np.float32),
        row=rows[cut],
    )


def heights_of(path: Toolpath) -> NDArray[np.float64]:
    """Return the height of the layer that each row belongs to, 0.2 mm where none is known."""
    heights = np.full(len(path), 0.2)
    try:
        layers: Layers = find_layers(path)
    except GcodeError:
        return heights
    for place in range(len(layers)):
        rows = slice(int(layers.first_row[place]), int(layers.first_row[place + 1]))
        heights[rows] = layers.height_mm[place]
    return np.asarray(np.clip(heights, 0.03, 2.0))


def _without_arcs(path: Toolpath, first: Float, last: Float, rows: Int) -> tuple[Float, Float, Int, Int]:
    """Replace arcs by chords; also say which bead of before each came from."""
    source = np.arange(len(rows))
    bent = np.flatnonzero(np.isin(rows, path.arc_row))
    if not len(bent):
        return first, last, rows, source
    parts_first, parts_last, parts_source = [], [], []
    straight = np.delete(source, bent)
    table = path.arc[np.searchsorted(path.arc_row, rows[bent])]
    for place, arc in zip(bent, table, strict=True):
        count = max(1, int(np.ceil(abs(arc[2]) / ARC_STEP_RAD)))
        points = np.vstack([first[place], arc_points(arc, first[place], last[place], count)])
        parts_first.append(points[:-1])
        parts_last.append(points[1:])
        parts_source.append(np.full(count, place))
    source = np.concatenate([straight, *parts_source])
    order = np.argsort(source, kind="stable")
    source = source[order]
    first = np.concatenate([first[straight], *parts_first])[order]
    last = np.concatenate([last[straight], *parts_last])[order]
    return first, last, rows[source], source


def _cut(first: Float, last: Float) -> tuple[Float, Float, Int]:
    """Cut long beads into equal parts; also say which bead each part came from."""
    length = np.linalg.norm(last - first, axis=1)
    parts = np.maximum(1, np.ceil(length / LONGEST_MM)).astype(np.int64)
    cut = np.repeat(np.arange(len(parts)), parts)
    part = np.arange(len(cut)) - np.repeat(np.cumsum(parts) - parts, parts)
    step = (last - first)[cut] / parts[cut, None]
    begin = first[cut] + step * part[:, None]
    return begin, begin + step, cut
