"""The parts of pairing: the motion signal, tied clocks, the compiled loops against plain matrices."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from twinlapse.machine_course import MachineCourse
from twinlapse.pairing.alignment_kernels import best_path, stop_chances
from twinlapse.pairing.clock_ties import tie_by_motion
from twinlapse.pairing.course_signature import STANDS, cells_of, code_shares
from twinlapse.pairing.motion_signal import MotionSignal, motion_between, motion_signal

STEP = np.array([0.7, 0.1, 0.1, 0.05, 0.6, 0.4, 0.05, 0.8, 0.2, 0.03])
SKIPS = np.array([-1, -1, -1, -1, 1, -1, -1])  # cells 2 and 3 are a stop
CODE = np.array([1, 1, 0, 0, 1, 2, 1])
STOP = np.array([-1, -1, 0, 0, -1, -1, -1])


def dense_model(likelihood: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return the matrix of one step over (mode, cell) states, and what each time says of each state."""
    n = len(CODE)
    move = np.zeros((3 * n, 3 * n))
    for s in range(n):
        for t, chance in ((s + 1, STEP[0]), (s, STEP[1]), (s + 2, STEP[2])):
            if t < n:
                move[s, t] += chance
        move[s, n + s], move[n + s, n + s] = STEP[3], STEP[4]
        move[s, 2 * n + s], move[2 * n + s, 2 * n + s] = STEP[6], STEP[7]
        if s + 1 < n:
            move[n + s, s + 1], move[2 * n + s, s + 1] = STEP[5], STEP[8]
        if SKIPS[s] >= 0:
            move[SKIPS[s], s] += STEP[9]
    seen = np.hstack(
        [likelihood[:, CODE], np.repeat(likelihood[:, [0]], n, 1), np.repeat(likelihood[:, [3]], n, 1)]
    )
    return move, seen


@pytest.mark.slow
def test_the_compiled_loops_are_forward_and_backward_over_plain_matrices() -> None:
    dice = np.random.default_rng(2)
    times, n = 600, len(CODE)  # more times than the rows that are kept
    likelihood = dice.uniform(0.4, 2.5, (times, 4)).astype(np.float32)
    begin, finish = dice.uniform(0.1, 1, (2, n)), dice.uniform(0.1, 1, n)
    move, seen = dense_model(likelihood)
    start = np.concatenate([begin[0], np.zeros(n), begin[1]])
    ahead, behind = np.zeros((times, 3 * n)), np.zeros((times, 3 * n))
    ahead[0] = start * seen[0]
    for t in range(1, times):
        ahead[t] = ahead[t - 1] @ move * seen[t]
        ahead[t] /= ahead[t].sum()
    behind[-1] = np.tile(finish, 3)
    for t in range(times - 2, -1, -1):
        behind[t] = move @ (behind[t + 1] * seen[t + 1])
        behind[t] /= behind[t].sum()
    both = ahead * behind
    both /= both.sum(axis=1, keepdims=True)
    expected = both[:, [2, 3, n + 2, n + 3]].sum(axis=1)
    chance = np.zeros((times, 2), np.float32)
    first = np.zeros(times, np.int64)
    stop_chances(likelihood, CODE, SKIPS, STOP, first, n, STEP, begin, finish, chance)
    np.testing.assert_allclose(chance[:, 1], expected, atol=2e-5)
    # the likeliest path of the same model (short: chances of whole paths)
    short = slice(0, 40)
    with np.errstate(divide="ignore"):
        way, best = np.log(move), np.log(start * seen[0])
        for t in range(1, 40):
            best = (best[:, None] + way).max(axis=0) + np.log(seen[t])
        expected_score = float((best + np.log(np.tile(finish, 3))).max())
    path = np.empty((40, 2), np.int64)
    score = best_path(np.log(likelihood[short]), CODE, SKIPS, first[short], n, np.log(STEP), np.log(begin),
                      np.log(finish), path)  # fmt: skip
    assert score == pytest.approx(expected_score, rel=1e-5)
    told = np.log(start[path[0, 1] * n + path[0, 0]] * seen[0, path[0, 1] * n + path[0, 0]])
    state = path[:, 1] * n + path[:, 0]
    told += sum(way[a, b] for a, b in itertools.pairwise(state)) + np.log(finish[path[-1, 0]])
    told += sum(np.log(seen[t, state[t]]) for t in range(1, 40))
    assert told == pytest.approx(score, rel=1e-5)  # the path returned is the one that has this score


