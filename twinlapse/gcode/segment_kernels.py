"""The compiled loops behind `segments`."""

from __future__ import annotations

from math import acos, atan2, ceil, cos, hypot, pi, sin
from typing import Any

from twinlapse.gcode.toolpath import Kind
from twinlapse.jit import kernel, part_of_kernel

__all__ = ["EXTRUDE", "cut_rows", "pieces_of", "stretch_boxes"]

EXTRUDE = int(Kind.EXTRUDE)
_FEWEST_A_TURN = 4  # a circle smaller than the chord error is still no dot
_MOST_PIECES = 16_384  # of one arc: at 0.02 mm that is 40 turns of a circle 250 mm across; then they coarsen


@part_of_kernel
def pieces_of(radius_mm: float, sweep: float, chord_mm: float) -> int:
    """Return into how many equal pieces an arc is cut, so that no chord leaves it by more than `chord_mm`.

    The sagitta of a chord over the angle t is r (1 - cos(t / 2)).
    """
    most = 2 * pi / _FEWEST_A_TURN
    if radius_mm > chord_mm:
        most = min(most, 2 * acos(1 - chord_mm / radius_mm))
    return int(min(max(ceil(abs(sweep) / most - 1e-9), 1.0), _MOST_PIECES))


@kernel
def cut_rows(
    kind: Any, x: Any, y: Any, z: Any, arc_row: Any, arc: Any, row: int, stop: int, next_arc: int, piece: int,
    chord_mm: float, rows: Any, first: Any, last: Any,
) -> tuple[int, int, int]:  # fmt: skip
    """Fill the columns with the segments of rows from `row` on; return row and piece to go on with, count.

    ``next_arc`` is the first arc at or after `row`; ``piece`` counts the pieces of an arc written before.
    """
    count = 0
    room = len(rows)
    while row < stop and count < room:
        while next_arc < len(arc_row) and arc_row[next_arc] < row:
            next_arc += 1
        if kind[row] != EXTRUDE:
            row += 1
            continue
        begin = (x[row - 1], y[row - 1], z[row - 1]) if row > 0 else (0.0, 0.0, 0.0)
        end = (x[row], y[row], z[row])
        if next_arc == len(arc_row) or arc_row[next_arc] != row:
            rows[count] = row
            for k in range(3):
                first[count, k], last[count, k] = begin[k], end[k]
            count += 1
            row += 1
            continue
        plane = int(arc[next_arc, 3])
        a, b, c = (3 - plane) % 3, (4 - plane) % 3, (5 - plane) % 3  # XY, ZX, YZ; then the third axis
        middle_a, middle_b, sweep = arc[next_arc, 0], arc[next_arc, 1], arc[next_arc, 2]
        from_a, from_b = begin[a] - middle_a, begin[b] - middle_b
        radius, radius_end = hypot(from_a, from_b), hypot(end[a] - middle_a, end[b] - middle_b)
        angle = atan2(from_b, from_a)
        pieces = pieces_of(max(radius, radius_end), sweep, chord_mm)
        while piece < pieces and count < room:
            rows[count] = row
            for side in range(2):
                share = (piece + side) / pieces
                r, t = radius + (radius_end - radius) * share, angle + sweep * share
                target = last if side else first
                target[count, a] = middle_a + r * cos(t)
                target[count, b] = middle_b + r * sin(t)
                target[count, c] = begin[c] + (end[c] - begin[c]) * share
            if piece == pieces - 1:
                for k in range(3):
                    last[count, k] = end[k]
            piece += 1
            count += 1
        if piece < pieces:
            break
        piece = 0
        row += 1
    return row, piece, count


@kernel
def stretch_boxes(kind: Any, x: Any, y: Any, z: Any, edges: Any, low: Any, high: Any) -> None:
    """Stretch a box for each two edges over both ends of the extruding rows between them."""
    for k in range(len(edges) - 1):
        for row in range(edges[k], edges[k + 1]):
            if kind[row] != EXTRUDE:
                continue
            for place in range(row - 1, row + 1):
                px, py, pz = (x[place], y[place], z[place]) if place >= 0 else (0.0, 0.0, 0.0)
                low[k, 0], high[k, 0] = min(low[k, 0], px), max(high[k, 0], px)
                low[k, 1], high[k, 1] = min(low[k, 1], py), max(high[k, 1], py)
                low[k, 2], high[k, 2] = min(low[k, 2], pz), max(high[k, 2], pz)
