"""What has been printed by now, as heights on a grid, and how high the nozzle must be to pass over it.

Plain loops over printed segments, compiled; each is laid once, so the cost grows with the moves.
"""

from __future__ import annotations

from math import floor, hypot, inf
from typing import Any

from twinlapse.jit import kernel, part_of_kernel

__all__ = [
    "CELL_MM",
    "EMPTY",
    "away_from",
    "beam_height",
    "block_cells",
    "count_layers",
    "lay_segments",
    "needed_height",
    "raise_disc",
    "reach_of_layers",
    "spread_distance",
    "turn_share",
]

CELL_MM = 0.5
EMPTY = -1e9


@kernel
def lay_segments(
    top: Any, by_x: Any, by_y: Any, first: Any, last: Any, left: float, front: float
) -> float:  # fmt: skip
    """Raise the cells under printed segments; return the greatest height among them.

    ``by_x[i]`` and ``by_y[j]`` get the greatest heights of ``top[i, :]`` and ``top[:, j]``.

    A segment is followed from cell to cell (Amanatides and Woo, "A Fast Voxel Traversal Algorithm for Ray
    Tracing", 1987); each cell gets the greatest height that the segment has in it.
    """
    highest = EMPTY
    for k in range(len(first)):
        ax, ay = (first[k, 0] - left) / CELL_MM, (first[k, 1] - front) / CELL_MM
        dx, dy = (last[k, 0] - left) / CELL_MM - ax, (last[k, 1] - front) / CELL_MM - ay
        az, dz = first[k, 2], last[k, 2] - first[k, 2]
        highest = max(highest, az, az + dz)
        i, j = floor(ax), floor(ay)
        steps = abs(floor(ax + dx) - i) + abs(floor(ay + dy) - j)
        side_i, side_j = (1 if dx > 0 else -1), (1 if dy > 0 else -1)
        # shares of the segment at which it crosses the next border along each axis
        at_i = ((i + 1 if dx > 0 else i) - ax) / dx if dx != 0 else inf
        at_j = ((j + 1 if dy > 0 else j) - ay) / dy if dy != 0 else inf
        share = 0.0
        for _ in range(steps + 1):
            leaves = min(at_i, at_j, 1.0)
            z = az + max(dz * share, dz * leaves)
            if 0 <= i < top.shape[0] and 0 <= j < top.shape[1] and z > top[i, j]:
                top[i, j] = z
                by_x[i], by_y[j] = max(by_x[i], top[i, j]), max(by_y[j], top[i, j])
            share = leaves
            if at_i < at_j:
                i += side_i
                at_i += 1.0 / abs(dx)
            else:
                j += side_j
                at_j += 1.0 / abs(dy) if dy != 0 else inf
    return highest


@part_of_kernel
def away_from(ax: float, ay: float, bx: float, by: float, px: float, py: float) -> float:
    """Return the distance of a point from a straight line between two points."""
    dx, dy = bx - ax, by - ay
    whole = dx * dx + dy * dy
    t = 0.0 if whole <= 0.0 else min(1.0, max(0.0, ((px - ax) * dx + (py - ay) * dy) / whole))
    return hypot(px - ax - t * dx, py - ay - t * dy)


@part_of_kernel
def beam_height(by_y: Any, ay: float, by: float, radius: float, drop: float, front: float) -> float:
    """Return the least height of the tip for a beam along X over the whole map, `drop` above the tip."""
    needed = EMPTY
    j0 = max(0, int((min(ay, by) - radius - front) / CELL_MM))
    j1 = min(len(by_y) - 1, int((max(ay, by) + radius - front) / CELL_MM))
    for j in range(j0, j1 + 1):
        py = front + (j + 0.5) * CELL_MM
        if max(0.0, min(ay, by) - py, py - max(ay, by)) <= radius:
            needed = max(needed, by_y[j] - drop)
    return needed