def test_a_change_of_exposure_is_a_factor_and_no_motion() -> None:
    dice = np.random.default_rng(1)
    picture = np.kron(dice.integers(20, 150, (30, 40)), np.ones((4, 4))).astype(np.uint8)
    brighter = np.clip(np.rint(picture * 1.3), 0, 255).astype(np.uint8)
    moved = picture.copy()
    moved[40:60, 40:60] = 250
    assert motion_between(picture, brighter) < 0.7
    assert motion_between(picture, np.clip(moved * 0.8, 0, 255).astype(np.uint8)) > 40
    # a lamp that flickers against a rolling shutter
    bands = 1 + 0.15 * np.sin(0.1 * np.arange(len(picture)))[:, None]
    assert motion_between(picture, np.rint(picture * bands).astype(np.uint8)) < 2.5
    assert motion_between(picture, np.clip(moved * bands, 0, 255).astype(np.uint8)) > 40
    signal = motion_signal([(0.0, picture), (0.2, picture), (0.4, moved)])
    assert signal.before_s.tolist() == [0.0, 0.2] and signal.time_s.tolist() == [0.2, 0.4]
    assert signal.motion[0] == 0 and signal.motion[1] > 40


def machine(dice: np.random.Generator, length_s: float) -> np.ndarray:
    """Return moments between which it moves and stands by turns."""
    return np.cumsum(dice.uniform(0.8, 9.0, int(length_s / 3)))


def watched(dice: np.random.Generator, edges_s: np.ndarray, clock: float, begin_s: float) -> MotionSignal:
    real_s = np.arange(begin_s, edges_s[-1], 0.2)
    moves = np.searchsorted(edges_s, real_s) % 2
    motion = np.where(moves == 1, 9.0, 0.6) * dice.lognormal(0, 0.5, len(real_s))
    stamps = clock * (real_s - begin_s)
    return MotionSignal(before_s=stamps[:-1], time_s=stamps[1:], motion=motion[1:])


def test_clocks_are_tied_by_what_both_saw_move() -> None:
    dice = np.random.default_rng(3)
    edges_s = machine(dice, 1500)
    one, other = watched(dice, edges_s, 1.01, 0.0), watched(dice, edges_s, 0.992, 222.0)
    tie = tie_by_motion(one, other)
    assert tie is not None and tie.rate == pytest.approx(0.992 / 1.01, abs=2e-4)
    real_s = np.arange(300.0, 1300.0, 10.0)
    off_s = tie.there(1.01 * real_s) - 0.992 * (real_s - 222.0)
    assert np.abs(off_s).max() < 0.2  # a picture
    back = tie.reversed()
    np.testing.assert_allclose(back.there(tie.there(real_s)), real_s, atol=1e-6)


@pytest.mark.parametrize("seed", range(4))
def test_recordings_of_two_runs_are_not_tied(seed: int) -> None:
    dice = np.random.default_rng([seed, 8])
    one = watched(dice, machine(dice, 1200), 1.0, 0.0)
    assert tie_by_motion(one, watched(dice, machine(dice, 1200), 1.0, 0.0)) is None
    still = MotionSignal(before_s=one.before_s, time_s=one.time_s, motion=np.zeros(len(one.motion)))
    assert tie_by_motion(one, still) is None


def test_a_course_is_cut_into_cells() -> None:
    course = MachineCourse(
        stops=((1, 1),), start_s=np.array([2.0]), end_s=np.array([3.2]), length_s=6.0,
        time_s=np.array([0.0, 2.0, 3.2, 6.0]),
        place_mm=np.array([[0.0, 0, 0], [100, 0, 0], [100, 0, 0], [100, 28, 0]]),
    )  # fmt: skip
    cells = cells_of(course, 0.2)
    assert len(cells.code) == 30
    standing = (cells.time_s > 2) & (cells.time_s < 3.2)
    assert ((cells.code == STANDS) == standing).all() and ((cells.stop == 0) == standing).all()
    assert len(set(cells.code[cells.time_s < 2])) == len(set(cells.code[cells.time_s > 3.2])) == 1
    assert cells.code[0] != cells.code[-1]  # along X, and slower along Y
    after = int(np.flatnonzero(standing)[-1]) + 1
    assert cells.skip_from[after] == np.flatnonzero(standing)[0] - 1 and (cells.skip_from >= 0).sum() == 1
    slower = cells_of(course, 0.2, np.array([[0.0, 6.0], [0.0, 7.2]]))
    assert len(slower.code) == 36 and (slower.stop == 0).sum() == 7
    shares = code_shares()[cells_of(course, 1.0).code]
    assert shares[2, 0] == 1.0 and 0 < shares[3, 0] < 0.5 and shares[0, 0] == 0
