"""The chain of pairs that explains a recording best, and how sure each pair of it is.

Stops of a plan and standstills of a recording are both in order, with gaps. A chain pairs some of them; what
it costs is a negative log-likelihood, less that of the background. What lies between two pairs is told by
time: a stray standstill delays what follows by as long as it lasts, a stop that the machine left out brings
it forward, a pause that nobody sees delays it by anything, and nothing makes it come much too early. So the
time between two pairs is explained to a fraction of a second, and a chain that slips by a whole layer has to
pay for the shot that it misses at one place and the stray that it makes at another, even when all layers take
equally long.

References: H. Sakoe and S. Chiba, Dynamic programming algorithm optimization for spoken word recognition,
IEEE Trans. ASSP 26 (1978), here with skips on both sides; L. R. Rabiner, A tutorial on hidden Markov models,
Proc. IEEE 77 (1989), for the forward and backward sums.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from twinlapse.arrays import Float

_BACK, _SKIP = 8, 12  # most stops, standstills that may lie between two pairs, plus one
_SIGMA_S = 0.25  # how far a start is off: the grid of pictures, the firmware's lag
_STRAY_SIGMA_S, _STRAY_SHARE = 0.15, 0.02  # what is not known of a stray's delay
# Prices are for a print of which 5 % of the stops are missed and strays come at 0.3 a stop; a pause that
# does not show stretches 2 gaps in 130 by anything up to a quarter of an hour.
MISS, STRAY = 3.0, 4.0
_PAUSE, _EARLY, _EARLY_S = 10.0, 11.0, 4.0  # too late; too early, at most by so much
_OTHERWISE = 1.5  # strays that delay nothing, as the plan's own waits, or of which only the longest delays
_OUTSIDE = 4.0  # a recording that does not hold the whole print
_FAR = 1e3


@dataclass(frozen=True, slots=True, kw_only=True)
class Problem:
    """Stops and standstills that look for each other."""

    due_s: Float  # (n,) when the stops are due, by the recording's clock, from any origin
    dwell_s: Float  # (n,) how long the machine stands there
    start_s: Float  # (m,) of the standstills
    end_s: Float  # (m,)
    own: Float  # (n, m) cost of a pair for what it is, whenever it is
    span_s: tuple[float, float]  # what the recording covers
    share: float  # how much of a gap the plan may be off

    def reversed(self) -> Problem:
        """Return the same, looked at from the end."""
        return replace(
            self,
            due_s=-(self.due_s + self.dwell_s)[::-1],
            dwell_s=self.dwell_s[::-1],
            start_s=-self.end_s[::-1],
            end_s=-self.start_s[::-1],
            own=self.own[::-1, ::-1],
            span_s=(-self.span_s[1], -self.span_s[0]),
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Between:
    """What lies between the end of the standstill s + 1 before j and the start of j, shape (m, _SKIP)."""

    real_s: Float  # nan where there is none
    strays_s: Float
    longest_s: Float
    count: NDArray[np.int64]  # (_SKIP,) strays


def best_chain(problem: Problem) -> list[tuple[int, int]]:
    """Return the cheapest chain as pairs of stop and standstill; empty when no pair is worth it."""
    n, m = problem.own.shape
    if n == 0 or m == 0:
        return []
    best, came = _forward(problem, likeliest=True)
    ends = best + _ends(problem.reversed())[::-1, ::-1]
    if ends.min() >= _nothing(problem):
        return []
    i, j = (int(place) for place in np.unravel_index(np.argmin(ends), ends.shape))
    pairs = [(i, j)]
    while came[i, j] >= 0:
        back, skip = divmod(int(came[i, j]), _SKIP)
        i, j = i - back - 1, j - skip - 1
        pairs.append((i, j))
    return pairs[::-1]


def probabilities(problem: Problem) -> Float:
    """Return how likely each pair is over all chains, shape (n, m)."""
    if 0 in problem.own.shape:
        return np.zeros(problem.own.shape)
    ahead, _ = _forward(problem, likeliest=False)
    behind, _ = _forward(problem.reversed(), likeliest=False)
    behind = behind[::-1, ::-1]
    whole = np.append((ahead + _ends(problem.reversed())[::-1, ::-1]).ravel(), _nothing(problem))
    total = -np.logaddexp.reduce(-whole)
    chance: Float = np.exp(np.minimum(0.0, total - (ahead + behind - problem.own)))
    return chance


def _nothing(problem: Problem) -> float:
    n, m = problem.own.shape
    return float(MISS * n + STRAY * m)


def _ends(problem: Problem) -> Float:
    """Cost of all that comes before a first pair, shape (n, m).

    Stops that were due before the recording began are not missed; that it began late has its price.
    """
    n, m = problem.own.shape
    earliest = problem.due_s[:, None] - (problem.start_s[None, :] - problem.span_s[0])
    outside = np.searchsorted(problem.due_s, earliest.ravel()).reshape(n, m)
    outside = np.minimum(outside, np.arange(n)[:, None])
    inside = np.arange(n)[:, None] - outside
    cost: Float = MISS * inside + np.minimum(_OUTSIDE, MISS * outside) + STRAY * np.arange(m)[None, :]
    return cost


def _between(problem: Problem) -> _Between:
    m = len(problem.start_s)
    real_s, strays_s, longest_s = np.full((3, m, _SKIP), np.nan)
    length_s = problem.end_s - problem.start_s
    sums = np.concatenate([[0.0], np.cumsum(length_s)])
    longest = np.zeros(m)
    for skip in range(min(_SKIP, m - 1)):
        here, there = slice(skip + 1, m), slice(0, m - skip - 1)
        real_s[here, skip] = problem.start_s[here] - problem.end_s[there]
        strays_s[here, skip] = sums[skip + 1 : m] - sums[1 : m - skip]
        if skip:
            longest[here] = np.maximum(longest[here], length_s[1 : m - skip])
        longest_s[here, skip] = longest[here]
    return _Between(real_s=real_s, strays_s=strays_s, longest_s=longest_s, count=np.arange(_SKIP))


def _gap_cost(planned_s: Float, missed_s: Float, between: _Between, share: float) -> Float:
    """Cost of the time between two pairs, shape (backs, m, _SKIP)."""
    planned_s, missed_s = planned_s[:, None, None], missed_s[:, None, None]
    variance = _SIGMA_S**2 + (share * planned_s) ** 2 + (_STRAY_SIGMA_S**2 * between.count)[None, None, :]
    late_s = between.real_s[None] - planned_s
    none, otherwise = np.zeros_like(between.strays_s), np.where(between.count > 0, _OTHERWISE, 0.0)
    ways = [
        (between.strays_s, np.zeros_like(otherwise)),
        (none, otherwise),
        (between.longest_s, otherwise),
    ]
    # the machine stood at a stop that was missed, or it left it out
    cost = np.full(late_s.shape, _FAR)
    for delay_s, price in ways:
        off_s, spread = late_s - delay_s, variance + (_STRAY_SHARE * delay_s) ** 2
        norm = price + 0.5 * np.log(spread / _SIGMA_S**2)
        left_out = off_s + missed_s
        nearer = np.minimum(off_s**2, left_out**2)
        cost = np.fmin(cost, 0.5 * nearer / spread + norm)
        tail = np.where(off_s > 0, _PAUSE, np.where(off_s > -_EARLY_S, _EARLY, _FAR)) + price
        cost = np.fmin(cost, np.where(np.isnan(off_s), _FAR, tail))
    return cost


def _forward(problem: Problem, *, likeliest: bool) -> tuple[Float, NDArray[np.int64]]:
    """Cost of all that comes before and of the pair itself: of the best chain, or of all chains together."""
    n, m = problem.own.shape
    between = _between(problem)
    cost = problem.own + _ends(problem)
    came = np.full((n, m), -1, dtype=np.int64)
    source = np.arange(m)[:, None] - np.arange(_SKIP)[None, :] - 1
    stray = STRAY * between.count[None, None, :]
    dwells, over_s = np.concatenate([[0.0], np.cumsum(problem.dwell_s)]), problem.due_s + problem.dwell_s
    for i in range(1, n):
        backs = np.arange(min(_BACK, i))
        planned_s, missed_s = problem.due_s[i] - over_s[i - backs - 1], dwells[i] - dwells[i - backs]
        before = np.where(source[None] >= 0, cost[i - backs - 1][:, np.maximum(source, 0)], _FAR)
        ways = before + _gap_cost(planned_s, missed_s, between, problem.share) + stray
        ways += (MISS * backs)[:, None, None]
        flat = ways.transpose(1, 0, 2).reshape(m, -1)
        place = np.argmin(flat, axis=1)
        least = flat[np.arange(m), place]
        chained = least + problem.own[i]
        if likeliest:
            better = chained < cost[i]
            cost[i, better], came[i, better] = chained[better], place[better]
        else:
            chained -= np.log(np.exp(least[:, None] - flat).sum(axis=1))
            cost[i] = -np.logaddexp(-cost[i], -chained)
    return cost, came
