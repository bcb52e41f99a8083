"""Matching standstills found in a recording to the stops of a plan.

The chain of pairs is found by time (`twinlapse.pairing.sequence_alignment`), in a few passes: each knows the
recorder's clock, how long a standstill looks for its dwell, and what the stops look like, better than
the one before.
A pair is as sure as all the chains together say that hold it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from twinlapse.arrays import Float
from twinlapse.pairing.appearance import Looks, unlikeness
from twinlapse.pairing.sequence_alignment import Problem, best_chain, probabilities
from twinlapse.rig import rig_from_mapping
from twinlapse.shots import Plan

DOUBT = 0.95  # a pair that is less sure should be looked at
_PASSES = 4
_SHARE = (0.02, 0.01)  # how much of a gap the plan may be off: while the clock is unknown, then
_LENGTH_SIGMA_S = (0.15, 0.5)  # of a standstill about its dwell: at least, and while unknown
_STRAY_LENGTHS_S = 3.0  # strays are of all lengths up to about this
_NEAR_S = 0.5  # a gap that tells the clock deviates by less
_ALONE = 4.0  # how much it speaks against a pair that another camera saw something move
_TOO_SHORT, _TOO_LONG = 6.0, 4.0  # most that length speaks against a pair: a stray may have joined it


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
        return tuple(match for match in self.matches if match.confidence < DOUBT)


@dataclass(frozen=True, slots=True, kw_only=True)
class Schedule:
    """The stops of a plan in order: which, when they begin, how long they last."""

    stops: tuple[tuple[int, int], ...]
    start_s: NDArray[np.float64]
    length_s: NDArray[np.float64]
    kind: NDArray[np.int64] | None = None  # (n,) stops of one kind look alike; None: the number in the shot


def schedule_of(plan: Plan) -> Schedule:
    """Return when each stop of a plan is due, counting the time that the shots before it added.

    A stop begins to settle when the machine has come to stand, so that counts as its length.
    """
    settle_s = (
        {camera.name: camera.settle_s for camera in rig_from_mapping(plan.rig).cameras} if plan.rig else {}
    )
    stops, starts, lengths, cameras = [], [], [], []
    added_s = 0.0
    for shot in plan.shots:
        own_s = [
            stop.dwell_s + max((settle_s.get(name, 0.0) for name in stop.cameras), default=0.0)
            for stop in shot.stops
        ]
        travel_s = max(0.0, shot.cost_s - sum(own_s)) / (len(shot.stops) + 1)
        at_s = shot.at_s + added_s
        for number, length_s in enumerate(own_s, 1):
            at_s += travel_s
            stops.append((shot.number, number))
            starts.append(at_s)
            lengths.append(length_s)
            cameras.append(shot.stops[number - 1].cameras)
            at_s += length_s
        added_s += shot.cost_s
    groups = list(dict.fromkeys(cameras))
    return Schedule(
        stops=tuple(stops),
        start_s=np.array(starts),
        length_s=np.array(lengths),
        kind=np.array([groups.index(group) for group in cameras], dtype=np.int64),
    )


def align(
    schedule: Schedule,
    found: list[Standstill],
    *,
    span_s: tuple[float, float] | None = None,
    looks: Sequence[Looks] = (),
    alone: NDArray[np.bool_] | None = None,
) -> Alignment:
    """Match standstills to stops.

    Parameters
    ----------
    schedule : Schedule
        n stops.
    found : list of Standstill
        m standstills in order of time.
    span_s : (start, end), optional
        What the recording covers  [default: from the first standstill to the last].
    looks : sequence of ndarrays of shape (m, pixels)
        Small even-lit pictures of each standstill, one array a camera.
    alone : ndarray of shape (m,), optional
        Whether another camera saw something move meanwhile.

    Returns
    -------
    Alignment
        Every stop is matched or missed, every standstill matched or stray.
    """
    start_s = np.array([still.start_s for still in found])
    end_s = np.array([still.end_s for still in found])
    if span_s is None:
        span_s = (float(start_s[0]), float(end_s[-1])) if found else (0.0, 0.0)
    sight = _Sight(clock=1.0, longer_s=0.0, sigma_s=_LENGTH_SIGMA_S[1], share=_SHARE[0])
    pairs: list[tuple[int, int]] = []
    doubted = np.zeros(len(found)) if alone is None else _ALONE * alone
    unlike: Float = np.tile(doubted, (len(schedule.stops), 1))
    for _ in range(_PASSES):
        problem = _problem(schedule, start_s, end_s, span_s, sight, unlike)
        pairs, before = best_chain(problem), pairs
        if pairs == before:
            break
        sight = _learn(schedule, start_s, end_s, pairs)
        unlike = np.tile(doubted, (len(schedule.stops), 1))
        for look in looks:
            unlike += unlikeness(look, _kind_of(schedule), pairs)
    chance = probabilities(problem)
    matches = tuple(
        Match(shot=schedule.stops[i][0], stop=schedule.stops[i][1], index=j, confidence=float(chance[i, j]))
        for i, j in pairs
    )
    with_partner, used = {i for i, _ in pairs}, {j for _, j in pairs}
    return Alignment(
        matches=matches,
        missed=tuple(stop for i, stop in enumerate(schedule.stops) if i not in with_partner),
        stray=tuple(j for j in range(len(found)) if j not in used),
        clock=sight.clock,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Sight:
    """How a recording sees the plan."""

    clock: float
    longer_s: float  # a standstill than its dwell
    sigma_s: float  # of that
    share: float  # how much of a gap the plan may be off


def _problem(
    schedule: Schedule,
    start_s: Float,
    end_s: Float,
    span_s: tuple[float, float],
    sight: _Sight,
    unlike: Float,
) -> Problem:
    off_s = (end_s - start_s)[None, :] - schedule.length_s[:, None] * sight.clock - sight.longer_s
    most = np.where(off_s < 0, _TOO_SHORT, _TOO_LONG)
    length_cost = np.minimum(0.5 * (off_s / sight.sigma_s) ** 2, most)
    norm = np.log(np.sqrt(2 * np.pi) * sight.sigma_s / _STRAY_LENGTHS_S)
    return Problem(
        due_s=schedule.start_s * sight.clock - 0.5 * sight.longer_s,
        dwell_s=schedule.length_s * sight.clock + sight.longer_s,
        start_s=start_s,
        end_s=end_s,
        own=length_cost + norm + unlike,
        span_s=span_s,
        share=sight.share,
    )


def _kind_of(schedule: Schedule) -> NDArray[np.int64]:
    return np.array([stop for _, stop in schedule.stops]) if schedule.kind is None else schedule.kind


def _learn(schedule: Schedule, start_s: Float, end_s: Float, pairs: list[tuple[int, int]]) -> _Sight:
    """Return what a chain of pairs says of the recording."""
    if len(pairs) < 8:
        return _Sight(clock=1.0, longer_s=0.0, sigma_s=_LENGTH_SIGMA_S[1], share=_SHARE[0])
    i, j = np.array(pairs).T
    clock = _clock_of(schedule.start_s, start_s, i, j)
    longer = (end_s - start_s)[j] - clock * schedule.length_s[i]
    longer_s = float(np.median(longer))
    spread = 1.4826 * float(np.median(np.abs(longer - longer_s)))
    return _Sight(
        clock=clock,
        longer_s=longer_s,
        sigma_s=min(max(spread, _LENGTH_SIGMA_S[0]), _LENGTH_SIGMA_S[1]),
        share=_SHARE[1],
    )


def _clock_of(planned_s: Float, start_s: Float, i: NDArray[np.int64], j: NDArray[np.int64]) -> float:
    """Median of the pace between neighbouring pairs, weighted by distance; pauses are outliers of it."""
    real, planned = np.diff(start_s[j]), np.diff(planned_s[i])
    bare = (np.diff(i) == 1) & (np.diff(j) == 1)  # nothing lies between
    if bare.sum() >= 8:
        real, planned = real[bare], planned[bare]
    pace = real / np.maximum(planned, 1e-9)
    order = np.argsort(pace)
    weight = np.cumsum(planned[order])
    clock = float(pace[order][np.searchsorted(weight, 0.5 * weight[-1])])
    # the mean of the good ones is finer than the median
    near = np.abs(real - clock * planned) < _NEAR_S + _SHARE[1] * planned
    return float(real[near].sum() / planned[near].sum()) if near.any() else clock
