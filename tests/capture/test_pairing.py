"""Standstills find their stops again, through misses, strays, a wrong clock and pauses."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from twinlapse.gcode import read_toolpath, row_before_line
from twinlapse.motion import time_toolpath
from twinlapse.pairing.stop_matching import Schedule, Standstill, align, schedule_of
from twinlapse.rig import read_rig
from twinlapse.shots import find_cue, read_plan

SAMPLE = Path(__file__).parents[2] / "sample_jobs" / "seedling_pot"


def a_schedule(dice: np.random.Generator, count: int) -> Schedule:
    """Layers of 15 to 90 s that change slowly, as those of a pot do, with jitter."""
    gaps = 45 + 30 * np.sin(np.arange(count) / 17) + dice.uniform(-12, 12, count)
    starts = np.cumsum(gaps + 2.5)
    stops = tuple((n, 1) for n in range(1, count + 1))
    return Schedule(stops=stops, start_s=starts, length_s=np.full(count, 1.0))


def record(
    dice: np.random.Generator, schedule: Schedule, *, missed: float, stray: float, clock: float, pauses: int
) -> tuple[list[Standstill], dict[int, int]]:
    """Return the standstills of an imagined recording, and which belongs to which stop."""
    count = len(schedule.stops)
    pause_s = np.zeros(count)
    for at in dice.choice(np.arange(5, count - 5), pauses, replace=False):
        pause_s[at:] += dice.uniform(30, 900)
    starts = 7.0 + clock * (schedule.start_s + dice.normal(0, 0.15, count)) + pause_s
    events = [(start, start + 1.0 + dice.uniform(0, 0.4), i) for i, start in enumerate(starts)]
    events = [event for event in events if dice.random() >= missed]
    for _ in range(int(stray * count)):
        start = dice.uniform(0, starts[-1])
        events.append((start, start + dice.uniform(0.4, 2.5), -1))
    events.sort()
    found = [Standstill(start_s=start, end_s=end) for start, end, _ in events]
    return found, {stop: index for index, (_, _, stop) in enumerate(events) if stop >= 0}


def score(schedule: Schedule, found: list[Standstill], truth: dict[int, int]) -> tuple[int, int, int]:
    pairs = {match.shot - 1: match.index for match in align(schedule, found).matches}
    right = sum(truth.get(stop) == index for stop, index in pairs.items())
    return right, len(pairs), len(truth)


@pytest.mark.parametrize("seeds", [range(1), pytest.param(range(1, 7), marks=pytest.mark.slow)])
def test_precision_and_recall_with_everything_wrong_at_once(seeds: range) -> None:
    right = said = there = 0
    for seed in seeds:
        dice = np.random.default_rng(seed)
        schedule = a_schedule(dice, 250)
        clock = 1.01 if seed % 2 else 0.99
        found, truth = record(dice, schedule, missed=0.05, stray=0.3, clock=clock, pauses=2)
        counts = score(schedule, found, truth)
        right, said, there = right + counts[0], said + counts[1], there + counts[2]
    print(f"precision {right / said:.4f}, recall {right / there:.4f}")
    assert right / said >= 0.995
    assert right / there >= 0.995


def test_a_clean_recording_is_matched_exactly() -> None:
    dice = np.random.default_rng(5)
    schedule = a_schedule(dice, 60)
    found, truth = record(dice, schedule, missed=0, stray=0, clock=1.0, pauses=0)
    result = align(schedule, found)
    assert {match.shot - 1: match.index for match in result.matches} == truth
    assert result.missed == result.stray == ()
    assert min(match.confidence for match in result.matches) > 0.5
    assert result.doubtful == ()


def test_the_clock_is_found() -> None:
    dice = np.random.default_rng(6)
    schedule = a_schedule(dice, 120)
    found, _ = record(dice, schedule, missed=0.05, stray=0.2, clock=1.01, pauses=1)
    assert align(schedule, found).clock == pytest.approx(1.01, abs=5e-4)


def test_a_recording_of_something_else_matches_little_and_says_so() -> None:
    dice = np.random.default_rng(7)
    schedule = a_schedule(dice, 80)
    starts = np.sort(dice.uniform(0, 4000, 80))
    other = [Standstill(start_s=float(start), end_s=float(start) + 0.5) for start in starts]
    sure = [match for match in align(schedule, other).matches if match.confidence >= 0.5]
    assert len(sure) < 30


@pytest.mark.parametrize(("stops", "stills"), [(0, 0), (0, 3), (3, 0), (1, 1), (1, 5), (5, 1)])
def test_few_of_either(stops: int, stills: int) -> None:
    dice = np.random.default_rng(8)
    schedule = a_schedule(dice, stops)
    found = [Standstill(start_s=10.0 * n, end_s=10.0 * n + 1) for n in range(stills)]
    result = align(schedule, found)
    assert len(result.matches) + len(result.missed) == stops
    assert len(result.matches) + len(result.stray) == stills


def test_the_schedule_counts_what_shots_add(a_plan) -> None:  # type: ignore[no-untyped-def]
    schedule = schedule_of(a_plan(3, together=False, dwell_s=1.0, gap_s=10.0))  # costs 4 s: 2 s of travel
    assert schedule.stops == ((1, 1), (1, 2), (2, 1), (2, 2), (3, 1), (3, 2))
    assert schedule.start_s[0] == pytest.approx(10 + 2 / 3)
    assert schedule.start_s[1] == pytest.approx(10 + 2 / 3 + 1 + 2 / 3)
    assert schedule.start_s[2] - schedule.start_s[0] == pytest.approx(14)


@pytest.fixture(scope="module")
def pot(tmp_path_factory: pytest.TempPathFactory) -> tuple[Schedule, np.ndarray]:
    """The stops of the sample pot's plan, and when the look-ahead planner says that the written file cues."""
    folder = tmp_path_factory.mktemp("pot")
    words = ["plan", SAMPLE / "pot.gcode", "--rig", SAMPLE / "rig.toml", "-o", folder / "plan.json"]
    subprocess.run([sys.executable, "-m", "twinlapse", *map(str, words)], check=True, capture_output=True)
    words = ["inject", SAMPLE / "pot.gcode", "--plan", folder / "plan.json", "-o", folder / "filmed.gcode"]
    subprocess.run([sys.executable, "-m", "twinlapse", *map(str, words)], check=True, capture_output=True)
    path = read_toolpath(folder / "filmed.gcode")
    end_s = time_toolpath(path, read_rig(SAMPLE / "rig.toml").printer).end_s
    lines = (folder / "filmed.gcode").read_text().splitlines()
    cues = [number for number, line in enumerate(lines, 1) if not line.startswith(";") and find_cue(line)]
    cued_s = np.array([end_s[row_before_line(path, number)] for number in cues])
    return schedule_of(read_plan(folder / "plan.json")), cued_s