@kernel
def needed_height(
    top: Any, by_x: Any, by_y: Any, ax: float, ay: float, bx: float, by: float, radius: Any, drop: Any,
    gantry: bool, left: float, front: float, enough: float,
) -> float:  # fmt: skip
    """Return the least height of the nozzle tip for a straight path over what is printed, or `enough`.

    The head is a stack of discs: disc k has ``radius[k]`` and its underside is ``drop[k]`` above the tip.
    Where `gantry` is set the last disc is a beam along X as wide as its radius to both sides. Radii have the
    margin and half a cell's diagonal in them already.
    """
    needed = max(enough, EMPTY)
    discs = len(radius)
    if gantry:
        discs -= 1
        needed = max(needed, beam_height(by_y, ay, by, radius[discs], drop[discs], front))
    wide = 0.0
    for k in range(discs):
        wide = max(wide, radius[k])
    i0 = max(0, int((min(ax, bx) - wide - left) / CELL_MM))
    i1 = min(top.shape[0] - 1, int((max(ax, bx) + wide - left) / CELL_MM))
    j0 = max(0, int((min(ay, by) - wide - front) / CELL_MM))
    j1 = min(top.shape[1] - 1, int((max(ay, by) + wide - front) / CELL_MM))
    while j0 <= j1 and by_y[j0] <= needed:
        j0 += 1
    while j0 <= j1 and by_y[j1] <= needed:
        j1 -= 1
    for i in range(i0, i1 + 1):
        if by_x[i] <= needed:
            continue
        px = left + (i + 0.5) * CELL_MM
        for j in range(j0, j1 + 1):
            height = top[i, j]
            if height <= needed:
                continue
            away = away_from(ax, ay, bx, by, px, front + (j + 0.5) * CELL_MM)
            for k in range(discs):
                if away <= radius[k] and height - drop[k] > needed:
                    needed = height - drop[k]
    return needed


@kernel
def block_cells(
    top: Any, by_x: Any, by_y: Any, known: Any, needed: Any, z: float, radius: Any, drop: Any, gantry: bool,
    size: int, blocked: Any,
) -> None:  # fmt: skip
    """Mark the coarse cells (`size` fine ones wide) over which the head cannot pass at height `z`.

    A coarse cell is free when the head clears the print from anywhere in it. ``needed`` keeps the height that
    each coarse cell asks for, ``known`` the part of ``top`` that is in it: a print only grows, so each call
    adds what has risen since, and of that only what matters at `z`.
    """
    step = size * CELL_MM
    discs = len(radius) - (1 if gantry else 0)
    low = inf
    for k in range(discs):
        low = min(low, drop[k])
    low += z
    j0, j1 = 0, top.shape[1] - 1
    while j0 <= j1 and by_y[j0] <= low:
        j0 += 1
    while j0 <= j1 and by_y[j1] <= low:
        j1 -= 1
    for i in range(top.shape[0]):
        if by_x[i] <= low:
            continue
        for j in range(j0, j1 + 1):
            height = top[i, j]
            if height <= low or height <= known[i, j]:
                continue
            known[i, j] = height
            px, py = (i + 0.5) * CELL_MM, (j + 0.5) * CELL_MM
            for k in range(discs):
                raise_disc(needed, px, py, radius[k] + step, step, height - drop[k])
    for a in range(blocked.shape[0]):
        for b in range(blocked.shape[1]):
            blocked[a, b] = blocked[a, b] or needed[a, b] > z
    if not gantry:
        return
    reach = int((radius[discs] + step) / step) + 1
    for b in range(blocked.shape[1]):
        highest = EMPTY
        for j in range(max(0, (b - reach) * size), min(len(by_y), (b + reach + 1) * size)):
            highest = max(highest, by_y[j])
        if highest - drop[discs] > z:
            for a in range(blocked.shape[0]):
                blocked[a, b] = True


@part_of_kernel
def raise_disc(needed: Any, px: float, py: float, wide: float, step: float, height: float) -> None:
    """Raise the cells whose middle lies within a disc."""
    reach = int(wide / step) + 1
    ci, cj = int(px / step), int(py / step)
    for a in range(max(0, ci - reach), min(needed.shape[0], ci + reach + 1)):
        for b in range(max(0, cj - reach), min(needed.shape[1], cj + reach + 1)):
            if height > needed[a, b] and hypot((a + 0.5) * step - px, (b + 0.5) * step - py) <= wide:
                needed[a, b] = height


