"""The clock of one recording by what the alignment of another says that the machine did.

A camera that sees little (the bed and not the head, or a picture full of people) has little in common
with another camera's picture. But how the machine moved is known once another camera's recording is laid
along the course, and that is compared with more ease: at each offset and rate the motion signal is
explained as a sum of the kinds of moves, each with a weight of its own. What the sum explains is known
from chance by how much it explains at all other offsets, where it follows a chi-squared distribution, and
by the same signal played backwards, which has the same periods and means nothing.

Reference: H. Akaike, Information theory and an extension of the maximum likelihood principle (1973): half
the difference of two such sums is the difference of their log-likelihoods.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from twinlapse.arrays import Float, Int
from twinlapse.pairing.clock_ties import (
    MOST_RATE,
    ClockTie,
    level_signal,
    same_clock,
    wandering_tie,
    without_slow_change,
)
from twinlapse.pairing.clock_wander import BLOCK, REACH, STEP_S, wander_of
from twinlapse.pairing.course_alignment import CourseAlignment
from twinlapse.pairing.course_signature import KINDS
from twinlapse.pairing.learned_levels import CELL_S, LEVELS, Sight, level_ratios, sight_of
from twinlapse.pairing.motion_signal import MotionSignal
from twinlapse.records import ArrayRecord

__all__ = ["tie_by_course"]

_COARSE_S = 0.5  # half a second is less than a stop
_OVERLAP = 0.3  # of what the course has of motion, at least
_PEAK_S = 5.0  # about the peak
_CLEAR = 60.0  # 1 in 10^9 by chance with 7 kinds of moves; a million offsets are tried
_AHEAD = 1.3  # of every other offset, and of the signal played backwards
_BESIDE = np.arange(-40, 41)  # steps about the offset found first
_TILTS = np.arange(-8, 9, 2)  # steps by which the rate may be off over all
_PRIOR = 8.0  # samples' worth of what is believed of a level before anything is learned
_RARE = 1e-3  # share of a direction in the features below which it is noise


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class _Match(ArrayRecord):
    """The offset that explains most."""

    height: float  # in units in which chance gives the number of features
    second: float  # beside the peak
    rate: float
    offset_s: float  # from the begin of the alignment's grid


def tie_by_course(signal: MotionSignal, alignment: CourseAlignment) -> ClockTie | None:
    """Return the tie of a recording to the clock of an alignment; None when it is not clear.

    Parameters
    ----------
    signal : MotionSignal
        Of the recording to be tied.
    alignment : CourseAlignment
        Of others of the same run.
    """
    moves = without_slow_change(_moves(alignment, _COARSE_S), _COARSE_S)
    seen = level_signal(signal, _COARSE_S)
    basis = _white(moves)
    if len(basis) == 0:
        return None
    match, backwards = _best(seen, basis), _best(seen[::-1], basis)
    if match.height < max(_CLEAR, _AHEAD * match.second, _AHEAD * backwards.height):
        return None
    sight = sight_of(signal, same_clock(float(signal.time_s[-1])), 0.0, _cells(signal))
    tie = _nearby(sight, alignment, match)
    for _ in range(2):  # what the levels mean is learned anew where the first tie was a little off
        table = _table(sight, _kind_at(alignment, tie.there(_middles(sight))))
        wander = wander_of(_evidence(sight, table, alignment, match))
        tie = wandering_tie(wander, match.rate, alignment.begin_s + match.offset_s, "course")
    return tie


def _cells(signal: MotionSignal) -> int:
    return max(BLOCK, int(signal.time_s[-1] / CELL_S))


def _middles(sight: Sight) -> Float:
    return (np.arange(len(sight.level), dtype=np.float64) + 0.5) * CELL_S


def _kind_at(alignment: CourseAlignment, there_s: Float) -> Int:
    """Return the kinds of moves at times of the alignment's clock, -1 where nothing is known."""
    place = np.floor((there_s - alignment.begin_s) / CELL_S).astype(np.int64)
    inside = (place >= 0) & (place < len(alignment.kind))
    return np.where(inside, alignment.kind[np.clip(place, 0, len(alignment.kind) - 1)], -1)


def _nearby(sight: Sight, alignment: CourseAlignment, match: _Match) -> ClockTie:
    """Return the tie at the offset where the levels of motion tell most about the kinds of moves.

    The sum of kinds may fit as well where one travel lies upon the next, two seconds beside. Levels of
    their own for every kind tell them apart.
    """
    middle_s = _middles(sight)
    ends_s = np.array([0.0, len(sight.level) * CELL_S])
    best, there_s = -np.inf, ends_s
    for tilt in _TILTS:
        rate = match.rate + tilt * STEP_S / ends_s[1]
        first_s = alignment.begin_s + match.offset_s - 0.5 * tilt * STEP_S
        for lag in _BESIDE:
            told = _told(sight, _kind_at(alignment, first_s + lag * STEP_S + rate * middle_s))
            if told > best:
                best, there_s = told, first_s + lag * STEP_S + rate * ends_s
    return ClockTie(here_s=ends_s, there_s=there_s, rate=match.rate, source="course")


