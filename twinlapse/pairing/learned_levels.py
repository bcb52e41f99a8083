"""What a camera's motion signal says about the machine, learned from the recording itself.

Motion comes in levels. A table says for each level how much likelier it is when the machine stands, and
when it moves in some way, than at any time. A camera to which a level means nothing so has no say in it:
one that sees nothing of the machine in none, and one past which a person walks not while he does.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from twinlapse.arrays import Bool, Float, Float32, Int
from twinlapse.machine_course import MachineCourse
from twinlapse.pairing.clock_ties import ClockTie
from twinlapse.pairing.course_signature import STANDS, code_count, code_shares, fine_kinds
from twinlapse.pairing.motion_signal import MotionSignal, best_cut
from twinlapse.records import ArrayRecord

__all__ = [
    "CELL_S",
    "LEVELS",
    "Sight",
    "evidence_of",
    "first_table",
    "insight_of",
    "learned_table",
    "level_ratios",
    "sight_of",
    "standing_odds",
]

CELL_S = 0.2  # of the finest alignment: five pictures a second are usual
# Levels of motion: nothing at all, then shares of the samples: finely at both ends, since a machine stands,
# and travels fast, for a small part of the time.
_SHARES = (
    0.005,
    0.01,
    0.02,
    0.04,
    0.07,
    0.1,
    0.15,
    0.2,
    0.3,
    0.4,
    0.5,
    0.6,
    0.7,
    0.8,
    0.85,
    0.9,
    0.94,
    0.97,
    0.99,
)
LEVELS = len(_SHARES) + 2
_DOUBTED = 0.05  # share of samples that say nothing, whatever is learned of the camera
_SAME = 0.5  # weight of a sample: what spoils one often spoils the next
_PRIOR = 8.0  # samples' worth of what is believed of a level before anything is learned
_GAP_S = 3.0  # longer gaps between pictures say nothing
_UNTIED_S = 0.3  # a third of a stop
_CERTAIN = 50.0  # log-likelihood ratio of one cell beyond which numbers overflow


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class Sight(ArrayRecord):
    """Levels of motion of one camera on the fine grid."""

    level: Int  # (t,) -1 where there is no picture
    weight: Float  # (t,)


def sight_of(signal: MotionSignal, tie: ClockTie, begin_s: float, count: int) -> Sight:
    """Return the levels of a signal on the fine grid of `count` cells from `begin_s`, in the tie's time."""
    before_s, time_s = tie.there(signal.before_s), tie.there(signal.time_s)
    middle_s = begin_s + (np.arange(count) + 0.5) * CELL_S
    place = np.minimum(np.searchsorted(time_s, middle_s), len(time_s) - 1)
    length_s = time_s[place] - before_s[place]
    seen = (before_s[place] <= middle_s) & (middle_s <= time_s[place]) & (length_s < _GAP_S)
    seen &= tie.slack_s(signal.time_s)[place] <= _UNTIED_S  # what may belong to another moment says nothing
    level = _levels_of(signal)
    weight = _SAME * np.minimum(1.0, 1.5 * CELL_S / np.maximum(length_s, CELL_S))
    return Sight(level=np.where(seen, level[place], -1), weight=np.where(seen, weight, 0.0))


def _levels_of(signal: MotionSignal) -> Int:
    shown = signal.motion[signal.motion > 1e-6]
    edges = np.quantile(shown, _SHARES) if shown.size else np.ones(len(_SHARES))
    level: Int = 1 + np.searchsorted(edges, signal.motion, "right").astype(np.int64)
    level[signal.motion <= 1e-6] = 0
    return level


