"""What is printed by the time of each block, as heights on a grid, and whether the block's moves clear it.

Plain loops, compiled. ``top`` holds the greatest height of any printed path through a cell; a cell counts as
filled from there down to the bed. The width of a bead is counted with the toolhead, which is a stack over the
nozzle's axis: the flat end of the nozzle, its cone, the rest of the toolhead above that, and the beam of the
gantry along X. A place is off by half a cell's diagonal at most, 0.18 mm.
"""

from __future__ import annotations

from math import acos, ceil, cos, hypot, inf, sin
from typing import Any

import numpy as np

from twinlapse.gcode.toolpath import Kind
from twinlapse.inject.proof.arc_reading import AXES
from twinlapse.jit import kernel, part_of_kernel

__all__ = [
    "CLEAR",
    "CONE",
    "DIVES",
    "GANTRY",
    "HEAD",
    "HEIGHT_CELL_MM",
    "NOTHING",
    "NOZZLE_FLAT_MM",
    "TIP",
    "TRAVEL_AIR_MM",
    "away_from",
    "bulge",
    "empty_tops",
    "judge",
    "lay_arc",
    "lay_path",
    "stood_at",
    "sweep",
    "touched",
    "underside",
]

HEIGHT_CELL_MM = 0.25
TRAVEL_AIR_MM = 0.1  # least air under the nozzle while it travels; common practice, no source
NOZZLE_FLAT_MM = 0.6  # radius of the flat end of a nozzle; common practice, no source
# Half the width of a bead, 0.4 to 0.5 mm for the usual nozzle, and half of what a cell's middle may be off.
_BEAD_MM = 0.3
_STEP_MM = HEIGHT_CELL_MM / 2  # paths are laid in steps this long, each as high as the higher of its ends
_CHORD_MM = 0.02  # an arc is cut into chords that miss it by no more
_DROP_MM = 0.25  # a move that changes height while it travels is swept in pieces that fall by no more
_SAME_MM = 1e-3
_EXTRUDE = int(Kind.EXTRUDE)
NOTHING = -1e9
CLEAR, TIP, CONE, HEAD, GANTRY, DIVES = range(6)


@part_of_kernel
def lay_path(
    top: Any, ax: float, ay: float, az: float, bx: float, by: float, bz: float, left: float, front: float
) -> None:
    """Raise the cells under a straight path, step by step, to the higher end of the steps around."""
    steps = int(max(abs(bx - ax), abs(by - ay)) / _STEP_MM) + 1
    rise = abs(bz - az) / steps
    for k in range(steps + 1):
        t = k / steps
        i = int((ax + (bx - ax) * t - left) / HEIGHT_CELL_MM)
        j = int((ay + (by - ay) * t - front) / HEIGHT_CELL_MM)
        z = min(az + (bz - az) * t + rise, max(az, bz))
        if 0 <= i < top.shape[0] and 0 <= j < top.shape[1] and z > top[i, j]:
            top[i, j] = z


@part_of_kernel
def lay_arc(top: Any, start: Any, end: Any, curve: Any, left: float, front: float, room2: Any) -> None:
    """Lay an arc or a helix, in any plane, as short chords; ``room2`` is room for two places."""
    plane = int(curve[3])
    a, b, c = AXES[plane, 0], AXES[plane, 1], AXES[plane, 2]
    ra, rb = start[a] - curve[0], start[b] - curve[1]
    radius, last = hypot(ra, rb), hypot(end[a] - curve[0], end[b] - curve[1])
    widest = max(radius, last)
    chord = 2.0 * acos(1.0 - _CHORD_MM / widest) if widest > 2.0 * _CHORD_MM else 1.5
    pieces = ceil(abs(curve[2]) / chord) + 1
    here, there = room2[0], room2[1]
    here[0], here[1], here[2] = start[0], start[1], start[2]
    for k in range(1, pieces + 1):
        share = k / pieces
        turn, grown = curve[2] * share, 1.0 + (last / radius - 1.0) * share
        there[a] = curve[0] + (ra * cos(turn) - rb * sin(turn)) * grown
        there[b] = curve[1] + (ra * sin(turn) + rb * cos(turn)) * grown
        there[c] = start[c] + (end[c] - start[c]) * share
        lay_path(top, here[0], here[1], here[2], there[0], there[1], there[2], left, front)
        here[0], here[1], here[2] = there[0], there[1], there[2]


