"""A spiral's layers are its turns: the angle through which its path has turned, counted in full circles."""

from __future__ import annotations

import numpy as np

from twinlapse.arrays import Float, Int
from twinlapse.gcode.constant_z_runs import SAME_Z_MM, Runs
from twinlapse.gcode.segments import segments_of
from twinlapse.gcode.toolpath import Kind, Toolpath

__all__ = ["layer_rows_of", "turning"]

_LEAST_ROWS = 12
_MOST_FALLING = 0.05  # share of the length
_LEAST_RISING = 0.25
_LEAST_TURNS = 1.5
_THICKEST_MM = 3.0  # a turn that rises by more is no layer
_FEW_STEPS = 0.2  # share of a stepped path's rows that rise


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
    turned[np.flatnonzero(moved)[1:] + 1] = bend
    return np.cumsum(turned)


def layer_rows_of(path: Toolpath, runs: Runs, index: int, thick_mm: float) -> Int | None:
    """Return the rows at which the layers of a sloped run begin, and its end.

    Parameters
    ----------
    path : Toolpath
    runs : Runs
    index : int
        Of a run of that toolpath.
    thick_mm : float
        How thick the layers below it are: a run that rises by less than 1.5 of them is one layer with a ramp.

    Returns
    -------
    ndarray of shape (n + 1,) or None
        None when the run is one layer or has none.
    """
    rise = float(runs.z_high_mm[index] - runs.z_low_mm[index])
    if rise <= 1.5 * thick_mm or runs.rows[index] < _LEAST_ROWS:
        return None
    if runs.falling_mm[index] > _MOST_FALLING * runs.length_mm[index]:
        return None
    start, stop = int(runs.start[index]), int(runs.stop[index])
    rows = np.arange(start, stop)[path.kind[start:stop] == Kind.EXTRUDE]
    if runs.rising_mm[index] < _LEAST_RISING * runs.length_mm[index]:
        return _steps(path, rows, stop)
    return _turns(path, rows, start, stop, rise)


def _turns(path: Toolpath, rows: Int, start: int, stop: int, rise: float) -> Int | None:
    segments = segments_of(path, start, stop)
    turned = turning(segments.last_mm[:, 0], segments.last_mm[:, 1])
    angle = turned[np.searchsorted(segments.row, rows, "right") - 1]  # at the end of each row
    angle = -angle if angle[-1] < 0 else angle
    turns = float(angle[-1]) / (2 * np.pi)
    if turns < _LEAST_TURNS or rise / turns > _THICKEST_MM:
        return None
    circles = np.searchsorted(np.maximum.accumulate(angle), 2 * np.pi * np.arange(1, int(turns) + 1))
    z = path.z_mm[rows]
    pitch = float(np.median(np.diff(z[np.concatenate([[0], circles[circles < len(z)]])])))
    count = max(round(rise / pitch) if pitch > SAME_Z_MM else round(turns), 1)
    cuts = circles[: count - 1]
    return np.concatenate([rows[:1], rows[cuts[cuts < len(rows)]], [stop]]).astype(np.int64)


def _steps(path: Toolpath, rows: Int, stop: int) -> Int | None:
    """Return the layers of a path that goes round flat and rises in its last piece only."""
    z = path.z_mm[rows]
    rising = np.flatnonzero(np.diff(z) > SAME_Z_MM) + 1
    if not len(rising) or len(rising) > _FEW_STEPS * len(rows):
        return None
    return np.concatenate([rows[:1], rows[rising[np.diff(rising, prepend=-2) > 1]], [stop]]).astype(np.int64)
