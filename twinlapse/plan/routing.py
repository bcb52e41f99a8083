"""A way around what stands higher than the nozzle travels: the shortest path on the map, pulled straight."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from twinlapse.plan import heights
from twinlapse.plan.ground import MARGIN_MM, Ground, Place, has_gantry
from twinlapse.rig import Printer

SIZE = 4  # fine cells along a coarse one
STEP_MM = SIZE * heights.CELL_MM


def way_around(ground: Ground, start: Place, end: Place, z_mm: float) -> tuple[Place, ...] | None:
    """Return the waypoints of a way at one height, none when it can be straight, None when there is no way.

    Every straight piece of the way is checked against the fine map once more.
    """
    if ground.needed_z(start, end, z_mm) <= z_mm:
        return ()
    blocked = blocked_cells(ground, z_mm)
    away = np.empty(blocked.shape)
    source, goal = _cell(ground, start), _cell(ground, end)
    if not _on(blocked, source) or not _on(blocked, goal) or blocked[source] or blocked[goal]:
        return None
    heights.spread_distance(blocked, *goal, away)
    if not math.isfinite(away[source]):
        return None
    return _pulled(ground, [start, *_downhill(ground, away, source), end], z_mm)


def blocked_cells(ground: Ground, z_mm: float) -> NDArray[np.bool_]:
    """Return the coarse cells that the nozzle cannot pass at a height: print, keep-outs, outside the bed."""
    shape = tuple(math.ceil(size / SIZE) for size in ground.top.shape)
    x = (ground.left_mm + (np.arange(shape[0]) + 0.5) * STEP_MM)[:, None]
    y = (ground.front_mm + (np.arange(shape[1]) + 0.5) * STEP_MM)[None, :]
    blocked = _outside(ground.printer, x, y)
    wide = MARGIN_MM + STEP_MM
    for box in ground.printer.keep_out:
        if box.z_mm + MARGIN_MM > z_mm:
            within = (x > box.x_mm[0] - wide) & (x < box.x_mm[1] + wide)
            blocked |= within & (y > box.y_mm[0] - wide) & (y < box.y_mm[1] + wide)
    heights.block_cells(
        ground.top, z_mm - MARGIN_MM, ground.radius_mm, ground.drop_mm, has_gantry(ground.printer), SIZE,
        blocked,
    )  # fmt: skip
    return blocked


def _outside(printer: Printer, x: NDArray[np.float64], y: NDArray[np.float64]) -> NDArray[np.bool_]:
    (x0, x1), (y0, y1) = printer.x_range_mm, printer.y_range_mm
    if printer.bed_shape == "round":
        return np.asarray(np.hypot(x - (x0 + x1) / 2, y - (y0 + y1) / 2) > min(printer.bed_mm) / 2)
    return np.asarray((x < x0) | (x > x1) | (y < y0) | (y > y1))


def _downhill(ground: Ground, away: NDArray[np.float64], cell: tuple[int, int]) -> list[Place]:
    """Return the middles of the cells on the shortest way, both ends left out."""
    places = []
    while away[cell] > 0:
        i, j = cell
        around = [(i + a, j + b) for a in (-1, 0, 1) for b in (-1, 0, 1) if a or b]
        cell = min(
            (other for other in around if _on(away, other)),
            key=lambda other: away[other] + math.hypot(other[0] - i, other[1] - j),
        )
        places.append(_place(ground, cell))
    return places[:-1]


def _pulled(ground: Ground, way: list[Place], z_mm: float) -> tuple[Place, ...] | None:
    """Leave out all points that a straight clear piece can do without."""
    kept = [way[0]]
    k = 0
    while k < len(way) - 1:
        for further in range(len(way) - 1, k, -1):
            if ground.needed_z(way[k], way[further]) <= z_mm:
                break
        else:
            return None
        kept.append(way[further])
        k = further
    return tuple((round(x, 3), round(y, 3)) for x, y in kept[1:-1])


def _cell(ground: Ground, place: Place) -> tuple[int, int]:
    return (int((place[0] - ground.left_mm) / STEP_MM), int((place[1] - ground.front_mm) / STEP_MM))


def _place(ground: Ground, cell: tuple[int, ...]) -> Place:
    return (ground.left_mm + (cell[0] + 0.5) * STEP_MM, ground.front_mm + (cell[1] + 0.5) * STEP_MM)


def _on(grid: NDArray[np.generic], cell: tuple[int, int]) -> bool:
    return bool(0 <= cell[0] < grid.shape[0] and 0 <= cell[1] < grid.shape[1])
