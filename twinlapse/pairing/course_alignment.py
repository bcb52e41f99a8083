"""When the machine stood at which stop, from all that its cameras saw of it.

The course of the written file says for every moment whether the machine stands or how it moves. The
alignment lays it against the motion signals of all cameras at once: the machine runs along the course,
waits a moment, or pauses for any time while anything may happen. It is found coarsely and from several
starts first, then finely.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from twinlapse.arrays import Float, Float32, Int
from twinlapse.machine_course import MachineCourse
from twinlapse.pairing.alignment_kernels import PAUSES, RUNS, WAITS, best_path, stop_chances
from twinlapse.pairing.clock_ties import ClockTie
from twinlapse.pairing.course_signature import CourseCells, cells_of, fine_kinds
from twinlapse.pairing.learned_levels import (
    CELL_S,
    Sight,
    evidence_of,
    first_table,
    insight_of,
    learned_table,
    sight_of,
    standing_odds,
)
from twinlapse.pairing.motion_signal import MotionSignal
from twinlapse.records import ArrayRecord

__all__ = ["CourseAlignment", "align_course"]

_MOST_CELLS = 2.5e7  # of the coarsest alignment: 25 MB for the way back
_RATES = (0.95, 0.975, 1.0, 1.025, 1.05, 1.075, 1.1)  # of machine to file tried first: clock and planner
_BAND_S, _BAND_CELLS = 12.0, 30  # of a finer alignment, about the path of the coarser
_WIDE_S = (
    60.0  # in which other paths are weighed last: more than a layer that could be taken for its neighbour
)
_KNOT_S, _HARDLY_S = 120.0, 20.0  # pieces of own rate; what is seen of one for less tells little about it
_MOST_RATE = 1.25  # of a piece against the file

# Chances, for prints with 5 % of the stops left out, 0.3 other waits a stop and a few pauses (a machine that
# cools, a person who looks; common practice, no source).
_WAITS_A_SECOND, _WAIT_S = 0.01, 2.0
_PAUSES_A_SECOND, _PAUSE_S = 2e-4, 120.0
_LEFT_OUT = 0.03
_UNEVEN, _UNEVEN_FIRST = 0.08, 0.2  # steps in which the machine is a cell slower, or faster, than the file
_NOT_FROM_START, _NOT_TO_END = 1e-5, 1e-4  # recordings that begin late, prints that are aborted


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class CourseAlignment(ArrayRecord):
    """Chances that the machine stands at a stop, on a grid of `CELL_S` by the first camera's clock."""

    begin_s: float  # where the grid begins
    kind: Int  # (t,) how the machine moves on the likeliest path, see `fine_kinds`; -1 in a pause
    stop: Int  # (t,) index of the likeliest stop, -1 for none
    chance: Float  # (t,) of it
    rate: float  # real seconds for one of the file
    insight: tuple[float, ...]  # of each camera: bits a second about whether the machine stands
    standing: tuple[Float, ...]  # of each camera's samples: log odds that the machine stands, by it alone

    def chance_at(self, index: int, first_s: Float, last_s: Float) -> Float:
        """Return the least chance that the machine stands at a stop from a moment to another.

        Parameters
        ----------
        index : int
            Of the stop.
        first_s, last_s : ndarrays of shape (k,)
        """
        own = np.where(self.stop == index, self.chance, 0.0)
        a, b = (np.floor((time_s - self.begin_s) / CELL_S).astype(np.int64) for time_s in (first_s, last_s))
        least = np.ones(len(a))
        for k in range(int((b - a).max(initial=-1)) + 1):
            place = np.minimum(a + k, b)
            inside = (place >= 0) & (place < len(own))
            least = np.minimum(least, np.where(inside, own[np.clip(place, 0, len(own) - 1)], 0.0))
        return least

    def span_of(self, index: int) -> tuple[float, float] | None:
        """Return first and last moment at which the machine may stand at a stop; None for a stop left out."""
        place = np.flatnonzero(self.stop == index)
        if len(place) == 0:
            return None
        return self.begin_s + CELL_S * float(place[0]), self.begin_s + CELL_S * float(place[-1] + 1)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class _Path(ArrayRecord):
    """Where in the file the machine is at which moment."""

    step_s: float
    real_s: Float  # (t,) since the grid begins
    file_s: Float  # (t,)
    cell: Int  # (t,)
    mode: Int  # (t,)
    score: float  # log-likelihood


