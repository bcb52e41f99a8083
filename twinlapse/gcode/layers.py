"""Layers and objects of a toolpath: from its comments where they hold, else from its heights."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from twinlapse.gcode.filament import fresh_filament
from twinlapse.gcode.marks import Marks, is_object, read_marks
from twinlapse.gcode.runs import SAME_Z_MM, Runs, runs_of
from twinlapse.gcode.toolpath import Float, Int, Layers, Notice, Toolpath
from twinlapse.gcode.turns import is_spiral, turn_rows

_PRIME_ROWS = 12  # a prime line or purge blob has no more printing moves
_PURE = 0.9  # share of a print's filament that lies at the height of its layer when the marks are right
_EMPTY_MM = 1e-6


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """One way to read the layers: the row at which each begins, and the end."""

    source: str
    first_row: Int  # (n + 1,)
    z_mm: Float
    z_low_mm: Float
    support: float  # share of the filament that this reading explains
    number: NDArray[np.int64] | None = None  # as the marks count, where they do


def find_layers(path: Toolpath) -> Layers:
    """Find the layers and objects of a print.

    Comments are read in any style of docs/reading.md and checked against the heights at which material
    is laid; when both disagree the file is read by the better-supported one, and a notice says so.

    Parameters
    ----------
    path : Toolpath

    Returns
    -------
    Layers
    """
    marks = read_marks(path.notes)
    runs = runs_of(path)
    notices: list[Notice] = []
    by_height = _by_height(path, runs)
    reading = by_height
    if marks.layers:
        by_marks = _by_marks(path, runs, marks)
        if by_marks is not None and (by_marks.support >= _PURE or by_marks.support >= by_height.support):
            reading = by_marks
        else:
            notices.append(_overruled(marks, by_marks, by_height))
    spiral = _spiral_share(runs) > 0.5
    return _layers(path, runs, marks, reading, spiral, notices)


def _overruled(marks: Marks, by_marks: Reading | None, by_height: Reading) -> Notice:
    count = 0 if by_marks is None else len(by_marks.z_mm)
    text = (
        f"the comments mark {count} layers, the heights speak for {len(by_height.z_mm)}; "
        "the heights were taken, because the material of a marked layer lies at several heights"
    )
    return Notice(line=marks.layers[0].line, code="comments-overruled", text=text)


def _spiral_share(runs: Runs) -> float:
    total = float(runs.length_mm.sum())
    spirals = sum(float(runs.length_mm[i]) for i in np.flatnonzero(runs.sloped) if is_spiral(runs, int(i)))
    return spirals / total if total else 0.0


def _by_height(path: Toolpath, runs: Runs) -> Reading:
    """Read one layer from each run at a height of its own, and one from each turn of a spiral."""
    begin: list[int] = []
    high: list[float] = []
    low: list[float] = []
    turns = 0
    first = first_printed(runs)
    for i in range(first, len(runs)):
        z = float(runs.z_high_mm[i])
        if runs.sloped[i] and is_spiral(runs, i) and _climbs_far(runs, i, high):
            rows = turn_rows(path, int(runs.start[i]), int(runs.stop[i]))
            begin.extend(rows[:-1].tolist())
            high.extend(path.z_mm[rows[1:] - 1].tolist())
            low.extend(path.z_mm[rows[:-1]].tolist())
            turns += len(rows) - 1
        elif not high or abs(z - high[-1]) > SAME_Z_MM:
            begin.append(int(runs.start[i]))
            high.append(z)
            low.append(z)
    z_mm = np.array(high)
    rows_first = np.array([*begin, int(runs.stop[-1])], np.int64)
    return Reading(
        source="turns" if turns * 2 > len(high) else "geometry",
        first_row=_pulled_back(path, rows_first),
        z_mm=z_mm,
        z_low_mm=np.array(low),
        support=1.0,
    )


def _climbs_far(runs: Runs, index: int, high: list[float]) -> bool:
    """Tell a spiral from a seam that ramps up within its layer: it rises by more than a layer is thick."""
    rise = float(runs.z_high_mm[index] - runs.z_low_mm[index])
    thick = high[-1] - high[-2] if len(high) > 1 else (high[-1] if high else 0.2)
    return rise > 1.5 * max(thick, 0.05)


def first_printed(runs: Runs) -> int:
    """Return the index of the first run that belongs to the print: prime lines before it are passed over."""
    first = 0
    while first < len(runs) - 1 and runs.rows[first] <= _PRIME_ROWS and _is_prime(runs, first):
        first += 1
    return first


def _is_prime(runs: Runs, index: int) -> bool:
    """A prime line lies higher than what follows, or apart from all of it."""
    after = slice(index + 1, None)
    if runs.z_low_mm[index] > runs.z_low_mm[index + 1] + SAME_Z_MM:
        return True
    box, rest = runs.box_mm[index], runs.box_mm[after]
    apart = (
        box[1] < rest[:, 0].min()
        or box[0] > rest[:, 1].max()
        or box[3] < rest[:, 2].min()
        or box[2] > rest[:, 3].max()
    )
    return bool(apart)


def _pulled_back(path: Toolpath, first: Int) -> Int:
    """Move each beginning back to where the nozzle leaves the height of the layer before."""
    moved = first.copy()
    for k in range(len(first) - 1):
        row = int(first[k])
        floor = int(first[k - 1]) if k else 0
        start = row
        while start > floor + 1 and path.kind[start - 1] != 1:
            start -= 1
        changes = np.flatnonzero(np.abs(np.diff(path.z_mm[max(start - 1, 0) : row + 1])) > 1e-6)
        if len(changes):
            moved[k] = max(start - 1, 0) + int(changes[0]) + 1
    return moved


def _by_marks(path: Toolpath, runs: Runs, marks: Marks) -> Reading | None:
    """Read the layers that the comments mark; empty marks and equal heights are joined."""
    rows = np.array([mark.row for mark in marks.layers], np.int64)
    keep_row: list[int] = []
    keep_number: list[int] = []
    z: list[float] = []
    low: list[float] = []
    good = total = 0.0
    ends = np.append(rows[1:], len(path))
    cut = split_runs(path, runs, rows)
    for mark, row, end in zip(marks.layers, rows.tolist(), ends.tolist(), strict=True):
        a, b = np.searchsorted(cut.start, [row, end])
        if a == b or float(cut.length_mm[a:b].sum()) <= _EMPTY_MM:
            continue
        height, share, weight = _main_height(cut, a, b)
        good += share
        total += weight
        if z and abs(height - z[-1]) <= SAME_Z_MM:
            continue
        keep_row.append(row)
        keep_number.append(-(10**6) if mark.number is None else mark.number)
        z.append(height)
        low.append(float(cut.z_low_mm[a:b].min()))
    if not z:
        return None
    outside = float(cut.length_mm[: np.searchsorted(cut.start, rows[0])].sum())
    return Reading(
        source="comments",
        first_row=np.array([*keep_row, int(runs.stop[-1])], np.int64),
        z_mm=np.array(z),
        z_low_mm=np.array(low),
        support=good / max(total, 1e-9) * (1.0 if outside < total else 0.5),
        number=np.array(keep_number),
    )


def _main_height(runs: Runs, a: int, b: int) -> tuple[float, float, float]:
    """Return the height at which most of some runs lie, its length, and the whole length."""
    lengths = runs.length_mm[a:b]
    heights = np.round(runs.z_high_mm[a:b], 3)
    values, where = np.unique(heights, return_inverse=True)
    weight = np.bincount(where, lengths)
    best = int(weight.argmax())
    return float(values[best]), float(weight[best]), float(lengths.sum())


def split_runs(path: Toolpath, runs: Runs, rows: Int) -> Runs:
    """Cut the runs at given rows, so that none reaches over one."""
    inside = [
        row
        for row in np.unique(rows).tolist()
        if (k := int(np.searchsorted(runs.start, row, "right")) - 1) >= 0
        and row < runs.stop[k]
        and row > runs.start[k]
    ]
    if not inside:
        return runs
    edges = [0, *inside, len(path)]
    pieces = [runs_of(path, a, b) for a, b in pairwise(edges)]
    return Runs(
        **{
            name: np.concatenate([getattr(piece, name) for piece in pieces])
            for name in Runs.__dataclass_fields__
        }
    )


def _layers(
    path: Toolpath, runs: Runs, marks: Marks, reading: Reading, spiral: bool, notices: list[Notice]
) -> Layers:
    lines = _first_lines(path, marks, reading)
    restart = _restarts(reading)
    objects = np.cumsum(restart).astype(np.int64)
    sequential = bool(objects[-1] > 0) if len(objects) else False
    names = _names(marks, reading, objects, sequential)
    raft = _rafts(reading)
    if marks.count is not None and reading.source == "comments":
        notices.extend(_count_notice(marks, int((~raft).sum())))
    return Layers(
        source=reading.source,
        first_row=reading.first_row,
        first_line=lines,
        z_mm=reading.z_mm,
        height_mm=_heights(reading, objects),
        object=objects.astype(np.int32) if sequential else np.zeros(len(reading.z_mm), np.int32),
        raft=raft,
        extruded_mm=_extruded(path, reading.first_row),
        spiral=spiral,
        sequential=sequential,
        objects=names,
        warnings=tuple(notices),
    )


def _count_notice(marks: Marks, found: int) -> list[Notice]:
    if marks.count == found:
        return []
    text = f"the file states {marks.count} layers, {found} are there"
    return [Notice(line=marks.layers[0].line, code="count-differs", text=text)]


def _first_lines(path: Toolpath, marks: Marks, reading: Reading) -> Int:
    by_row = {}
    if reading.source == "comments":
        for mark in reversed(marks.layers):
            by_row[mark.row] = mark.line
    lines = [by_row.get(row, int(path.line[row])) for row in reading.first_row[:-1].tolist()]
    return np.array([*lines, int(path.line[reading.first_row[-1] - 1]) + 1], np.int64)


def _restarts(reading: Reading) -> NDArray[np.bool_]:
    """Tell for each layer whether an object begins with it: the height falls back to a first layer's."""
    z = reading.z_mm
    restart = np.zeros(len(z), bool)
    first = z[0] if len(z) else 0.0
    for k in range(1, len(z)):
        fell = z[k] < z[k - 1] - 0.5 * max(first, 0.1)
        restart[k] = fell and z[k] <= 1.5 * first + 0.05
    return restart