def first_table(sight: Sight) -> Float:
    """Return what is believed of a camera first: still below the level that parts its samples best."""
    shares = np.bincount(sight.level[sight.level >= 0], minlength=LEVELS).astype(np.float64)
    cut = best_cut(shares)
    slope = 1.0 / (1.0 + np.exp(-(np.arange(LEVELS) - cut)))
    shares = (shares + 1.0) / (shares + 1.0).sum()
    still, moves = shares * (1 - slope), shares * slope
    rows = [still / still.sum()] + [moves / moves.sum()] * (code_shares().shape[1] - 1)
    return level_ratios(np.array(rows), shares)


def level_ratios(rows: Float, shares: Float) -> Float:
    """Return chances of the levels, for standing and each kind of moving, against those of all samples."""
    return ((1 - _DOUBTED) * rows + _DOUBTED * shares) / shares


def learned_table(sight: Sight, at_s: Float, running: Bool, course: MachineCourse) -> Float:
    """Return what a camera's levels are when the machine stands and when it moves in each way.

    Parameters
    ----------
    at_s : ndarray of shape (t,)
        Where in the file the machine is.
    running : ndarray of shape (t,)
        Whether it goes on there, and neither waits nor pauses.
    """
    count = len(sight.level)
    kind = fine_kinds(course, np.append(at_s - 0.5 * CELL_S, at_s[-1] + CELL_S) + 1e-9 * np.arange(count + 1))
    stands = kind == 0
    # where it has just come to stand or left, the alignment may be off by a cell
    inner = np.ones(count, bool)
    inner[1:] &= stands[1:] == stands[:-1]
    inner[:-1] &= stands[:-1] == stands[1:]
    used = (sight.level >= 0) & running & inner
    everything = np.bincount(sight.level[sight.level >= 0], minlength=LEVELS) + 1.0
    shares = everything / everything.sum()
    rows = np.empty((code_shares().shape[1], LEVELS))
    moving = np.bincount(sight.level[used & ~stands], minlength=LEVELS) + _PRIOR * shares
    for row in range(len(rows)):
        own = np.bincount(sight.level[used & (kind == row)], minlength=LEVELS).astype(np.float64)
        own = _blurred(own)
        prior = _PRIOR * (shares if row == 0 else moving / moving.sum())
        rows[row] = (own + prior) / (own + prior).sum()
    return level_ratios(rows, shares)


def _blurred(counts: Float) -> Float:
    padded = np.pad(counts, 1)
    return np.asarray(0.7 * counts + 0.15 * (padded[:-2] + padded[2:]))


def evidence_of(sights: Sequence[Sight], tables: Sequence[Float], parts: int) -> Float32:
    """Return the log-likelihood ratio of what all cameras saw, for every code, and for a pause last."""
    count = len(sights[0].level)
    rows = -(-count // parts)
    total = np.zeros((rows, code_count()))
    for sight, table in zip(sights, tables, strict=True):
        seen = np.zeros((rows, LEVELS))
        used = sight.level >= 0
        np.add.at(seen, (np.flatnonzero(used) // parts, sight.level[used]), sight.weight[used])
        total += seen @ np.log(code_shares() @ table).T
    pause = np.log(0.5 * np.exp(np.clip(total[:, STANDS], -_CERTAIN, _CERTAIN)) + 0.5)
    return np.column_stack([total, pause]).astype(np.float32)


def insight_of(table: Float, sight: Sight) -> float:
    """Return the information of a camera's samples about standing, bits a second (mutual information)."""
    shares = np.bincount(sight.level[sight.level >= 0], minlength=LEVELS) + 1.0
    shares = shares / shares.sum()
    still, moves = shares * table[0], shares * table[1:].mean(axis=0)
    still, moves = still / still.sum(), moves / moves.sum()
    both = 0.5 * (still + moves)
    return float(0.5 * (still @ np.log2(still / both) + moves @ np.log2(moves / both)) / CELL_S)


def standing_odds(signal: MotionSignal, table: Float) -> Float:
    """Return the log odds that the machine stands, by one camera alone, between each two of its pictures."""
    return np.asarray(np.log(table[0] / table[1:].mean(axis=0))[_levels_of(signal)])