@part_of_kernel
def underside(away: float, z: float, tool: Any) -> float:
    """Return the height of the toolhead's underside this far from the nozzle's axis; infinite beyond it.

    ``tool`` is the radius of the head, the height of the gantry over the tip (0: none), radius and length of
    the nozzle.
    """
    if away <= NOZZLE_FLAT_MM:
        return z - TRAVEL_AIR_MM
    if away <= tool[2]:
        return float(z + tool[3] * (away - NOZZLE_FLAT_MM) / (tool[2] - NOZZLE_FLAT_MM))
    return float(z + tool[3]) if away <= tool[0] else inf


@part_of_kernel
def away_from(ax: float, ay: float, bx: float, by: float, px: float, py: float) -> float:
    """Return the distance of a point from a straight line between two points."""
    dx, dy = bx - ax, by - ay
    square = dx * dx + dy * dy
    t = 0.0 if square <= 0.0 else min(1.0, max(0.0, ((px - ax) * dx + (py - ay) * dy) / square))
    return float(hypot(px - ax - t * dx, py - ay - t * dy))


@part_of_kernel
def stood_at(trail: Any, px: float, py: float) -> float:
    """Return how near the original itself came to a point just before the block."""
    if len(trail) == 1:
        return hypot(px - trail[0, 0], py - trail[0, 1])
    nearest = inf
    for k in range(len(trail) - 1):
        away = away_from(trail[k, 0], trail[k, 1], trail[k + 1, 0], trail[k + 1, 1], px, py)
        nearest = min(nearest, away)
    return float(nearest)


@part_of_kernel
def touched(
    top: Any, ax: float, ay: float, bx: float, by: float, z: float, home_z: float, trail: Any, left: float,
    front: float, tool: Any,
) -> int:  # fmt: skip
    """Return what of the toolhead would touch the print on a straight path at one height.

    Left out is what the original's own toolhead was as deep in where the block begins (``trail`` at
    ``home_z``): the rig's toolhead is then larger than the real one, and nothing new is touched.
    """
    reach = tool[0] + _BEAD_MM
    i0 = max(int((min(ax, bx) - reach - left) / HEIGHT_CELL_MM), 0)
    i1 = min(int((max(ax, bx) + reach - left) / HEIGHT_CELL_MM), top.shape[0] - 1)
    j0 = max(int((min(ay, by) - reach - front) / HEIGHT_CELL_MM), 0)
    j1 = min(int((max(ay, by) + reach - front) / HEIGHT_CELL_MM), top.shape[1] - 1)
    if tool[1] > 0.0:
        i0, i1 = 0, top.shape[0] - 1
    for i in range(i0, i1 + 1):
        px = left + (i + 0.5) * HEIGHT_CELL_MM
        for j in range(j0, j1 + 1):
            height = top[i, j]
            if height <= z - TRAVEL_AIR_MM:
                continue
            py = front + (j + 0.5) * HEIGHT_CELL_MM
            away = max(away_from(ax, ay, bx, by, px, py) - _BEAD_MM, 0.0)
            under = underside(away, z, tool)
            if height > under:
                mine = underside(max(stood_at(trail, px, py) - _BEAD_MM, 0.0), home_z, tool)
                if under < mine - _SAME_MM:
                    return TIP if away <= NOZZLE_FLAT_MM else CONE if away <= tool[2] else HEAD
            if tool[1] > 0.0 and height > z + tool[1]:
                beside = max(min(ay, by) - py, py - max(ay, by), 0.0) - _BEAD_MM
                stood = abs(py - trail[0, 1]) - _BEAD_MM
                if beside <= tool[0] and (stood > tool[0] or z < home_z - _SAME_MM):
                    return GANTRY
    return CLEAR