def _counts(sight: Sight, kind: Int) -> Float:
    used = (sight.level >= 0) & (kind >= 0)
    counts = np.zeros((1 + KINDS, LEVELS))
    np.add.at(counts, (kind[used], sight.level[used]), sight.weight[used])
    return counts


def _told(sight: Sight, kind: Int) -> float:
    """Return what levels tell about kinds: mutual information times samples, in nats."""
    counts = _counts(sight, kind)
    alone = counts.sum(axis=1, keepdims=True) * counts.sum(axis=0) / max(1e-9, counts.sum())
    some = counts > 0
    return float((counts[some] * np.log(counts[some] / alone[some])).sum())


def _table(sight: Sight, kind: Int) -> Float:
    """Return how much likelier each level is with a kind of move than at any time."""
    counts = _counts(sight, kind)
    shares = (counts.sum(axis=0) + 1.0) / (counts.sum() + LEVELS)
    return level_ratios((counts + _PRIOR * shares) / (counts.sum(axis=1, keepdims=True) + _PRIOR), shares)


def _evidence(sight: Sight, table: Float, alignment: CourseAlignment, match: _Match) -> Float:
    """Return the log-likelihood ratios of lags, as `wander_of` takes them."""
    parts = round(CELL_S / STEP_S)
    level, weight = np.repeat(sight.level, parts), np.repeat(sight.weight, parts) / parts
    blocks = len(level) // BLOCK
    level, weight = level[: blocks * BLOCK], weight[: blocks * BLOCK]
    here_s = (np.arange(-REACH, len(level) + REACH, dtype=np.float64) + 0.5) * STEP_S
    kind = _kind_at(alignment, alignment.begin_s + match.offset_s + match.rate * here_s)
    ratio = np.vstack([np.log(table), np.zeros((1, LEVELS))])  # kind -1 says nothing
    lags = [
        (ratio[kind[lag : lag + len(level)], level] * weight).reshape(blocks, -1).sum(axis=1)
        for lag in range(2 * REACH + 1)
    ]
    return np.array(lags).T


def _moves(alignment: CourseAlignment, step_s: float) -> Float:
    """Return the share of each kind of move in every step, less its mean, shape (1 + kinds, t).

    It is 0 in pauses, where nothing is known.
    """
    kind = alignment.kind
    share = (np.arange(1 + KINDS)[:, None] == kind).astype(np.float64)
    known = kind >= 0
    share -= known * (share.sum(axis=1) / max(1, known.sum()))[:, None]
    edges_s = np.arange(len(kind) + 1, dtype=np.float64) * CELL_S
    summed = np.pad(np.cumsum(share, axis=1), ((0, 0), (1, 0))) * CELL_S
    steps_s = np.arange(0.0, edges_s[-1] + 1e-9, step_s)
    return np.array([np.diff(np.interp(steps_s, edges_s, row)) for row in summed]) / step_s


def _white(moves: Float) -> Float:
    """Return the same as orthonormal rows, without directions that hardly occur."""
    power, directions = np.linalg.eigh(moves @ moves.T)
    kept = power > _RARE * max(1e-9, float(power[-1]))
    white: Float = (directions[:, kept] / np.sqrt(power[kept])).T @ moves
    return white


def _best(seen: Float, basis: Float) -> _Match:
    """Return the best of all offsets and rates."""
    size = 1 << int(np.ceil(np.log2(len(seen) * (1 + MOST_RATE) + basis.shape[1] + 1)))
    of_basis = np.fft.rfft(basis, size)
    of_power = np.fft.rfft((basis**2).sum(axis=0), size)
    step = _COARSE_S / max(60.0, len(seen) * _COARSE_S)  # half a sample off at both ends
    best, usual = _Match(height=0.0, second=0.0, rate=1.0, offset_s=0.0), []
    for rate in 1.0 + step * np.arange(-int(MOST_RATE / step), int(MOST_RATE / step) + 1):
        stretched = np.interp(np.arange(0.0, len(seen) * rate) / rate, np.arange(len(seen)), seen)
        lag = np.arange(1 - len(stretched), basis.shape[1])
        explained = (np.fft.irfft(of_basis * np.conj(np.fft.rfft(stretched, size)), size) ** 2).sum(axis=0)[
            lag
        ]
        inside = np.fft.irfft(of_power * np.conj(np.fft.rfft(np.ones(len(stretched)), size)), size)[lag]
        used = inside >= _OVERLAP * len(basis)
        if not used.any():
            continue
        height = explained[used] * len(basis) / inside[used]  # chance is as high everywhere
        usual.append(float(height.mean()) / len(basis))
        place = int(np.argmax(height))
        if height[place] > best.height:
            far = np.abs(lag[used] - lag[used][place]) > _PEAK_S / _COARSE_S
            best = _Match(
                height=float(height[place]),
                second=float(height[far].max(initial=0.0)),
                rate=float(rate),
                offset_s=float(lag[used][place]) * _COARSE_S,
            )
    unit = float(np.median(usual)) if usual else 0.0
    if unit <= 0:
        return best
    return _Match(
        height=best.height / unit, second=best.second / unit, rate=best.rate, offset_s=best.offset_s
    )