def align_course(
    course: MachineCourse, signals: Sequence[MotionSignal], ties: Sequence[ClockTie]
) -> CourseAlignment:
    """Lay a course against what cameras saw.

    Parameters
    ----------
    course : MachineCourse
    signals : sequence of MotionSignal
        Of cameras whose clocks are tied.
    ties : sequence of ClockTie
        Of each by the first one's clock.
    """
    ends_s = [tie.there(np.array([one.before_s[0], one.time_s[-1]]))
              for one, tie in zip(signals, ties, strict=True)]  # fmt: skip
    begin_s = float(min(ends[0] for ends in ends_s))
    count = max(2, int(np.ceil((max(ends[1] for ends in ends_s) - begin_s) / CELL_S)))
    sights = [sight_of(one, tie, begin_s, count) for one, tie in zip(signals, ties, strict=True)]
    coarse = max(2, round(np.sqrt(count * course.length_s / CELL_S / _MOST_CELLS)))
    paths = [_refined(course, sights, path) for path in _first_paths(course, sights, coarse * CELL_S)]
    path = max(paths, key=lambda one: one.score)
    tables = _tables(course, sights, path)
    chance = _chances(course, sights, tables, path)
    return CourseAlignment(
        begin_s=begin_s,
        kind=_kinds(course, path, count),
        stop=chance[:, 0].astype(np.int64),
        chance=chance[:, 1].astype(np.float64),
        rate=float(_rate_of(path, course)[1, -1] / max(1e-9, course.length_s)),
        insight=tuple(insight_of(table, sight) for table, sight in zip(tables, sights, strict=True)),
        standing=tuple(standing_odds(one, table) for one, table in zip(signals, tables, strict=True)),
    )


def _first_paths(course: MachineCourse, sights: Sequence[Sight], step_s: float) -> list[_Path]:
    """Return the likeliest paths from what all cameras saw, and from what each saw.

    What is believed of a camera before anything is known of it may be wrong, and spoil what the others say.
    So each start is followed by paths on what it taught of all cameras.
    """
    first = [first_table(sight) for sight in sights]
    starts = [list(range(len(sights)))] + ([[k] for k in range(len(sights))] if len(sights) > 1 else [])
    rates = [np.array([[0.0, course.length_s], [0.0, rate * course.length_s]]) for rate in _RATES]
    tried = []
    for start in starts:
        some, tables = [sights[k] for k in start], [first[k] for k in start]
        paths = [_path(course, some, tables, step_s, rate, None) for rate in rates]
        path = max(paths, key=lambda one: one.score)
        for _ in range(2):
            path = _path(course, sights, _tables(course, sights, path), step_s, _rate_of(path, course), None)
        tried.append(path)
    return tried


def _refined(course: MachineCourse, sights: Sequence[Sight], path: _Path) -> _Path:
    """Return a path on finer and finer grids."""
    parts = [round(path.step_s / CELL_S)]
    while parts[-1] > 1:
        parts.append(max(1, round(parts[-1] / 2.5)))
    for part in [*parts, 1]:
        tables = _tables(course, sights, path)
        path = _path(course, sights, tables, part * CELL_S, _rate_of(path, course), path)
    return path


def _kinds(course: MachineCourse, path: _Path, count: int) -> Int:
    """Return how the machine moves in each cell of the fine grid, -1 in a pause."""
    grid_s = (np.arange(count) + 0.5) * CELL_S
    at_s = np.interp(grid_s, path.real_s, path.file_s)
    kind = fine_kinds(course, np.append(at_s - 0.5 * CELL_S, at_s[-1] + CELL_S) + 1e-9 * np.arange(count + 1))
    mode = path.mode[np.minimum(np.searchsorted(path.real_s, grid_s), len(path.mode) - 1)]
    return np.where(mode == PAUSES, -1, np.where(mode == WAITS, 0, kind))


def _tables(course: MachineCourse, sights: Sequence[Sight], path: _Path) -> list[Float]:
    grid_s = (np.arange(len(sights[0].level)) + 0.5) * CELL_S
    at_s = np.interp(grid_s, path.real_s, path.file_s)
    running = np.interp(grid_s, path.real_s, (path.mode == RUNS).astype(np.float64)) > 0.99
    return [learned_table(sight, at_s, running, course) for sight in sights]


