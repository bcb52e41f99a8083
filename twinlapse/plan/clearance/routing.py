"""A path around what stands higher than the nozzle travels: the shortest on the map, straightened."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from twinlapse.plan.clearance import height_map_kernels
from twinlapse.plan.clearance.height_map import MARGIN_MM, BedPlace, Ground, has_gantry
from twinlapse.rig import Printer

__all__ = ["SIZE", "Router", "path_around"]

SIZE = 4  # fine cells along a coarse one
_STEP_MM = SIZE * height_map_kernels.CELL_MM


@dataclass(slots=True)
class Router:
    """Finds paths over one ground; keeps the map of distances while nothing on it changes."""

    ground: Ground
    outside: NDArray[np.bool_] = field(init=False)  # the bed, by coarse cells
    known_mm: NDArray[np.float32] = field(init=False)  # of the fine map, what `needed_mm` has taken up
    needed_mm: NDArray[np.float64] = field(init=False)  # height that the print asks for in each coarse cell
    seen: tuple[int, float] = (-1, 0.0)  # row and height of `blocked`
    blocked: NDArray[np.bool_] = field(default_factory=lambda: np.empty((0, 0), bool))
    away: dict[tuple[int, int], NDArray[np.float64]] = field(default_factory=dict)  # by the cell of the goal

    def __post_init__(self) -> None:
        x_mm, y_mm = self._middles()
        self.outside = _outside(self.ground.printer, x_mm, y_mm)
        self.known_mm = np.full_like(self.ground.top, height_map_kernels.EMPTY)
        self.needed_mm = np.full(self.outside.shape, height_map_kernels.EMPTY)

    def path(self, start: BedPlace, end: BedPlace, z_mm: float) -> tuple[BedPlace, ...] | None:
        """Return the waypoints of a path at one height: none for a straight one, None without a path.

        Every straight piece of the path is checked against the fine map once more.
        """
        ground = self.ground
        if ground.needed_z(start, end, z_mm) <= z_mm:
            return ()
        self._look(z_mm)
        source, goal = _cell(ground, start), _cell(ground, end)
        if not all(_on(self.blocked, cell) and not self.blocked[cell] for cell in (source, goal)):
            return None
        if goal not in self.away:
            self.away[goal] = np.empty(self.blocked.shape)
            height_map_kernels.spread_distance(self.blocked, *goal, self.away[goal])
        away = self.away[goal]
        if not math.isfinite(away[source]):
            return None
        return _pulled(ground, [start, *_downhill(ground, away, source), end], z_mm)

    def _look(self, z_mm: float) -> None:
        if self.seen == (self.ground.row, z_mm):
            return
        self.seen = (self.ground.row, z_mm)
        blocked = self.blocked_cells(z_mm)
        if not np.array_equal(blocked, self.blocked):
            self.blocked = blocked
            self.away.clear()

    def blocked_cells(self, z_mm: float) -> NDArray[np.bool_]:
        """Return the coarse cells that the nozzle cannot pass at a height: print, keep-outs, bed edges."""
        ground, blocked = self.ground, self.outside.copy()
        x_mm, y_mm = self._middles()
        wide = MARGIN_MM + _STEP_MM
        for box in ground.printer.keep_out:
            if box.z_mm + MARGIN_MM > z_mm:
                within = (x_mm > box.x_mm[0] - wide) & (x_mm < box.x_mm[1] + wide)
                blocked |= within & (y_mm > box.y_mm[0] - wide) & (y_mm < box.y_mm[1] + wide)
        height_map_kernels.block_cells(
            ground.top, ground.by_x, ground.by_y, self.known_mm, self.needed_mm, z_mm - MARGIN_MM,
            ground.radius_mm, ground.drop_mm, has_gantry(ground.printer), SIZE, blocked,
        )  # fmt: skip
        return blocked

    def _middles(self) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Return X and Y of the middles of the coarse cells, a column and a row."""
        columns, rows = (math.ceil(size / SIZE) for size in self.ground.top.shape)
        x_mm = self.ground.left_mm + (np.arange(columns) + 0.5) * _STEP_MM
        y_mm = self.ground.front_mm + (np.arange(rows) + 0.5) * _STEP_MM
        return x_mm[:, None], y_mm[None, :]


def path_around(ground: Ground, start: BedPlace, end: BedPlace, z_mm: float) -> tuple[BedPlace, ...] | None:
    """Return one path; see `Router.path`."""
    return Router(ground).path(start, end, z_mm)


def _outside(printer: Printer, x: NDArray[np.float64], y: NDArray[np.float64]) -> NDArray[np.bool_]:
    (x0, x1), (y0, y1) = printer.x_range_mm, printer.y_range_mm
    if printer.bed_shape == "round":
        return np.asarray(np.hypot(x - (x0 + x1) / 2, y - (y0 + y1) / 2) > min(printer.bed_mm) / 2)
    return np.asarray((x < x0) | (x > x1) | (y < y0) | (y > y1))


def _downhill(ground: Ground, away: NDArray[np.float64], cell: tuple[int, int]) -> list[BedPlace]:
    """Return the middles of the cells on the shortest path, both ends left out."""
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


def _pulled(ground: Ground, way: list[BedPlace], z_mm: float) -> tuple[BedPlace, ...] | None:
    """Leave out the points that a straight clear piece can do without, None when not even a step is clear.

    The furthest point in sight is found by halving, so a few may be kept that could go.
    """
    kept = [way[0]]
    k = 0
    while k < len(way) - 1:
        near, far = k, len(way)
        while far - near > 1:
            middle = len(way) - 1 if far == len(way) and near == k else (near + far) // 2
            if ground.needed_z(way[k], way[middle], z_mm) <= z_mm:
                near = middle
            else:
                far = middle
        if near == k:
            return None
        kept.append(way[near])
        k = near
    return tuple((round(x, 3), round(y, 3)) for x, y in kept[1:-1])


def _cell(ground: Ground, place: BedPlace) -> tuple[int, int]:
    return (int((place[0] - ground.left_mm) / _STEP_MM), int((place[1] - ground.front_mm) / _STEP_MM))


def _place(ground: Ground, cell: tuple[int, ...]) -> BedPlace:
    return (ground.left_mm + (cell[0] + 0.5) * _STEP_MM, ground.front_mm + (cell[1] + 0.5) * _STEP_MM)


def _on(grid: NDArray[np.generic], cell: tuple[int, int]) -> bool:
    return bool(0 <= cell[0] < grid.shape[0] and 0 <= cell[1] < grid.shape[1])
