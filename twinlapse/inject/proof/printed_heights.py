"""What is printed by the time of each block, as heights on a grid, and whether the block's moves clear it.

Plain loops, compiled. ``top`` holds the greatest height of any printed move in each cell.
"""

from __future__ import annotations

from math import hypot, sqrt
from typing import Any

import numpy as np

from twinlapse.gcode.toolpath import Kind
from twinlapse.jit import kernel

CELL_MM = 1.0
CLEAR_MM = 0.1  # least air under the nozzle while it travels; common practice, no source
_SAME_MM = 1e-3
_EXTRUDE = int(Kind.EXTRUDE)
CLEAR, TIP, CONE, HEAD, GANTRY, DIVES = range(6)


@kernel
def lay(top: Any, x0: float, y0: float, x1: float, y1: float, z: float, left: float, front: float) -> None:
    """Raise the cells under a printed move to its height."""
    steps = int(max(abs(x1 - x0), abs(y1 - y0)) / (0.5 * CELL_MM)) + 1
    for k in range(steps + 1):
        t = k / steps
        i = int((x0 + (x1 - x0) * t - left) / CELL_MM)
        j = int((y0 + (y1 - y0) * t - front) / CELL_MM)
        if 0 <= i < top.shape[0] and 0 <= j < top.shape[1] and z > top[i, j]:
            top[i, j] = z


@kernel
def stands_clear(
    top: Any, x: float, y: float, z: float, home_x: float, home_y: float, home_z: float, left: float,
    front: float, head: Any,
) -> int:  # fmt: skip
    """Return what of the head would touch the print at a place, CLEAR when nothing would.

    ``head`` is radius, height of the gantry (0: none), radius and length of the nozzle. What the original
    itself is already next to where the block begins is left out.
    """
    radius, gantry, tip_radius, tip_length = head[0], head[1], head[2], head[3]
    reach = int(radius / CELL_MM) + 1
    ci = int((x - left) / CELL_MM)
    cj = int((y - front) / CELL_MM)
    for i in range(max(ci - reach, 0), min(ci + reach + 1, top.shape[0])):
        cx = left + (i + 0.5) * CELL_MM
        for j in range(max(cj - reach, 0), min(cj + reach + 1, top.shape[1])):
            height = top[i, j]
            if height + CLEAR_MM <= z:
                continue
            cy = front + (j + 0.5) * CELL_MM
            away = hypot(cx - x, cy - y)
            if away > radius:
                continue
            if away <= CELL_MM:
                return TIP
            from_home = hypot(cx - home_x, cy - home_y)
            cone, home_cone = tip_length * away / tip_radius, tip_length * from_home / tip_radius
            beside = from_home <= tip_radius and height > home_z + home_cone
            if away <= tip_radius and height > z + cone and not beside:
                return CONE
            taller = height > home_z + tip_length and from_home <= radius
            if away > tip_radius and height > z + tip_length and not taller:
                return HEAD
    if gantry > 0.0:
        for j in range(max(cj - reach, 0), min(cj + reach + 1, top.shape[1])):
            for i in range(top.shape[0]):
                if top[i, j] > z + gantry and top[i, j] <= home_z + gantry:
                    return GANTRY
    return CLEAR


@kernel
def sweep(
    kind: Any, x: Any, y: Any, z: Any, at: Any, block: Any, start: Any, end: Any, home: Any, top: Any,
    left: float, front: float, head: Any, found: Any,
) -> None:  # fmt: skip
    """Lay the original row by row, and judge each block's moves at its place among the rows.

    ``at[b]`` is the row before which block b stands; ``block``, ``start``, ``end`` and ``home`` are those of
    the blocks' moves, in order. ``found`` gets what each move would touch.
    """
    row = 0
    move = 0
    highest = -1e9
    px, py = 0.0, 0.0
    for b in range(len(at)):
        while row < at[b]:
            if kind[row] == _EXTRUDE:
                lay(top, px, py, x[row], y[row], z[row], left, front)
                highest = max(highest, z[row])
            px, py = x[row], y[row]
            row += 1
        while move < len(block) and block[move] == b:
            found[move] = judge(top, highest, start[move], end[move], home[move], left, front, head)
            move += 1


@kernel
def judge(
    top: Any, highest: float, start: Any, end: Any, home: Any, left: float, front: float, head: Any
) -> int:
    """Return what a straight move would touch."""
    dx, dy, dz = end[0] - start[0], end[1] - start[1], end[2] - start[2]
    length = sqrt(dx * dx + dy * dy + dz * dz)
    if length < 1e-9 or min(start[2], end[2]) >= highest + CLEAR_MM:
        return CLEAR
    upright = abs(dx) < _SAME_MM and abs(dy) < _SAME_MM
    if upright and abs(end[0] - home[0]) < _SAME_MM and abs(end[1] - home[1]) < _SAME_MM:
        return CLEAR if end[2] >= home[2] - _SAME_MM else DIVES
    steps = int(length / CELL_MM) + 1
    for k in range(steps + 1):
        t = k / steps
        touched = stands_clear(
            top, start[0] + dx * t, start[1] + dy * t, start[2] + dz * t, home[0], home[1], home[2], left,
            front, head,
        )  # fmt: skip
        if touched != CLEAR:
            return touched
    return CLEAR


def empty_tops(width_mm: float, depth_mm: float) -> Any:
    """Return a grid without anything printed."""
    return np.full((int(width_mm / CELL_MM) + 2, int(depth_mm / CELL_MM) + 2), -1e9)