def _path(
    course: MachineCourse,
    sights: Sequence[Sight],
    tables: Sequence[Float],
    step_s: float,
    rate: Float,
    near: _Path | None,
) -> _Path:
    """Return the likeliest path: of all, or of those near another one."""
    cells = cells_of(course, step_s, rate)
    evidence = evidence_of(sights, tables, round(step_s / CELL_S))
    real_s: Float = (np.arange(len(evidence), dtype=np.float64) + 0.5) * step_s
    first, width = _band(cells, near, real_s, max(_BAND_S, _BAND_CELLS * step_s))
    chances = _steps(step_s, _UNEVEN_FIRST if near is None else _UNEVEN)
    # one path of very many that differ by where they are uneven: evenness must not cost anything
    chances[:3] /= chances[0]
    begin, finish = _ends(len(cells.code))
    found = np.empty((len(evidence), 2), np.int64)
    score = best_path(
        evidence, cells.code, cells.skip_from, first, width,
        np.log(chances), np.log(begin), np.log(finish), found,
    )  # fmt: skip
    cell, mode = found[:, 0].copy(), found[:, 1].copy()
    return _Path(step_s=step_s, real_s=real_s, file_s=cells.time_s[cell], cell=cell, mode=mode, score=score)


def _chances(
    course: MachineCourse,
    sights: Sequence[Sight],
    tables: Sequence[Float],
    path: _Path,
) -> Float32:
    """Return the likeliest stop at every `CELL_S` and its chance, over all paths near one, shape (t, 2)."""
    cells = cells_of(course, CELL_S, _rate_of(path, course))
    evidence = evidence_of(sights, tables, 1)
    real_s: Float = (np.arange(len(evidence), dtype=np.float64) + 0.5) * CELL_S
    first, width = _band(cells, path, real_s, _WIDE_S)
    begin, finish = _ends(len(cells.code))
    chance = np.zeros((len(evidence), 2), np.float32)
    stop_chances(
        np.exp(evidence), cells.code, cells.skip_from, cells.stop, first, width,
        _steps(CELL_S, _UNEVEN), begin, finish, chance,
    )  # fmt: skip
    return chance


def _steps(step_s: float, uneven: float) -> Float:
    """Return the chances of the moves of one step, in the order of `best_path`."""
    wait, pause = min(0.3, _WAITS_A_SECOND * step_s), _PAUSES_A_SECOND * step_s
    end_wait, end_pause = min(0.7, step_s / _WAIT_S), min(0.7, step_s / _PAUSE_S)
    run = 1.0 - wait - pause - 2 * uneven
    return np.array(
        [run, uneven, uneven, wait, 1 - end_wait, end_wait, pause, 1 - end_pause, end_pause, _LEFT_OUT]
    )


def _ends(cells: int) -> tuple[Float, Float]:
    """Return the chances to begin at each cell, running and pausing, and to end there."""
    begin = np.full((2, cells), _NOT_FROM_START)
    begin[1] = 1e-12  # nobody begins to record in the middle of a pause
    begin[:, 0] = (0.1, 0.9)
    finish = np.full(cells, _NOT_TO_END)
    finish[-2:] = 1.0
    return begin, finish


def _band(cells: CourseCells, path: _Path | None, real_s: Float, half_s: float) -> tuple[Int, int]:
    """Return the first cell looked at for each time, and how many are."""
    count = len(cells.code)
    if path is None:
        return np.zeros(len(real_s), np.int64), count
    half = round(half_s / cells.step_s)
    middle = np.searchsorted(cells.time_s, np.interp(real_s, path.real_s, path.file_s))
    first = np.maximum.accumulate(np.clip(middle - half, 0, max(0, count - 1)))
    return first.astype(np.int64), min(count, 2 * half + 1)


def _rate_of(path: _Path, course: MachineCourse) -> Float:
    """Return times of the file and the real seconds that it took to come there, pauses and waits left out."""
    runs = (path.mode[1:] == RUNS) & (path.mode[:-1] == RUNS)
    plain = runs & (np.diff(path.cell) <= 2)  # more, and a stop was left out
    if plain.sum() < 20:
        return np.array([[0.0, course.length_s], [0.0, course.length_s]])
    knots = np.linspace(0.0, course.length_s, max(2, int(course.length_s // _KNOT_S) + 1))
    place = np.clip(np.searchsorted(knots, path.file_s[1:][plain]) - 1, 0, len(knots) - 2)
    spent = np.bincount(place, minlength=len(knots) - 1) * path.step_s
    gone = np.bincount(place, weights=np.diff(path.file_s)[plain], minlength=len(knots) - 1)
    overall = spent.sum() / max(1e-9, gone.sum())
    rates = np.clip((spent + _HARDLY_S * overall) / (gone + _HARDLY_S), 1 / _MOST_RATE, _MOST_RATE)
    return np.array([knots, np.concatenate([[0.0], np.cumsum(rates * np.diff(knots))])])
