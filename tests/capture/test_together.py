"""Two recordings of one night: their clocks are tied, and what one shows speaks for the other."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from twinlapse.pairing.joint_alignment import Seen, Tie, join, pair, tie
from twinlapse.pairing.standstills import Watched
from twinlapse.pairing.stop_matching import Schedule, Standstill, align

DATA = Path(__file__).parent / "data" / "rehearsed_label.npz"  # told in test_pairing.py
Truth = dict[tuple[int, int], tuple[float, float]]


def night(camera: str) -> tuple[Schedule, Seen, Truth]:
    """Return a camera's recording as far as it was kept: the look at both ends of every standstill."""
    with np.load(DATA) as data:
        stops = tuple((int(shot), int(stop)) for shot, stop in data["stops"])
        kind = data["kind"].astype(np.int64)
        schedule = Schedule(stops=stops, start_s=data["due_s"], length_s=data["length_s"], kind=kind)
        found = [Standstill(start_s=float(a), end_s=float(b)) for a, b in data[f"{camera}_found_s"]]
        time_s = np.array([(still.start_s + 0.1, still.end_s) for still in found]).ravel()
        looks = np.repeat(data[f"{camera}_looks"].round().clip(0, 255).astype(np.uint8), 2, axis=0)
        watched = Watched(time_s=time_s, motion=np.zeros(len(time_s)), looks=looks)
        span_s = (0.0, float(data[f"{camera}_end_s"]))
        stands = {(int(shot), int(stop)): (a, b) for shot, stop, a, b in data[f"{camera}_stands"]}
    return schedule, Seen(watched=watched, found=found, span_s=span_s), stands


def test_a_rendered_night_is_paired_together_without_a_doubt() -> None:
    schedule, wide, wide_truth = night("wide")
    _, nozzle, nozzle_truth = night("nozzle")
    for paired, truth in zip(pair(schedule, [wide, nozzle], 0.65), (wide_truth, nozzle_truth), strict=True):
        assert paired.tied
        assert len(paired.alignment.matches) == len(truth) == 76
        assert set(paired.alignment.missed) == set(schedule.stops) - set(truth)
        assert paired.alignment.doubtful == ()
        for match in paired.alignment.matches:
            start, end = truth[match.shot, match.stop]
            still = paired.found[match.index]
            assert still.start_s < end - 0.2 and still.end_s > start + 0.2


def test_the_tie_is_true_to_a_picture() -> None:
    schedule, wide, wide_truth = night("wide")
    _, nozzle, nozzle_truth = night("nozzle")
    by = tie(wide.found, nozzle.found, align(schedule, wide.found), align(schedule, nozzle.found))
    assert by is not None
    # the recordings were made with clocks of 1.01 and 0.995
    assert by.pace == pytest.approx(0.995 / 1.01, abs=2e-4)
    off_s = [by.there(sum(wide_truth[stop]) / 2) - sum(nozzle_truth[stop]) / 2 for stop in wide_truth]
    assert np.abs(off_s).max() < 0.2  # five pictures a second


def test_recordings_of_two_nights_are_paired_apart() -> None:
    schedule, wide, _ = night("wide")
    dice = np.random.default_rng(3)
    starts = np.cumsum(dice.uniform(1, 12, 96))  # the other night goes its own way
    other = [Standstill(start_s=float(a), end_s=float(a) + 1.2) for a in starts]
    time_s = np.array([(still.start_s + 0.1, still.end_s) for still in other]).ravel()
    watched = Watched(
        time_s=time_s, motion=np.zeros(192), looks=dice.integers(0, 255, (192, 300), dtype=np.uint8)
    )
    seen = Seen(watched=watched, found=other, span_s=(0.0, float(time_s[-1])))
    both = pair(schedule, [wide, seen], 0.65)
    assert [paired.tied for paired in both] == [False, False]
    assert both[0].found == wide.found and both[1].found == other


def stills(*spans: tuple[float, float]) -> list[Standstill]:
    return [Standstill(start_s=a, end_s=b) for a, b in spans]


def test_the_machine_stands_when_no_camera_sees_it_move() -> None:
    # the first does not see it come, the second sees two stops where the first sees one
    first = stills((9.0, 11.3), (20.0, 25.0), (40.0, 41.3), (60.0, 61.0))
    second = stills((10.0, 11.2), (20.1, 21.3), (23.7, 24.9), (50.0, 51.3))
    joint = join([first, second], [(0, 100), (0, 55)], 0.65)
    sure = [still for still, alone in zip(joint.found, joint.alone, strict=True) if not alone]
    # beyond its end the second gainsays nobody
    assert sure == stills((10.0, 11.2), (20.1, 21.3), (23.7, 24.9), (60.0, 61.0))
    single = [still for still, alone in zip(joint.found, joint.alone, strict=True) if alone]
    assert single == stills((40.0, 41.3), (50.0, 51.3))


def test_a_tie_goes_there_and_back() -> None:
    by = Tie(here_s=np.array([10.0, 20.0, 30.0]), there_s=np.array([5.0, 15.2, 25.1]), pace=1.01)
    assert by.there(20.0) == pytest.approx(15.2)
    assert by.there(0.0) == pytest.approx(5.0 - 10.1) and by.there(130.0) == pytest.approx(25.1 + 101)
    for time_s in (-7.0, 12.0, 29.0, 300.0):
        assert by.reversed().there(by.there(time_s)) == pytest.approx(time_s)


def test_one_recording_is_paired_for_itself() -> None:
    schedule, wide, truth = night("wide")
    (alone,) = pair(schedule, [wide], 0.65)
    assert not alone.tied and len(alone.alignment.matches) == len(truth)
    assert pair(schedule, [], 0.65) == []
    empty = replace(wide, found=[])
    assert len(pair(schedule, [wide, empty], 0.65)[0].alignment.matches) == len(truth)