def test_the_schedule_is_what_the_written_file_does(pot: tuple[Schedule, np.ndarray]) -> None:
    schedule, cued_s = pot
    off_s = cued_s - schedule.start_s
    assert len(cued_s) == len(schedule.stops)
    assert np.abs(np.diff(off_s)).max() < 2.0
    assert np.abs(off_s - off_s.mean()).max() < 0.02 * cued_s[-1]


@pytest.mark.parametrize("seeds", [range(1), pytest.param(range(1, 5), marks=pytest.mark.slow)])
def test_a_recording_of_the_pot_with_everything_wrong(pot: tuple[Schedule, np.ndarray], seeds: range) -> None:
    """Two stops a shot, two seconds apart, as the written file makes them."""
    schedule, cued_s = pot
    real = Schedule(stops=schedule.stops, start_s=cued_s, length_s=schedule.length_s)
    right = said = there = 0
    for seed in seeds:
        dice = np.random.default_rng(100 + seed)
        found, truth = record(dice, real, missed=0.05, stray=0.3, clock=1.01, pauses=2)
        places = {stop: place for place, stop in enumerate(schedule.stops)}
        pairs = {places[m.shot, m.stop]: m.index for m in align(schedule, found).matches}
        right += sum(truth.get(stop) == index for stop, index in pairs.items())
        said, there = said + len(pairs), there + len(truth)
    print(f"pot: precision {right / said:.4f}, recall {right / there:.4f}")
    assert right / said >= 0.995
    assert right / there >= 0.995


