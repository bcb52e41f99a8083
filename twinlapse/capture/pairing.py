"""Matching standstills found in a recording to the stops of a plan, by time alone.

Both are sequences in order, with gaps: stops that were missed, standstills that are none of the plan's (a
person's pause, a slow corner, a wait for heat). The alignment is monotone and found by dynamic programming
over the last pair matched; what a pair costs is how far the time since the pair before it deviates from the
plan. The recorder's clock may run fast or slow by a constant share, which is estimated and taken out, and any
gap may have grown by a pause, which has a fixed price.

Reference for the method: H. Sakoe and S. Chiba, Dynamic programming algorithm optimization for spoken word
recognition, IEEE Trans. ASSP 26 (1978); here with skips on both sides, as in sequence alignment.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from twinlapse.shots import Plan

_LOOK_BACK = 10  # most stops or standstills in a row that may go without a partner
_SIGMA_S = 0.35  # how far a gap deviates that is right: the frame grid, the firmware's lag
_SIGMA_SHARE = 0.01  # and this share of its length
# Prices are negative log-likelihoods, less that of a good pair, for a print with a shot every 75 s of which
# 5 % are missed: -log 0.05; strays come at 0.3 a shot, against the density of a pair within a second;
# a pause stretches 2 gaps in 130 by anything up to a quarter of an hour.
_MISS, _FALSE, _PAUSE = 3.0, 4.4, 10.0
_LENGTH_SIGMA_S = 0.4


@dataclass(frozen=True, slots=True, kw_only=True)
class Standstill:
    """A while in which nothing moved in a recording."""

    start_s: float
    end_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Match:
    """A stop of the plan and its standstill."""

    shot: int
    stop: int
    index: int  # of the standstill
    confidence: float  # 0 to 1


@dataclass(frozen=True, slots=True, kw_only=True)
class Alignment:
    """What belongs together."""

    matches: tuple[Match, ...]
    missed: tuple[tuple[int, int], ...]  # (shot, stop) without a standstill
    stray: tuple[int, ...]  # standstills without a stop
    clock: float  # seconds of the recording that one second of the plan took

    @property
    def doubtful(self) -> tuple[Match, ...]:
        """Matches that a person should look at."""
        return tuple(match for match in self.matches if match.confidence < 0.5)


@dataclass(frozen=True, slots=True, kw_only=True)
class Schedule:
    """The stops of a plan in order: which, when they begin, how long they last."""

    stops: tuple[tuple[int, int], ...]
    start_s: NDArray[np.float64]
    length_s: NDArray[np.float64]


def schedule_of(plan: Plan) -> Schedule:
    """Return when each stop of a plan is due, counting the time that the shots before it added."""
    stops, starts, lengths = [], [], []
    added_s = 0.0
    for shot in plan.shots:
        dwells_s = sum(stop.dwell_s for stop in shot.stops)
        travel_s = max(0.0, shot.cost_s - dwells_s) / (len(shot.stops) + 1)
        at_s = shot.at_s + added_s
        for number, stop in enumerate(shot.stops, 1):
            at_s += travel_s
            stops.append((shot.number, number))
            starts.append(at_s)
            lengths.append(stop.dwell_s)
            at_s += stop.dwell_s
        added_s += shot.cost_s
    return Schedule(stops=tuple(stops), start_s=np.array(starts), length_s=np.array(lengths))


def align(schedule: Schedule, found: list[Standstill]) -> Alignment:
    """Match standstills to stops.

    Parameters
    ----------
    schedule : Schedule
        n stops.
    found : list of Standstill
        m standstills in order of time.

    Returns
    -------
    Alignment
        Every stop is matched or missed, every standstill matched or stray.
    """
    start_s = np.array([still.start_s for still in found])
    length_s = np.array([still.end_s - still.start_s for still in found])
    clock = 1.0
    pairs: list[tuple[int, int]] = []
    for _ in range(3):  # each pass knows the clock better
        pairs = _best_path(schedule, start_s, length_s, clock)
        refined = _clock_of(schedule.start_s, start_s, pairs)
        if abs(refined - clock) < 1e-5:
            break
        clock = refined
    confidence = _confidence(schedule, start_s, length_s, pairs, clock)
    matches = tuple(
        Match(shot=schedule.stops[i][0], stop=schedule.stops[i][1], index=j, confidence=float(c))
        for (i, j), c in zip(pairs, confidence, strict=True)
    )
    with_partner, used = {i for i, _ in pairs}, {j for _, j in pairs}
    return Alignment(
        matches=matches,
        missed=tuple(stop for i, stop in enumerate(schedule.stops) if i not in with_partner),
        stray=tuple(j for j in range(len(found)) if j not in used),
        clock=clock,
    )


def _pair_cost(schedule: Schedule, length_s: NDArray[np.float64]) -> NDArray[np.float64]:
    # a standstill may be longer than its dwell (it includes settling), hardly shorter
    off_s = length_s[None, :] - schedule.length_s[:, None]
    cost: NDArray[np.float64] = np.minimum(
        np.where(off_s < 0, off_s, 0.5 * off_s) ** 2 / _LENGTH_SIGMA_S**2, 8.0
    )
    return cost


def _gap_cost(planned_s: NDArray[np.float64], real_s: NDArray[np.float64]) -> NDArray[np.float64]:
    sigma_s = _SIGMA_S + _SIGMA_SHARE * planned_s
    off = (real_s - planned_s) / sigma_s
    # a pause makes a gap longer and never shorter
    cap = np.where(off > 0, _PAUSE, 1e3)
    cost: NDArray[np.float64] = np.minimum(0.5 * off**2, cap)
    return cost


def _best_path(
    schedule: Schedule, start_s: NDArray[np.float64], length_s: NDArray[np.float64], clock: float
) -> list[tuple[int, int]]:
    n, m = len(schedule.stops), len(start_s)
    if n == 0 or m == 0:
        return []
    planned_s = schedule.start_s * clock
    own = _pair_cost(schedule, length_s)
    # best[i, j]: cheapest way on which stop i and standstill j are the last pair; begins anywhere
    best = own + _MISS * np.arange(n)[:, None] + _FALSE * np.arange(m)[None, :]
    came = np.full((n, m), -1, dtype=np.int64)
    for i in range(1, n):
        backs = np.arange(min(_LOOK_BACK, i), 0, -1)[:, None]
        gaps_s = planned_s[i] - planned_s[i - backs]
        before = best[i - len(backs) : i]
        for skip in range(1, min(_LOOK_BACK, m - 1) + 1):
            ways = (
                before[:, :-skip] + _gap_cost(gaps_s, start_s[skip:] - start_s[:-skip]) + _MISS * (backs - 1)
            )
            row = np.argmin(ways, axis=0)
            way = ways[row, np.arange(m - skip)] + own[i, skip:] + _FALSE * (skip - 1)
            better = way < best[i, skip:]
            best[i, skip:][better] = way[better]
            came[i, skip:][better] = (backs[row, 0] * (_LOOK_BACK + 1) + skip)[better]
    ends = best + _MISS * np.arange(n)[::-1, None] + _FALSE * np.arange(m)[None, ::-1]
    if ends.min() >= _MISS * n + _FALSE * m:
        return []
    i, j = (int(place) for place in np.unravel_index(np.argmin(ends), ends.shape))
    pairs = [(i, j)]
    while came[i, j] >= 0:
        back, skip = divmod(int(came[i, j]), _LOOK_BACK + 1)
        i, j = i - back, j - skip
        pairs.append((i, j))
    return pairs[::-1]


def _clock_of(
    planned_s: NDArray[np.float64], start_s: NDArray[np.float64], pairs: list[tuple[int, int]]
) -> float:
    """Median of the pace between neighbouring pairs, weighted by distance; pauses are outliers of it."""
    if len(pairs) < 8:
        return 1.0
    i, j = np.array(pairs).T
    planned, real = np.diff(planned_s[i]), np.diff(start_s[j])
    pace = real / np.maximum(planned, 1e-9)
    order = np.argsort(pace)
    weight = np.cumsum(planned[order])
    clock = float(pace[order][np.searchsorted(weight, 0.5 * weight[-1])])
    near = np.abs(pace - clock) < 0.02  # the mean of the good ones is finer than the median
    return float(real[near].sum() / planned[near].sum()) if near.any() else clock


def _confidence(
    schedule: Schedule, start_s: NDArray[np.float64], length_s: NDArray[np.float64],
    pairs: list[tuple[int, int]], clock: float,
) -> NDArray[np.float64]:  # fmt: skip
    """How well a pair fits its better neighbour and its own length, 1 for exactly."""
    if not pairs:
        return np.zeros(0)
    i, j = np.array(pairs).T
    gaps = np.diff(schedule.start_s[i]) * clock
    off = np.abs(np.diff(start_s[j]) - gaps) / (_SIGMA_S + _SIGMA_SHARE * gaps)
    around = np.minimum(np.concatenate([[np.inf], off]), np.concatenate([off, [np.inf]]))
    own = _pair_cost(schedule, length_s)[i, j]
    value: NDArray[np.float64] = np.exp(-0.125 * np.minimum(around, 40.0) ** 2 - 0.125 * own)
    return value