@kernel
def spread_distance(blocked: Any, i: int, j: int, away: Any) -> None:
    """Fill ``away`` with the length in cells of the shortest path to cell (i, j) through free cells.

    Sweeps over the grid in four directions until nothing changes; steps go to the eight cells around.
    """
    away[:, :] = inf
    away[i, j] = 0.0
    changed = True
    while changed:
        changed = False
        for turn in range(4):
            for p in range(away.shape[0]):
                a = p if turn % 2 == 0 else away.shape[0] - 1 - p
                for q in range(away.shape[1]):
                    b = q if turn < 2 else away.shape[1] - 1 - q
                    if blocked[a, b]:
                        continue
                    for da in range(-1, 2):
                        for db in range(-1, 2):
                            u, v = a + da, b + db
                            if 0 <= u < away.shape[0] and 0 <= v < away.shape[1]:
                                way = away[u, v] + hypot(da, db)
                                if way < away[a, b] - 1e-9:
                                    away[a, b] = way
                                    changed = True


@kernel
def count_layers(
    row: Any, first: Any, last: Any, first_row: Any, size_mm: float, left: float, front: float, seen: Any,
    counts: Any, covered: Any, centre: Any,
) -> None:  # fmt: skip
    """Count in how many layers each coarse cell is printed on, by some segments in order.

    ``seen`` is scratch of the same shape, filled with -1. ``covered[layer]`` gets the number of cells printed
    in that layer, ``centre[layer]`` the middle of its paths weighted by length (x, y, weight).
    """
    layer = 0
    for k in range(len(row)):
        while layer < len(first_row) - 1 and row[k] >= first_row[layer + 1]:
            layer += 1
        if layer == len(first_row) - 1 or row[k] < first_row[layer]:
            continue
        ax, ay, bx, by = first[k, 0], first[k, 1], last[k, 0], last[k, 1]
        length = hypot(bx - ax, by - ay)
        centre[layer, 0] += 0.5 * (ax + bx) * length
        centre[layer, 1] += 0.5 * (ay + by) * length
        centre[layer, 2] += length
        steps = int(length / (0.5 * size_mm)) + 1
        for step in range(steps + 1):
            x = (ax + (bx - ax) * step / steps - left) / size_mm
            y = (ay + (by - ay) * step / steps - front) / size_mm
            if 0.0 <= x < seen.shape[0] and 0.0 <= y < seen.shape[1] and seen[int(x), int(y)] != layer:
                seen[int(x), int(y)] = layer
                covered[layer] += 1
                counts[int(x), int(y)] += 1


@kernel
def reach_of_layers(
    row: Any, first: Any, last: Any, first_row: Any, centre: Any, step_mm: float, reach: Any
) -> None:
    """Fill ``reach[layer, k]``: how far the print reaches from ``centre[layer]`` in the k-th direction."""
    bins = reach.shape[1]
    layer = 0
    for k in range(len(row)):
        while layer < len(first_row) - 1 and row[k] >= first_row[layer + 1]:
            layer += 1
        if layer == len(first_row) - 1 or row[k] < first_row[layer]:
            continue
        ax, ay, bx, by = first[k, 0], first[k, 1], last[k, 0], last[k, 1]
        steps = int(hypot(bx - ax, by - ay) / step_mm) + 1
        last_b, last_away = -1, 0.0
        for step in range(steps + 1):
            dx = ax + (bx - ax) * step / steps - centre[layer, 0]
            dy = ay + (by - ay) * step / steps - centre[layer, 1]
            b = int(turn_share(dx, dy) * bins) % bins
            away = hypot(dx, dy)
            reach[layer, b] = max(reach[layer, b], away)
            if last_b >= 0:  # directions that the step passes belong to the segment as well
                span = (b - last_b + bins + bins // 2) % bins - bins // 2
                for passed in range(1, abs(span)):
                    between = (last_b + (passed if span > 0 else -passed)) % bins
                    reach[layer, between] = max(reach[layer, between], min(away, last_away))
            last_b, last_away = b, away


@part_of_kernel
def turn_share(dx: float, dy: float) -> float:
    """Return the direction of a vector as a share of a full turn, 0 to 1 from the x axis; monotone, not even.

    A diamond angle: it needs no arc tangent and is all that ordering directions takes.
    """
    whole = abs(dx) + abs(dy)
    if whole <= 0.0:
        return 0.0
    if dy >= 0.0:
        return (1.0 - dx / whole) / 4.0
    return (3.0 + dx / whole) / 4.0
