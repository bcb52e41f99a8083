"""Layers from the heights at which material is printed, without any comment."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from twinlapse.arrays import Int
from twinlapse.gcode.constant_z_runs import SAME_Z_MM, Runs
from twinlapse.gcode.layer_candidates import LayerCandidate
from twinlapse.gcode.spiral import layer_rows_of
from twinlapse.gcode.toolpath import Kind, Toolpath

__all__ = ["read_by_height"]

_PRIME_ROWS = 12  # a prime line or purge blob has no more printing moves
_MOST_PRIMES = 40  # runs that are taken for prime lines, one after the other
_AWAY = 3  # runs at another height before the nozzle is back at the layer's
_FALL_MM = 0.1
_GOES_ON_MM = 1.0  # a path goes on after a travel this short


@dataclass(frozen=True, slots=True, kw_only=True)
class _Steps:
    """What is asked of each run, as plain lists: a print may have a million runs."""

    z: list[float]
    z_low: list[float]
    rows: list[int]
    sloped: list[bool]
    box: list[list[float]]  # x low, x high, y low, y high
    rest: list[list[float]]  # the same of this run and all after it

    def __len__(self) -> int:
        return len(self.z)


def _steps(runs: Runs) -> _Steps:
    box = runs.box_mm
    rest = np.empty_like(box)
    rest[:, 0::2] = np.minimum.accumulate(box[::-1, 0::2], axis=0)[::-1]
    rest[:, 1::2] = np.maximum.accumulate(box[::-1, 1::2], axis=0)[::-1]
    return _Steps(
        z=runs.z_high_mm.tolist(),
        z_low=runs.z_low_mm.tolist(),
        rows=runs.rows.tolist(),
        sloped=runs.sloped.tolist(),
        box=box.tolist(),
        rest=rest.tolist(),
    )


def read_by_height(path: Toolpath, runs: Runs) -> LayerCandidate:
    """Read one layer from each run at a height of its own, and one from each turn of a spiral.

    Parameters
    ----------
    path : Toolpath
    runs : Runs
        Of that toolpath, not cut.
    """
    steps = _steps(runs)
    begin: list[int] = []
    high: list[float] = []
    low: list[float] = []
    turned = curved = 0.0
    i = _after_prime(steps, 0)
    while i < len(steps):
        thick = _thickness(high)
        rows = layer_rows_of(path, runs, i, thick) if steps.sloped[i] else None
        if rows is not None:
            if _begins_flat(path, runs, i, len(rows) - 1):
                rows[0] = begin.pop()
                high.pop()
                low.pop()
            begin.extend(rows[:-1].tolist())
            high.extend(path.z_mm[rows[1:] - 1].tolist())
            low.extend(path.z_mm[rows[:-1]].tolist())
            turned += float(runs.length_mm[i])
        elif not high or abs(steps.z[i] - high[-1]) > SAME_Z_MM:
            begin.append(int(runs.start[i]))
            high.append(steps.z[i])
            low.append(steps.z_low[i])
        if steps.sloped[i] and rows is None and _is_curved(runs, i, thick):
            curved += float(runs.length_mm[i])
        i = _next_run(steps, i)
    total = max(float(runs.length_mm.sum()), 1e-9)
    return LayerCandidate(
        source="turns" if turned > 0.5 * total else "geometry",
        first_row=_pulled_back(path, np.array([*begin, int(runs.stop[-1])], np.int64)),
        z_mm=np.array(high),
        z_low_mm=np.array(low),
        support=1.0 - curved / total,
    )


def _thickness(high: list[float]) -> float:
    """Return how thick the last layer was, within what a nozzle can print."""
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


def _next_run(steps: _Steps, i: int) -> int:
    """Return the next run that does not belong to this one's layer.

    A prime tower may lag behind the print: the nozzle goes down to it and comes back to the same height. At
    the beginning of another object or print there may be a prime line again.
    """
    z = steps.z
    for k in range(i + 1, min(i + 2 + _AWAY, len(steps))):
        if steps.sloped[k]:
            break
        if k > i + 1 and abs(z[k] - z[i]) <= SAME_Z_MM:
            return k
        if z[k] >= z[i]:
            break
    following = i + 1
    if following < len(steps) and z[following] < z[i] - _FALL_MM:
        return _after_prime(steps, following)
    return following


def _after_prime(steps: _Steps, first: int) -> int:
    """Return the first run that belongs to the print: prime lines before it are passed over."""
    last = min(len(steps) - 1, first + _MOST_PRIMES)
    for k in range(first, last):
        if steps.rows[k] > _PRIME_ROWS or not _is_prime(steps, k):
            return k
    return last


def _is_prime(steps: _Steps, k: int) -> bool:
    """A prime line lies higher than what follows, or apart from all of it."""
    if steps.z_low[k] > steps.z_low[k + 1] + SAME_Z_MM:
        return True
    x0, x1, y0, y1 = steps.box[k]
    left, right, front, back = steps.rest[k + 1]
    return x1 < left or x0 > right or y1 < front or y0 > back


def _pulled_back(path: Toolpath, first: Int) -> Int:
    """Move each beginning back to where the nozzle leaves the height of the layer before."""
    moved = first.copy()
    printing = np.flatnonzero(path.kind == Kind.EXTRUDE)
    before = np.searchsorted(printing, first[:-1]) - 1  # the printing row before each beginning
    for k, row in enumerate(first[:-1].tolist()):
        end = int(printing[before[k]]) if before[k] >= 0 else 0
        changes = np.flatnonzero(np.abs(np.diff(path.z_mm[end : row + 1])) > 1e-6)
        if len(changes):
            moved[k] = end + int(changes[0]) + 1
    return moved
