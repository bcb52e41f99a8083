"""Stray cues, lost cues, prints that begin again: what a cue means where the print stands."""

from __future__ import annotations

import random
from typing import Any

import pytest

from twinlapse.capture.run_position import Fit, RunPosition


class Printing:
    """Sends places, 10 s a shot, and takes down how they fit."""

    def __init__(self, plan: Any) -> None:
        self.position = RunPosition(plan.shots)
        self.answered: set[tuple[int, int]] = set()
        self.now_s = 0.0

    def cue(self, shot: int, after_s: float = 10.0) -> Fit:
        self.now_s += after_s
        place = (shot, 1)
        known = place in self.answered
        fit = self.position.judge(place, self.now_s, answered=known)
        self.position.take(place, self.now_s, fit, answered=known)
        if fit is Fit.NEW_RUN:
            self.answered.clear()
        if fit in (Fit.NEXT, Fit.JUMP, Fit.EARLIER, Fit.NEW_RUN):
            self.answered.add(place)
        return fit


@pytest.fixture
def printing(a_plan: Any) -> Printing:
    return Printing(a_plan(120))


def test_a_stray_cue_before_the_print_harms_nothing(printing: Printing) -> None:
    assert printing.cue(100) is Fit.ASIDE
    assert [printing.cue(shot) for shot in range(1, 121)] == [Fit.NEXT] * 120


def test_lost_cues_are_a_gap_once_a_neighbour_says_so(printing: Printing) -> None:
    assert printing.cue(1) is Fit.NEXT
    assert printing.cue(4) is Fit.NEXT  # two lost
    assert printing.cue(40) is Fit.ASIDE  # after 10 s: the plan has 360 s between them
    assert printing.cue(41) is Fit.JUMP
    assert printing.cue(42) is Fit.NEXT


def test_a_long_silence_makes_a_jump_plausible(printing: Printing) -> None:
    printing.cue(1)
    assert printing.cue(40, after_s=390) is Fit.NEXT


def test_a_print_that_begins_again_is_another_run(printing: Printing) -> None:
    for shot in range(1, 51):
        printing.cue(shot)
    assert printing.cue(1, after_s=600) is Fit.ASIDE
    assert printing.cue(2) is Fit.NEW_RUN
    assert [printing.cue(shot) for shot in range(3, 30)] == [Fit.NEXT] * 27


def test_a_stray_first_cue_in_the_middle_is_dropped(printing: Printing) -> None:
    for shot in range(1, 51):
        printing.cue(shot)
    assert printing.cue(1) is Fit.ASIDE
    assert printing.cue(51) is Fit.NEXT
    assert printing.cue(2) is Fit.ASIDE
    assert printing.cue(52) is Fit.NEXT


def test_a_cue_delivered_twice_is_answered_again(printing: Printing) -> None:
    printing.cue(1)
    assert printing.cue(1, after_s=0.1) is Fit.REPEATED
    printing.cue(2)
    assert printing.cue(1, after_s=0.1) is Fit.REPEATED
    assert printing.cue(3) is Fit.NEXT


def test_a_missed_shot_may_still_come(printing: Printing) -> None:
    printing.cue(10), printing.cue(1)
    printing.cue(2)
    printing.cue(5)
    assert printing.cue(4, after_s=0.2) is Fit.EARLIER
    assert printing.cue(6) is Fit.NEXT


def test_after_its_end_a_run_gets_nothing_more(printing: Printing) -> None:
    printing.cue(1), printing.cue(2)
    printing.position.end()
    assert printing.cue(77) is Fit.ASIDE  # a stray
    assert printing.cue(1) is Fit.NEW_RUN


def test_a_second_print_whose_first_cues_are_lost_is_found_all_the_same(printing: Printing) -> None:
    for shot in range(1, 51):
        printing.cue(shot)
    assert printing.cue(6, after_s=600) is Fit.REPEATED
    assert printing.cue(7) is Fit.NEW_RUN


def test_the_first_line_of_a_file_needs_no_second_cue(printing: Printing) -> None:
    for shot in range(1, 51):
        printing.cue(shot)
    printing.position.begin()
    assert printing.cue(1) is Fit.NEW_RUN
    assert printing.cue(2) is Fit.NEXT


def test_a_stray_first_or_last_line_ends_no_run(printing: Printing) -> None:
    for shot in range(1, 51):
        printing.cue(shot)
    printing.position.begin()
    assert printing.cue(51) is Fit.NEXT
    printing.position.end()
    assert printing.cue(52) is Fit.NEXT
    assert printing.cue(53) is Fit.NEXT


@pytest.mark.parametrize("seed", range(20))
def test_random_prints_with_strays_and_losses(printing: Printing, seed: int) -> None:
    """Two prints with 3 % lost cues and 3 % strays: every other cue belongs to the print that sent it."""
    dice = random.Random(seed)
    for _ in range(2):
        wrong = 0
        for shot in range(1, 121):
            if dice.random() < 0.03:
                printing.cue(dice.randint(1, 120), after_s=3.0)
            if dice.random() > 0.03:
                wrong += printing.cue(shot, after_s=8.0) in (Fit.REPEATED, Fit.EARLIER)
        assert wrong <= 3
        printing.now_s += 600