@part_of_kernel
def judge(
    top: Any, highest: float, start: Any, end: Any, home: Any, trail: Any, floor: float, wipe: bool,
    left: float, front: float, tool: Any,
) -> int:  # fmt: skip
    """Return what a straight move of a block would touch."""
    flat = hypot(end[0] - start[0], end[1] - start[1])
    fall = abs(end[2] - start[2])
    if flat < 1e-9 and fall < 1e-9:
        return CLEAR
    lowest = min(start[2], end[2])
    if end[2] < floor - _SAME_MM:
        return DIVES
    if flat >= _SAME_MM and lowest < floor + TRAVEL_AIR_MM - _SAME_MM and not wipe:
        return TIP  # over the bed as over the print: nothing is said of how level the bed is
    if lowest >= highest + TRAVEL_AIR_MM:
        return CLEAR
    at_home = hypot(end[0] - home[0], end[1] - home[1]) < _SAME_MM
    if flat < _SAME_MM and at_home:
        return CLEAR if lowest >= home[2] - _SAME_MM else DIVES
    pieces = int(fall / _DROP_MM) + 1 if flat >= _SAME_MM else 1
    for k in range(pieces):
        s, t = k / pieces, (k + 1) / pieces
        z = min(start[2] + (end[2] - start[2]) * s, start[2] + (end[2] - start[2]) * t)
        found = touched(
            top, start[0] + (end[0] - start[0]) * s, start[1] + (end[1] - start[1]) * s,
            start[0] + (end[0] - start[0]) * t, start[1] + (end[1] - start[1]) * t, z, home[2], trail, left,
            front, tool,
        )  # fmt: skip
        if found != CLEAR:
            return found
    return CLEAR


@kernel
def sweep(
    kind: Any, x: Any, y: Any, z: Any, arc_row: Any, curve: Any, at: Any, block: Any, start: Any, end: Any,
    home: Any, wipes: Any, trail: Any, trail_from: Any, top: Any, left: float, front: float, tool: Any,
    found: Any, room4: Any,
) -> None:  # fmt: skip
    """Lay the original row by row, and judge each block's moves at its place among the rows.

    ``at[b]`` is the row before which block b stands; ``block``, ``start``, ``end`` and ``home`` are those of
    the blocks' moves, in order; ``wipes`` says which may go at the height of the print.
    ``trail[trail_from[b] : trail_from[b + 1]]`` is where the original's nozzle was just before block b, at
    the height where the block begins. ``found`` gets what each move would touch.
    ``room4`` is room for four places, (4, 3) zeros.
    """
    row, move, arc = 0, 0, 0
    highest, laid_z = NOTHING, 0.0
    first, last = room4[0], room4[1]
    for b in range(len(at)):
        while row < at[b]:
            last[0], last[1], last[2] = x[row], y[row], z[row]
            curved = arc < len(arc_row) and arc_row[arc] == row
            if kind[row] == _EXTRUDE:
                if curved:
                    lay_arc(top, first, last, curve[arc], left, front, room4[2:])
                    if curve[arc, 3] != 0.0:  # it may bulge above both its ends
                        highest = max(highest, bulge(first, last, curve[arc]))
                else:
                    lay_path(top, first[0], first[1], first[2], last[0], last[1], last[2], left, front)
                highest = max(highest, first[2], last[2])
                laid_z = last[2]
            if curved:
                arc += 1
            first[0], first[1], first[2] = last[0], last[1], last[2]
            row += 1
        while move < len(block) and block[move] == b:
            floor = min(home[move, 2], max(laid_z, TRAVEL_AIR_MM))
            found[move] = judge(
                top, highest, start[move], end[move], home[move], trail[trail_from[b] : trail_from[b + 1]],
                floor, wipes[move], left, front, tool,
            )  # fmt: skip
            move += 1


@part_of_kernel
def bulge(start: Any, end: Any, curve: Any) -> float:
    """Return the greatest height that an arc in an upright plane can reach."""
    plane = int(curve[3])
    a, b = AXES[plane, 0], AXES[plane, 1]
    radius = max(hypot(start[a] - curve[0], start[b] - curve[1]), hypot(end[a] - curve[0], end[b] - curve[1]))
    return float((curve[0] if plane == 1 else curve[1]) + radius)


def empty_tops(width_mm: float, depth_mm: float) -> Any:
    """Return a grid without anything printed."""
    return np.full(
        (int(width_mm / HEIGHT_CELL_MM) + 2, int(depth_mm / HEIGHT_CELL_MM) + 2), NOTHING, np.float32
    )
