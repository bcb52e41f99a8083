"""Clocks that jump, clocks that lose pictures, and clocks known only by the course of the machine."""

from __future__ import annotations

import numpy as np
import pytest

from twinlapse.pairing.clock_ties import tie_by_motion
from twinlapse.pairing.course_alignment import CourseAlignment
from twinlapse.pairing.course_ties import tie_by_course
from twinlapse.pairing.motion_signal import MotionSignal

RATE_HZ = 5.0
LENGTH_S = 900.0


def spells(dice: np.random.Generator, length_s: float = LENGTH_S) -> np.ndarray:
    """Return times at which a machine begins to stand and to move, in turn."""
    return np.cumsum(np.column_stack([dice.uniform(0.8, 3, 400), dice.uniform(1, 9, 400)]).ravel())


def stamps_of(real_s: np.ndarray, clock: str) -> np.ndarray:
    """Return what a clock says."""
    if clock == "even":
        return real_s * 1.004
    if clock == "jumps":
        return real_s + 2.4 * (real_s > 350) - 3.7 * (real_s < 120)
    return np.arange(len(real_s)) / RATE_HZ  # pictures that were lost leave no gap


def watched(clock: str, seed: int, machine: int = 1) -> tuple[MotionSignal, np.ndarray]:
    """Return what a camera with such a clock saw of a machine, and when, by a true clock."""
    dice = np.random.default_rng([seed, 5])
    edges_s = spells(np.random.default_rng(machine))
    real_s = np.arange(0, LENGTH_S, 1 / RATE_HZ)
    if clock == "loses":
        real_s = real_s[dice.random(len(real_s)) > 0.03]
    moves = np.searchsorted(edges_s, real_s[1:]) % 2
    motion = np.where(moves, dice.uniform(2, 8, len(moves)), 0.3) * dice.uniform(0.7, 1.4, len(moves))
    stamp_s = stamps_of(real_s, clock)
    return MotionSignal(before_s=stamp_s[:-1], time_s=stamp_s[1:], motion=motion), real_s


@pytest.mark.parametrize(
    ("clock", "usual_s", "worst_s"), [("even", 0.1, 0.1), ("jumps", 0.1, 8.0), ("loses", 0.2, 1.0)]
)
def test_a_clock_is_followed_and_says_how_far_it_may_be_off(
    clock: str, usual_s: float, worst_s: float
) -> None:
    here, here_real_s = watched(clock, 1)
    there, _ = watched("even", 2)
    tie = tie_by_motion(here, there)
    assert tie is not None
    true_s = stamps_of(np.interp(here.time_s, here.time_s, here_real_s[1:]), "even")
    off_s = np.abs(tie.there(here.time_s) - true_s)
    assert np.quantile(off_s, 0.9) < usual_s and off_s.max() < worst_s
    beyond = off_s > tie.slack_s(here.time_s) + 0.15
    assert beyond.mean() < 0.01
    if clock == "even":
        assert float(tie.slack_s(here.time_s).max()) <= 0.2
    if clock == "jumps":  # it is lost for a moment at most, at the jumps
        lost = here_real_s[1:][off_s > 0.3]
        assert ((np.abs(lost - 350) < 6) | (np.abs(lost - 120) < 6)).all()


# -- by the course ---------------------------------------------------------------------------------------


def course(dice: np.random.Generator, layers: int = 40) -> np.ndarray:
    """Return kinds of moves in fifths of a second: outlines, then three travels with two stops between."""
    kinds: list[int] = []
    for _ in range(layers):
        for _ in range(int(dice.integers(6, 12))):
            kinds += [int(dice.choice([1, 2, 4, 5]))] * int(dice.integers(3, 9))
        kinds += [6] * 4 + [0] * 6 + [3, 6] * 2 + [0] * 6 + [3] * 3
    return np.array(kinds)


def alignment_of(kind: np.ndarray) -> CourseAlignment:
    nothing = np.zeros(len(kind))
    return CourseAlignment(begin_s=-7.0, kind=kind, stop=nothing.astype(int) - 1, chance=nothing, rate=1.0,
                           insight=(3.0,), standing=(nothing,))  # fmt: skip


def seen_of(
    kind: np.ndarray, loud: dict[int, float], noise: float, begin_s: float, seed: int
) -> MotionSignal:
    """Return what a camera saw that began so long after the grid of the alignment."""
    dice = np.random.default_rng(seed)
    stamp_s = np.arange(0, len(kind) / RATE_HZ - begin_s - 1, 1 / RATE_HZ)
    at = np.floor((stamp_s[1:] - 0.1 + begin_s) * RATE_HZ).astype(int)
    strength = np.array([loud.get(int(k), 0.0) for k in kind[at]])
    motion = noise * dice.lognormal(0, 0.08, len(at)) + strength
    return MotionSignal(before_s=stamp_s[:-1], time_s=stamp_s[1:], motion=motion)


@pytest.mark.parametrize("seed", range(4))
def test_a_camera_that_sees_travels_alone_is_not_tied_one_travel_beside(seed: int) -> None:
    """Bands of flicker hide all but the fast moves; one travel looks like the next, 2 s later."""
    kind = course(np.random.default_rng([seed, 9]))
    signal = seen_of(kind, {3: 25.0, 6: 22.0, 0: -2.0}, 35.0, 31.0, seed)
    tie = tie_by_course(signal, alignment_of(kind))
    assert tie is not None and tie.source == "course"
    off_s = tie.there(signal.time_s) - (signal.time_s + 31.0 - 7.0)
    assert np.abs(off_s).max() < 0.3


def test_what_has_nothing_to_do_with_the_course_is_not_tied() -> None:
    kind = course(np.random.default_rng(3))
    signal = seen_of(kind, dict.fromkeys(range(1, 8), 5.0), 1.0, 31.0, 3)
    for motion in (signal.motion[::-1], np.random.default_rng(8).permutation(signal.motion)):
        other = MotionSignal(before_s=signal.before_s, time_s=signal.time_s, motion=motion)
        assert tie_by_course(other, alignment_of(kind)) is None
    assert tie_by_course(signal, alignment_of(np.full(len(kind), -1))) is None