def equal_layers(
    dice: np.random.Generator, shots: int = 40
) -> tuple[Schedule, list[Standstill], dict[int, int]]:
    """Two stops a shot, every layer alike; strays and pauses delay, stops that are left out bring forward."""
    starts = 10.5 + np.add.outer(12.3 * np.arange(shots), [0.0, 1.83]).ravel()
    stops = tuple((shot, stop) for shot in range(1, shots + 1) for stop in (1, 2))
    schedule = Schedule(stops=stops, start_s=starts, length_s=np.full(len(stops), 1.3))
    left_out = set(dice.choice(len(stops), len(stops) // 20, replace=False).tolist())
    waits = [*dice.uniform(0.8, 3, int(0.3 * len(stops))), *dice.uniform(30, 90, 2)]
    strays = [(float(dice.uniform(0, starts[-1])), float(wait), -1) for wait in waits]
    gone_s, shift_s, events = dice.uniform(0, 3), 0.0, []
    for at_s, length_s, stop in sorted([(float(at), 1.3, k) for k, at in enumerate(starts)] + strays):
        if stop in left_out:
            shift_s -= length_s
            continue
        begin_s = at_s + shift_s - gone_s + dice.normal(0.1, 0.06)
        events.append((1.01 * begin_s, 1.01 * (begin_s + length_s - 0.18), stop))
        shift_s += length_s if stop < 0 else 0.0
    events = [event for k, event in enumerate(events) if k == 0 or event[0] > events[k - 1][1]]
    found = [Standstill(start_s=a, end_s=b) for a, b, _ in events]
    return schedule, found, {stop: index for index, (_, _, stop) in enumerate(events) if stop >= 0}


def test_equal_layers_do_not_slip() -> None:
    slips = right = said = 0
    for seed in range(6):
        schedule, found, truth = equal_layers(np.random.default_rng(seed))
        of = {index: stop for stop, index in truth.items()}
        places = {stop: place for place, stop in enumerate(schedule.stops)}
        for match in align(schedule, found).matches:
            place = places[match.shot, match.stop]
            right += of.get(match.index) == place
            slips += match.index in of and abs(of[match.index] - place) > 1
            said += 1
    print(f"equal layers: precision {right / said:.4f}, {slips} slips of {said}")
    assert slips == 0
    assert right / said > 0.97


@pytest.mark.parametrize("camera", ["wide", "nozzle"])
def test_equal_layers_of_a_rendered_recording_are_matched(camera: str) -> None:
    """A label of 40 equal layers, rendered: two pauses, 30 % strays, 5 % left out, a clock 1 % or 0.5 % off.

    ``rehearsed_label.npz`` holds the standstills and looks that `watch` and `find_standstills` find in what
    ``rehearsal.recording.record`` makes with its usual `Night`, the schedule and the truth.
    """
    with np.load(Path(__file__).parent / "data" / "rehearsed_label.npz") as data:
        stops = tuple((int(shot), int(stop)) for shot, stop in data["stops"])
        schedule = Schedule(
            stops=stops, start_s=data["due_s"], length_s=data["length_s"], kind=data["kind"].astype(np.int64)
        )
        found = [Standstill(start_s=float(a), end_s=float(b)) for a, b in data[f"{camera}_found_s"]]
        span_s = (0.0, float(data[f"{camera}_end_s"]))
        looks = data[f"{camera}_looks"].astype(np.float32)
        stands = {(int(shot), int(stop)): (a, b) for shot, stop, a, b in data[f"{camera}_stands"]}
    result = align(schedule, found, span_s=span_s, looks=[looks])
    for match in result.matches:
        start, end = stands[match.shot, match.stop]
        assert found[match.index].start_s < end - 0.2 and found[match.index].end_s > start + 0.2
    assert len(result.matches) == len(stands) == 76
    assert set(result.missed) == set(stops) - set(stands)
    assert len(result.doubtful) < 8
