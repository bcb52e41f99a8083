"""Compiled loops that lay the course of a machine against what was seen of it.

A state is a cell of the course and a mode: the machine *runs* along the course, *waits* a moment where it
is, or *pauses* there for any time while anything may happen. `best_path` finds the likeliest path (A.
Viterbi, Error bounds for convolutional codes, IEEE Trans. IT-13, 1967), `stop_chances` sums over all
paths (L. R. Rabiner, A tutorial on hidden Markov models, Proc. IEEE 77, 1989, forward and backward).

Moves of one step, in the order of the array `step`: advance by one cell, stay, advance by two; begin to
wait, go on waiting, end the wait; begin a pause, go on pausing, end it; leave out a stop.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from twinlapse.arrays import Float, Float32, Int
from twinlapse.jit import kernel, part_of_kernel

__all__ = ["PAUSES", "RUNS", "WAITS", "best_path", "fill_best_path", "fill_stop_chances", "stop_chances"]

RUNS, WAITS, PAUSES = 0, 1, 2
_NEVER = -1e30
_KEPT = 256  # times between kept rows: about the root of an hour at five a second


def best_path(
    evidence: Float32,
    code: Int,
    skip_from: Int,
    first: Int,
    width: int,
    step: Float,
    begin: Float,
    finish: Float,
    path: Int,
) -> float:
    """Set `path` to cell and mode at every time, shape (t, 2), of the likeliest path.

    Returns its log-likelihood.

    Parameters
    ----------
    evidence : ndarray of shape (t, codes + 1)
        Log-likelihood ratio of what was seen, for each code of a cell; the last column for a pause.
        Code 0 is that of a machine that stands.
    code : ndarray of shape (s,)
    skip_from : ndarray of shape (s,)
        The cell from which a left-out stop leads here, -1 for none.
    first : ndarray of shape (t,)
        First cell looked at at each time; never falls.
    width : int
        Cells looked at.
    step : ndarray of shape (10,)
        Logarithms of the chances of the moves.
    begin : ndarray of shape (2, s)
        Log chance to begin at a cell, running or pausing.
    finish : ndarray of shape (s,)
    """
    came = np.zeros((len(evidence), width), np.uint8)
    rows = np.full((2, 3, width), _NEVER)
    return fill_best_path(evidence, code, skip_from, first, width, step, begin, finish, path, came, rows)


@kernel
def fill_best_path(
    evidence: Any, code: Any, skip_from: Any, first: Any, width: int, step: Any, begin: Any, finish: Any,
    path: Any, came: Any, rows: Any,
) -> float:  # fmt: skip
    """Do what `best_path` does, in the room of ``came`` (t, width) and ``rows`` (2, 3, width)."""
    times, cells = evidence.shape[0], code.shape[0]
    pause = evidence.shape[1] - 1
    before, now = rows[0], rows[1]
    for t in range(times):
        shift = first[t] - first[t - 1] if t else 0
        for k in range(width):
            s = first[t] + k
            if s >= cells:
                now[0, k] = now[1, k] = now[2, k] = _NEVER
                continue
            if t == 0:
                now[0, k] = begin[0, s] + evidence[0, code[s]]
                now[1, k] = _NEVER
                now[2, k] = begin[1, s] + evidence[0, pause]
                continue
            p = k + shift  # place of this cell in the row before
            best, how = _NEVER, 0
            if 0 <= p - 1 < width:
                value = before[0, p - 1] + step[0]
                if value > best:
                    best, how = value, 0
                value = before[1, p - 1] + step[5]
                if value > best:
                    best, how = value, 3
                value = before[2, p - 1] + step[8]
                if value > best:
                    best, how = value, 4
            if p < width:
                value = before[0, p] + step[1]
                if value > best:
                    best, how = value, 1
            if 0 <= p - 2 < width:
                value = before[0, p - 2] + step[2]
                if value > best:
                    best, how = value, 2
            if skip_from[s] >= 0:
                p = skip_from[s] - first[t - 1]
                if 0 <= p < width:
                    value = before[0, p] + step[9]
                    if value > best:
                        best, how = value, 5
            p = k + shift
            now[0, k] = best + evidence[t, code[s]]
            stands, waits, pauses = _NEVER, _NEVER, _NEVER
            if p < width:
                stands, waits, pauses = before[0, p], before[1, p], before[2, p]
            if stands + step[3] > waits + step[4]:
                now[1, k] = stands + step[3] + evidence[t, 0]
            else:
                now[1, k] = waits + step[4] + evidence[t, 0]
                how |= 8
            if stands + step[6] > pauses + step[7]:
                now[2, k] = stands + step[6] + evidence[t, pause]
            else:
                now[2, k] = pauses + step[7] + evidence[t, pause]
                how |= 16
            came[t, k] = how
        before, now = now, before
    best, s, mode = 2 * _NEVER, 0, 0
    for k in range(width):
        if first[times - 1] + k < cells:
            for m in range(3):
                value = before[m, k] + finish[first[times - 1] + k]
                if value > best:
                    best, s, mode = value, first[times - 1] + k, m
    for t in range(times - 1, -1, -1):
        path[t, 0], path[t, 1] = s, mode
        how = came[t, s - first[t]]
        if mode == 0:
            way = how & 7
            if way == 0:
                s -= 1
            elif way == 2:
                s -= 2
            elif way == 3:
                s, mode = s - 1, 1
            elif way == 4:
                s, mode = s - 1, 2
            elif way == 5:
                s = skip_from[s]
        elif mode == 1:
            mode = 1 if how & 8 else 0
        else:
            mode = 2 if how & 16 else 0
    return best


@part_of_kernel
def _ahead(
    t: int,
    before: Float32,
    now: Float32,
    likelihood: Float32,
    code: Int,
    skip_from: Int,
    first: Int,
    step: Float,
    begin: Float,
) -> None:
    """Set `now`, shape (3, width), to the chances of the states, given those of the time before."""
    width, cells, pause = now.shape[1], code.shape[0], likelihood.shape[1] - 1
    shift = first[t] - first[t - 1] if t else 0
    total = 0.0
    for k in range(width):
        s = first[t] + k
        runs, waits, pauses = 0.0, 0.0, 0.0
        if s >= cells:
            now[0, k] = now[1, k] = now[2, k] = 0.0
            continue
        if t == 0:
            runs, pauses = begin[0, s], begin[1, s]
        else:
            p = k + shift
            if 0 <= p - 1 < width:
                runs += before[0, p - 1] * step[0] + before[1, p - 1] * step[5] + before[2, p - 1] * step[8]
            if 0 <= p - 2 < width:
                runs += before[0, p - 2] * step[2]
            if p < width:
                runs += before[0, p] * step[1]
                waits = before[0, p] * step[3] + before[1, p] * step[4]
                pauses = before[0, p] * step[6] + before[2, p] * step[7]
            if skip_from[s] >= 0:
                p = skip_from[s] - first[t - 1]
                if 0 <= p < width:
                    runs += before[0, p] * step[9]
        now[0, k] = runs * likelihood[t, code[s]]
        now[1, k] = waits * likelihood[t, 0]
        now[2, k] = pauses * likelihood[t, pause]
        total += now[0, k] + now[1, k] + now[2, k]
    if total > 0:
        for m in range(3):
            for k in range(width):
                now[m, k] /= total


@part_of_kernel
def _behind(
    t: int,
    later: Float,
    now: Float,
    likelihood: Float32,
    code: Int,
    skip_from: Int,
    first: Int,
    step: Float,
) -> None:
    """Set `now` to how well the states explain what comes later, given the same of the time after."""
    width, cells, pause = now.shape[1], code.shape[0], likelihood.shape[1] - 1
    shift = first[t + 1] - first[t]
    for m in range(3):
        for k in range(width):
            now[m, k] = 0.0
    for k in range(width):
        s = first[t + 1] + k
        if s >= cells:
            break
        runs = later[0, k] * likelihood[t + 1, code[s]]
        waits = later[1, k] * likelihood[t + 1, 0]
        pauses = later[2, k] * likelihood[t + 1, pause]
        p = k + shift
        if 0 <= p - 1 < width:
            now[0, p - 1] += runs * step[0]
            now[1, p - 1] += runs * step[5]
            now[2, p - 1] += runs * step[8]
        if 0 <= p - 2 < width:
            now[0, p - 2] += runs * step[2]
        if p < width:
            now[0, p] += runs * step[1] + waits * step[3] + pauses * step[6]
            now[1, p] += waits * step[4]
            now[2, p] += pauses * step[7]
        if skip_from[s] >= 0:
            p = skip_from[s] - first[t]
            if 0 <= p < width:
                now[0, p] += runs * step[9]
    total = 0.0
    for m in range(3):
        for k in range(width):
            total += now[m, k]
    if total > 0:
        for m in range(3):
            for k in range(width):
                now[m, k] /= total


@part_of_kernel
def _copy(table: Any, to: Any) -> None:
    for m in range(table.shape[0]):
        for k in range(table.shape[1]):
            to[m, k] = table[m, k]


def stop_chances(
    likelihood: Float32,
    code: Int,
    skip_from: Int,
    stop: Int,
    first: Int,
    width: int,
    step: Float,
    begin: Float,
    finish: Float,
    chance: Float32,
) -> None:
    """Set the chance that the machine stands at each stop, over all paths.

    The way ahead is kept at every 256th time and run again from there on the way back, so that memory grows
    with the root of what is looked at.

    Parameters
    ----------
    likelihood, step, begin, finish : ndarrays
        As in `best_path`, but plain and not logarithms.
    stop : ndarray of shape (s,)
        The stop that a cell belongs to, -1 for none.
    chance : ndarray of shape (t, 2)
        Is set to the likeliest stop at each time, -1 for none, and its chance.
    """
    kept = np.zeros(((len(likelihood) + _KEPT - 1) // _KEPT, 3, width), np.float32)
    ahead, rows = np.zeros((_KEPT, 3, width), np.float32), np.zeros((2, 3, width), np.float32)
    fill_stop_chances(
        likelihood, code, skip_from, stop, first, width, step, begin, finish, chance, kept, ahead, rows,
        np.zeros((2, 3, width)),
    )  # fmt: skip


@kernel
def fill_stop_chances(
    likelihood: Any, code: Any, skip_from: Any, stop: Any, first: Any, width: int, step: Any, begin: Any,
    finish: Any, chance: Any, kept: Any, ahead: Any, rows: Any, back: Any,
) -> None:  # fmt: skip
    """Do what `stop_chances` does, in the room of zeros in the last four arrays."""
    times, cells = likelihood.shape[0], code.shape[0]
    before, now = rows[0], rows[1]
    for t in range(times):
        _ahead(t, before, now, likelihood, code, skip_from, first, step, begin)
        if t % _KEPT == 0:
            _copy(now, kept[t // _KEPT])
        before, now = now, before
    later, behind = back[0], back[1]
    for t in range(times - 1, -1, -1):
        place = t % _KEPT
        if t == times - 1 or place == _KEPT - 1:
            _copy(kept[t // _KEPT], ahead[0])
            for u in range(1, place + 1):
                at = t - place + u
                _ahead(at, ahead[u - 1], ahead[u], likelihood, code, skip_from, first, step, begin)
        if t == times - 1:
            for k in range(width):
                if first[t] + k < cells:
                    for m in range(3):
                        behind[m, k] = finish[first[t] + k]
        else:
            _behind(t, later, behind, likelihood, code, skip_from, first, step)
        whole = 0.0
        for m in range(3):
            for k in range(width):
                whole += ahead[place, m, k] * behind[m, k]
        chance[t, 0], chance[t, 1] = -1.0, 0.0
        running, last = 0.0, -1
        for k in range(width):
            s = first[t] + k
            if s >= cells or whole <= 0:
                break
            if stop[s] != last:
                running, last = 0.0, stop[s]
            if last >= 0:
                running += (ahead[place, 0, k] * behind[0, k] + ahead[place, 1, k] * behind[1, k]) / whole
                if running > chance[t, 1]:
                    chance[t, 0], chance[t, 1] = last, running
        later, behind = behind, later
