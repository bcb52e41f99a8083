"""Layers and objects of a toolpath: from its comments where they hold, else from its heights."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from twinlapse.arrays import Float, Int
from twinlapse.gcode.constant_z_runs import SAME_Z_MM, Runs, runs_of
from twinlapse.gcode.filament import fresh_filament
from twinlapse.gcode.layer_candidates import NO_NUMBER, LayerCandidate
from twinlapse.gcode.layer_comments import Marks, is_object, read_marks
from twinlapse.gcode.layers_by_height import read_by_height
from twinlapse.gcode.toolpath import Kind, Layers, Notice, Toolpath

__all__ = ["find_layers"]

_PURE = 0.9  # share of the length that lies at the height of its layer when the marks are right
_PLANAR = 0.5  # below this share of layers that lie flat or spiral, there are none
_WHOLE_LAYER = 0.25  # material before the first mark is a layer when it is this share of one
_FEWEST_ROWS = 4.0  # printing moves of a layer, at the median, where paths are curved
_BACK = 100  # layers among which the next height below is looked for
_OFF = 2.0  # marks of a spiral are wrong when they differ from its turns by this factor


def find_layers(path: Toolpath) -> Layers:
    """Find the layers and objects of a print.

    Comments are read in any style of docs/reading.md and checked against the heights at which material is
    laid; when both disagree the file is read by the better-supported one, and a notice says so.

    Parameters
    ----------
    path : Toolpath

    Returns
    -------
    Layers
        Of a print whose paths rise and fall all the time there is one, and a notice says that it has none.
    """
    marks = read_marks(path.notes)
    runs = runs_of(path)
    notices: list[Notice] = []
    by_height = read_by_height(path, runs)
    reading = by_height
    by_marks = _by_marks(path, marks) if marks.layers else None
    if by_marks is not None and _marks_hold(by_marks, by_height):
        reading = by_marks
    elif marks.layers:
        notices.append(_overruled(marks, by_marks, by_height))
    if reading is by_height and by_height.support < _PLANAR:
        reading = _undivided(by_height)
        notices.append(_no_layers(path, reading))
    return _layers(path, marks, reading, by_height.source == "turns", notices)


def _marks_hold(by_marks: LayerCandidate, by_height: LayerCandidate) -> bool:
    if by_height.source == "turns" and not 1 / _OFF <= len(by_marks) / len(by_height) <= _OFF:
        return False
    if by_height.support < _PLANAR:  # nothing to check against but that layers are no single moves
        return by_marks.rows_each >= _FEWEST_ROWS and len(by_marks) > 1
    return by_marks.support >= min(_PURE, by_height.support)


def _overruled(marks: Marks, by_marks: LayerCandidate | None, by_height: LayerCandidate) -> Notice:
    count = 0 if by_marks is None else len(by_marks)
    text = (
        f"the comments mark {count} layers, the heights speak for {len(by_height)}; the heights were taken, "
        "because the material of a marked layer lies at several heights"
    )
    return Notice(line=marks.layers[0].line, code="comments-overruled", text=text)


def _undivided(reading: LayerCandidate) -> LayerCandidate:
    return LayerCandidate(
        source="geometry",
        first_row=reading.first_row[[0, -1]],
        z_mm=np.array([reading.z_mm.max()]),
        z_low_mm=np.array([reading.z_low_mm.min()]),
        support=reading.support,
    )


def _no_layers(path: Toolpath, reading: LayerCandidate) -> Notice:
    text = (
        "the paths rise and fall while they print, so there are no layers; take shots by height or by time "
        "(every = { mm = 0.6 } or { s = 45 })"
    )
    return Notice(line=int(path.line[reading.first_row[0]]), code="no-layers", text=text)


def _by_marks(path: Toolpath, marks: Marks) -> LayerCandidate | None:
    """Read the layers that the comments mark; empty marks and equal heights are joined."""
    rows = np.array([mark.row for mark in marks.layers], np.int64)
    runs = runs_of(path, rows)
    edges = np.searchsorted(runs.start, np.append(rows, len(path)))
    kept: list[tuple[int, int, int]] = []  # row, line, number
    z: list[float] = []
    low: list[float] = []
    lengths: list[float] = []
    good = 0.0
    for mark, a, b in zip(marks.layers, edges[:-1].tolist(), edges[1:].tolist(), strict=True):
        if a == b:
            continue
        height, share = _main_height(runs, a, b)
        good += share
        length = float(runs.length_mm[a:b].sum())
        if z and abs(height - z[-1]) <= SAME_Z_MM:
            lengths[-1] += length
            continue
        kept.append((mark.row, mark.line, NO_NUMBER if mark.number is None else mark.number))
        z.append(height)
        low.append(float(runs.z_low_mm[a:b].min()))
        lengths.append(length)
    if not z:
        return None
    before = _before_marks(path, runs, int(edges[0]), z[0], lengths)
    if before is not None:
        kept.insert(0, (before[0], int(path.line[before[0]]), NO_NUMBER))
        z.insert(0, before[1])
        low.insert(0, before[1])
    table = np.array(kept, np.int64)
    return LayerCandidate(
        source="comments",
        first_row=np.append(table[:, 0], int(runs.stop[-1])),
        z_mm=np.array(z),
        z_low_mm=np.array(low),
        support=good / max(sum(lengths), 1e-9),
        rows_each=float(np.median(np.add.reduceat(runs.rows, edges[:-1][np.diff(edges) > 0]))),
        number=table[:, 2],
        line=table[:, 1],
    )


def _main_height(runs: Runs, a: int, b: int) -> tuple[float, float]:
    """Return the height at which most of some runs lie, and the length of what lies there."""
    if b - a == 1:
        return float(runs.z_high_mm[a]), float(runs.length_mm[a])
    values, where = np.unique(np.round(runs.z_high_mm[a:b], 3), return_inverse=True)
    weight = np.bincount(where, runs.length_mm[a:b])
    best = int(weight.argmax())
    return float(values[best]), float(weight[best])


def _before_marks(
    path: Toolpath, runs: Runs, end: int, first_z: float, lengths: list[float]
) -> tuple[int, float] | None:
    """Return row and height of a first layer that no mark precedes, when there is one before the marks."""
    length = float(runs.length_mm[:end].sum())
    if end == 0 or length < _WHOLE_LAYER * float(np.median(lengths)):
        return None
    height, share = _main_height(runs, 0, end)
    if height > first_z - SAME_Z_MM or share < _PURE * length or int(runs.rows[:end].sum()) <= 12:
        return None
    return int(runs.start[0]), height


def _layers(
    path: Toolpath, marks: Marks, reading: LayerCandidate, spiral: bool, notices: list[Notice]
) -> Layers:
    objects = np.cumsum(_restarts(reading)).astype(np.int64)
    sequential = bool(objects[-1] > 0)
    raft = _rafts(reading, marks)
    if reading.source == "comments":
        notices.extend(_count_notice(marks, int((~raft).sum())))
    notices.extend(_joined_notice(path, reading, objects))
    return Layers(
        source=reading.source,
        first_row=reading.first_row,
        first_line=_first_lines(path, reading),
        z_mm=reading.z_mm,
        height_mm=_heights(reading, objects),
        object=objects.astype(np.int32),
        raft=raft,
        extruded_mm=_extruded(path, reading.first_row),
        spiral=spiral,
        sequential=sequential,
        objects=_names(marks, reading, objects),
        warnings=tuple(notices),
    )


def _count_notice(marks: Marks, found: int) -> list[Notice]:
    if marks.count is None or marks.count == found:
        return []
    text = f"the file states {marks.count} layers, {found} are there"
    return [Notice(line=marks.layers[0].line, code="count-differs", text=text)]


def _joined_notice(path: Toolpath, reading: LayerCandidate, objects: Int) -> list[Notice]:
    """Say that several prints stand in one file: the machine homes before another first layer."""
    homes = np.flatnonzero(path.kind == Kind.HOME)
    begins = reading.first_row[:-1][np.diff(objects, prepend=0) > 0]
    last = reading.first_row[0]
    joined = []
    for row in begins.tolist():
        if ((homes > last) & (homes < row + 1)).any():
            joined.append(row)
        last = row
    if not joined:
        return []
    text = f"{len(joined) + 1} prints stand in this file one after the other; the machine homes between them"
    return [Notice(line=int(path.line[joined[0]]), code="prints-joined", text=text)]


def _first_lines(path: Toolpath, reading: LayerCandidate) -> Int:
    begins = path.line[reading.first_row[:-1]].astype(np.int64)
    if reading.line is not None:
        begins = np.minimum(reading.line, begins)
    return np.append(begins, int(path.line[reading.first_row[-1] - 1]) + 1)


def _restarts(reading: LayerCandidate) -> NDArray[np.bool_]:
    """Tell for each layer whether an object begins with it: the height falls back to a first layer's."""
    z = reading.z_mm
    first = max(float(z[0]), 0.1)
    fell = np.diff(z, prepend=z[:1]) < -0.5 * first
    return fell & (z <= 1.5 * first + 0.05)


