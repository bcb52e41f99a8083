"""A spiral's layers are its turns: the angle through which its path has turned, counted in full circles."""

from __future__ import annotations

import numpy as np

from twinlapse.gcode.runs import Runs
from twinlapse.gcode.toolpath import Float, Int, Kind, Toolpath

_LEAST_ROWS = 12
_MOST_FALLING = 0.05  # share of the length
_LEAST_RISING = 0.25


def is_spiral(runs: Runs, index: int) -> bool:
    """Tell whether a run rises and never falls, as a spiral does."""
    length = runs.length_mm[index]
    return bool(
        runs.rows[index] >= _LEAST_ROWS
        and runs.rising_mm[index] >= _LEAST_RISING * length
        and runs.falling_mm[index] <= _MOST_FALLING * length
    )


def turning(x_mm: Float, y_mm: Float) -> Float:
    """Return the angle, in radians, through which a path has turned at each of its points.

    A closed curve that does not cross itself turns by 2 pi whatever its shape (Hopf's Umlaufsatz), so that
    hollows and corners do not matter.
    """
    dx, dy = np.diff(x_mm), np.diff(y_mm)
    moved = np.hypot(dx, dy) > 1e-9
    heading = np.arctan2(dy[moved], dx[moved])
    bend = (np.diff(heading) + np.pi) % (2 * np.pi) - np.pi
    turned = np.zeros(len(x_mm))
    places = np.flatnonzero(moved)[1:] + 1
    turned[places] = bend
    return np.cumsum(turned)


def turn_rows(path: Toolpath, start: int, stop: int) -> Int:
    """Return the rows at which the turns of a spiral begin, and the end: n + 1 offsets for n turns."""
    rows = np.arange(start, stop)[path.kind[start:stop] == Kind.EXTRUDE]
    angle = turning(path.x_mm[rows], path.y_mm[rows])
    if angle[-1] < 0:
        angle = -angle
    count = max(round(float(angle[-1]) / (2 * np.pi)), 1)
    reached = np.maximum.accumulate(angle)
    cuts = np.searchsorted(reached, 2 * np.pi * np.arange(1, count) * (reached[-1] / (2 * np.pi * count)))
    return np.concatenate([[start], rows[np.minimum(cuts, len(rows) - 1)], [stop]]).astype(np.int64)