def _rafts(reading: Reading) -> NDArray[np.bool_]:
    if reading.number is None:
        return np.zeros(len(reading.z_mm), bool)
    return (reading.number < 0) & (reading.number > -(10**6))


def _names(marks: Marks, reading: Reading, objects: Int, sequential: bool) -> tuple[str, ...]:
    real = [(row, name) for row, name in marks.objects if is_object(name)]
    if not sequential:
        named = tuple(dict.fromkeys(name for _, name in real))
        return named or ("object 1",)
    rows = reading.first_row
    names = []
    for k in range(int(objects[-1]) + 1):
        mine = np.flatnonzero(objects == k)
        start, stop = rows[mine[0]], rows[mine[-1] + 1]
        inside = [name for row, name in real if start <= row < stop]
        names.append(inside[0] if inside else f"object {k + 1}")
    return tuple(names)


def _heights(reading: Reading, objects: Int) -> Float:
    z = reading.z_mm
    below = np.concatenate([[0.0], z[:-1]])
    starts = np.concatenate([[True], np.diff(objects) > 0]) if len(z) else np.zeros(0, bool)
    below[starts] = 0.0
    height = z - below
    odd = height <= 0
    height[odd] = z[odd] - np.array([_next_below(z[:k], z[k]) for k in np.flatnonzero(odd)])
    rounded: Float = np.round(height, 6)
    return rounded


def _next_below(earlier: Float, z: float) -> float:
    lower = earlier[earlier < z - SAME_Z_MM]
    return float(lower.max()) if len(lower) else 0.0


def _extruded(path: Toolpath, first_row: Int) -> Float:
    total = np.concatenate([[0.0], np.cumsum(fresh_filament(path))])
    return np.diff(total[first_row])
