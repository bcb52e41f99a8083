"""How a clock wanders about a straight line: not at all, by jumps, or by pictures lost here and there.

The lag behind the line is a hidden state in steps of 0.1 s. An *even* clock keeps its lag but for a few
jumps to anywhere: a recorder that hung, a clock that was set. A *losing* one slips by a picture every few
seconds. The likelier of the two is believed, and how far it may be off is what all paths together leave open
(L. R. Rabiner, A tutorial on hidden Markov models, Proc. IEEE 77, 1989).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from twinlapse.arrays import Float
from twinlapse.records import ArrayRecord

__all__ = ["BLOCK", "REACH", "STEP_S", "Step", "Wander", "wander_of"]

STEP_S = 0.1  # of the signals and the lags
REACH = 120  # steps of lag to both sides: a recorder that loses 3 % of its pictures wanders by some seconds
BLOCK = 5  # samples
_TILTS = np.arange(-80, 81, 2)  # steps that a line may be tilted over all: peaks over the rates are broad
_TOGETHER = 4  # blocks, where tilts are compared
_JUMP = 2e-5  # chance of a jump in a block: one in some hours (common practice, no source)
# Chances of a step, and of two, to either side in a block: 3 % of five pictures a second lost.
_SLIPS = (0.02, 0.06)
_LOSING = 10.0  # log-likelihood by which a losing clock must be the better one
_OPEN = 0.01  # chance that the lag is farther off than is said
_ROOM = 1.0  # log-likelihood ratio of a block, at most: one twitch of both is no proof

Step = Callable[[Float], Float]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class Wander(ArrayRecord):
    """A clock about a line, in blocks of half a second."""

    time_s: Float  # (k,) of the middles of the blocks, by this clock
    lag_s: Float  # (k,) that makes up for what the line is off, by this clock
    off_s: Float  # (k,) how much that may be wrong
    tilt: float  # of an even clock against the line, seconds for one
    likelihood: float  # its logarithm, against signals that have nothing in common


def wander_of(evidence: Float) -> Wander:
    """Return the likeliest wander.

    Parameters
    ----------
    evidence : ndarray of shape (blocks, 1 + 2 * REACH)
        Log-likelihood ratio of what was seen in each block, for lags from least to most.
    """
    evidence = np.clip(evidence, -_ROOM, _ROOM)
    count = len(evidence)
    tilt = _tilt(evidence)
    lags = np.arange(-REACH, REACH + 1)
    shift = np.round(tilt * _centre(count)).astype(np.int64)
    place = np.clip(lags + REACH + shift[:, None], 0, 2 * REACH)
    level = np.take_along_axis(evidence, place, axis=1)
    even, even_chance = _chances(level, _even)
    losing, losing_chance = _chances(level, _losing)
    lost = losing > even + _LOSING
    chance = losing_chance if lost else even_chance
    middle = (np.cumsum(chance, axis=1) < 0.5).sum(axis=1)
    apart = np.zeros((count, 2 * REACH + 2))
    np.add.at(apart, (np.arange(count)[:, None], np.abs(lags + REACH - middle[:, None])), chance)
    off = (np.cumsum(apart, axis=1) < 1 - _OPEN).sum(axis=1)
    return Wander(
        time_s=(np.arange(count, dtype=np.float64) + 0.5) * BLOCK * STEP_S,
        lag_s=(middle - REACH + tilt * _centre(count)) * STEP_S,
        off_s=off * STEP_S,
        tilt=tilt / (BLOCK * count),
        likelihood=max(even, losing),
    )


def _centre(count: int) -> Float:
    return np.linspace(-0.5, 0.5, count) if count > 1 else np.zeros(1)


def _tilt(evidence: Float) -> int:
    """Return the tilt with which an even clock is the likeliest, in steps over all."""
    rows = max(1, len(evidence) // _TOGETHER)
    coarse = evidence[: rows * _TOGETHER].reshape(rows, -1, evidence.shape[1]).sum(axis=1)
    shift = np.round(_TILTS[:, None] * _centre(rows)).astype(np.int64)
    places = np.arange(evidence.shape[1])
    chance = np.full((len(_TILTS), evidence.shape[1]), 1.0 / evidence.shape[1])
    total = np.zeros(len(_TILTS))
    for k, row in enumerate(np.exp(coarse)):
        chance = _even(chance) * row[np.clip(places + shift[:, k, None], 0, 2 * REACH)]
        scale = chance.sum(axis=1)
        total += np.log(scale)
        chance /= scale[:, None]
    return int(_TILTS[int(np.argmax(total))])


def _even(chance: Float) -> Float:
    stays: Float = (1 - _JUMP) * chance + _JUMP * chance.mean(axis=-1, keepdims=True)
    return stays


def _losing(chance: Float) -> Float:
    kept = 1 - 2 * sum(_SLIPS)
    moved = kept * chance
    for steps, share in enumerate(_SLIPS, 1):
        moved[..., steps:] += share * chance[..., :-steps]
        moved[..., :-steps] += share * chance[..., steps:]
    return _even(moved)


def _chances(evidence: Float, step: Step) -> tuple[float, Float]:
    """Return the log-likelihood of a kind of clock, and the chances of its lags, shape (blocks, lags)."""
    likelihood = np.exp(evidence)
    ahead = np.empty_like(likelihood)
    now = np.full(evidence.shape[1], 1.0 / evidence.shape[1])
    total = 0.0
    for k, row in enumerate(likelihood):
        now = step(now) * row
        scale = now.sum()
        total += float(np.log(scale))
        now = now / scale
        ahead[k] = now
    behind = np.ones(evidence.shape[1])
    for k in range(len(likelihood) - 2, -1, -1):
        behind = step(behind * likelihood[k + 1])
        behind /= behind.max()
        ahead[k] *= behind
        ahead[k] /= ahead[k].sum()
    return total, ahead