def _rafts(reading: LayerCandidate, marks: Marks) -> NDArray[np.bool_]:
    raft = np.zeros(len(reading), bool)
    if reading.number is not None:
        raft |= (reading.number < 0) & (reading.number != NO_NUMBER)
    inside = np.searchsorted(reading.first_row, np.array(marks.rafts, np.int64), "right") - 1
    raft[inside[(inside >= 0) & (inside < len(reading))]] = True
    return raft


def _names(marks: Marks, reading: LayerCandidate, objects: Int) -> tuple[str, ...]:
    real = [(row, name) for row, name in marks.objects if is_object(name)]
    count = int(objects[-1]) + 1
    if count == 1:
        return tuple(dict.fromkeys(name for _, name in real)) or ("object 1",)
    begins = reading.first_row[:-1][np.diff(objects, prepend=-1) > 0]
    owner = np.searchsorted(begins, [row for row, _ in real], "right") - 1
    names = [f"object {k + 1}" for k in range(count)]
    for k, (_, name) in reversed(list(zip(owner.tolist(), real, strict=True))):
        names[max(k, 0)] = name
    return tuple(names)


def _heights(reading: LayerCandidate, objects: Int) -> Float:
    """Return how thick each layer is: above the layer before it, the bed, or the next height below."""
    z = reading.z_mm
    below = np.concatenate([[0.0], z[:-1]])
    below[np.diff(objects, prepend=-1) > 0] = 0.0
    height = z - below
    for k in np.flatnonzero(height <= SAME_Z_MM).tolist():
        begin = max(int(np.searchsorted(objects, objects[k])), k - _BACK)
        lower = z[begin:k][z[begin:k] < z[k] - SAME_Z_MM]
        height[k] = z[k] - (lower.max() if len(lower) else 0.0)
    positive = height[height > SAME_Z_MM]
    height[height <= SAME_Z_MM] = float(np.median(positive)) if len(positive) else 0.2
    rounded: Float = np.round(height, 6)
    return rounded


def _extruded(path: Toolpath, first_row: Int) -> Float:
    total = np.concatenate([[0.0], np.cumsum(fresh_filament(path))])
    return np.diff(total[first_row])
