"""Layers from the heights at which material is laid, without any comment."""

from __future__ import annotations

import numpy as np

from twinlapse.gcode.reading import Reading
from twinlapse.gcode.runs import SAME_Z_MM, Runs
from twinlapse.gcode.toolpath import Int, Kind, Toolpath
from twinlapse.gcode.turns import layer_rows_of

_PRIME_ROWS = 12  # a prime line or purge blob has no more printing moves
_AWAY = 3  # runs at another height before the nozzle is back at the layer's
_FALL_MM = 0.1
_GOES_ON_MM = 1.0  # a path goes on after a travel this short


def read_by_height(path: Toolpath, runs: Runs) -> Reading:
    """Read one layer from each run at a height of its own, and one from each turn of a spiral.

    Parameters
    ----------
    path : Toolpath
    runs : Runs
        Of that toolpath, not cut.
    """
    begin: list[int] = []
    high: list[float] = []
    low: list[float] = []
    turned = curved = 0.0
    i = _after_prime(runs, 0)
    while i < len(runs):
        z = float(runs.z_high_mm[i])
        thick = _thickness(high)
        rows = layer_rows_of(path, runs, i, thick) if runs.sloped[i] else None
        if rows is not None:
            if _begins_flat(path, runs, i, len(rows) - 1):
                rows[0] = begin.pop()
                high.pop()
                low.pop()
            begin.extend(rows[:-1].tolist())
            high.extend(path.z_mm[rows[1:] - 1].tolist())
            low.extend(path.z_mm[rows[:-1]].tolist())
            turned += float(runs.length_mm[i])
        elif not high or abs(z - high[-1]) > SAME_Z_MM:
            begin.append(int(runs.start[i]))
            high.append(z)
            low.append(float(runs.z_low_mm[i]))
        if rows is None and _is_curved(runs, i, thick):
            curved += float(runs.length_mm[i])
        i = _next_run(runs, i)
    total = max(float(runs.length_mm.sum()), 1e-9)
    return Reading(
        source="turns" if turned > 0.5 * total else "geometry",
        first_row=_pulled_back(path, np.array([*begin, int(runs.stop[-1])], np.int64)),
        z_mm=np.array(high),
        z_low_mm=np.array(low),
        support=1.0 - curved / total,
    )


def _thickness(high: list[float]) -> float:
    """Return how thick the last layer was, within what a nozzle can lay."""
    thick = high[-1] - high[-2] if len(high) > 1 else (high[-1] if high else 0.2)
    return min(max(thick, 0.05), 0.5)


def _begins_flat(path: Toolpath, runs: Runs, i: int, turns: int) -> bool:
    """Tell whether the run before a spiral is the flat beginning of its first turn."""
    if i == 0 or runs.sloped[i - 1] or abs(runs.z_high_mm[i - 1] - runs.z_low_mm[i]) > SAME_Z_MM:
        return False
    end, begin = int(runs.stop[i - 1]) - 1, int(runs.start[i]) - 1
    gap = np.hypot(path.x_mm[begin] - path.x_mm[end], path.y_mm[begin] - path.y_mm[end])
    return bool(gap < _GOES_ON_MM and runs.length_mm[i - 1] < 1.5 * runs.length_mm[i] / turns)


def _is_curved(runs: Runs, i: int, thick: float) -> bool:
    """Tell whether a run goes up and down by more than the ramp of a seam does."""
    span = float(runs.z_high_mm[i] - runs.z_low_mm[i])
    slopes = float(runs.rising_mm[i] + runs.falling_mm[i])
    return span > 1.5 * thick and slopes > 0.3 * float(runs.length_mm[i])


def _next_run(runs: Runs, i: int) -> int:
    """Return the next run that does not belong to this one's layer.

    A prime tower may lag behind the print: the nozzle goes down to it and comes back to the same height. At
    the beginning of another object or print there may be a prime line again.
    """
    z = runs.z_high_mm
    for k in range(i + 2, min(i + 2 + _AWAY, len(runs))):
        lower = bool((z[i + 1 : k] < z[i]).all())
        if lower and abs(z[k] - z[i]) <= SAME_Z_MM and not runs.sloped[i : k + 1].any():
            return k
    following = i + 1
    if following < len(runs) and z[following] < z[i] - _FALL_MM:
        return _after_prime(runs, following)
    return following


def _after_prime(runs: Runs, first: int) -> int:
    """Return the first run that belongs to the print: prime lines before it are passed over."""
    while first < len(runs) - 1 and runs.rows[first] <= _PRIME_ROWS and _is_prime(runs, first):
        first += 1
    return first


def _is_prime(runs: Runs, index: int) -> bool:
    """A prime line lies higher than what follows, or apart from all of it."""
    if runs.z_low_mm[index] > runs.z_low_mm[index + 1] + SAME_Z_MM:
        return True
    box, rest = runs.box_mm[index], runs.box_mm[index + 1 :]
    return bool(
        box[1] < rest[:, 0].min()
        or box[0] > rest[:, 1].max()
        or box[3] < rest[:, 2].min()
        or box[2] > rest[:, 3].max()
    )


def _pulled_back(path: Toolpath, first: Int) -> Int:
    """Move each beginning back to where the nozzle leaves the height of the layer before."""
    moved = first.copy()
    for k in range(len(first) - 1):
        row = int(first[k])
        floor = int(first[k - 1]) + 1 if k else 0
        start = row
        while start > floor and path.kind[start - 1] != Kind.EXTRUDE:
            start -= 1
        changes = np.flatnonzero(np.abs(np.diff(path.z_mm[max(start - 1, 0) : row + 1])) > 1e-6)
        if len(changes):
            moved[k] = max(start - 1, 0) + int(changes[0]) + 1
    return moved
