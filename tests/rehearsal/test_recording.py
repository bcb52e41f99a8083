"""Recordings without cues: their truth is what the pictures show."""

from __future__ import annotations

import itertools
from collections.abc import Callable
from pathlib import Path

import cv2
import numpy as np
import pytest

from twinlapse.gcode import read_toolpath
from twinlapse.motion import time_toolpath
from twinlapse.rehearsal.recordings import Course, Night, record, stands_of
from twinlapse.shots import read_plan


def test_the_machine_stands_for_its_dwells(rehearsed: tuple, small_rig: Callable) -> None:
    job, _ = rehearsed
    path = read_toolpath(job.filmed, firmware="marlin")
    stands = stands_of(path, np.asarray(time_toolpath(path, small_rig().printer).end_s))
    stops = {
        (shot.number, k): stop for shot in read_plan(job.plan).shots for k, stop in enumerate(shot.stops, 1)
    }
    assert len(stands) == len(stops)
    for stand in stands:
        stop = stops[stand.shot, stand.stop]
        settle = 0.3  # the cameras' default
        assert stand.end_s - stand.start_s == pytest.approx(stop.dwell_s + settle, abs=0.02)


def test_time_waits_and_leaps() -> None:
    course = Course(at_s=np.array([10.0, 20.0]), add_s=np.array([5.0, -2.0]))
    told = [course.file_time(t) for t in (4.0, 10.0, 12.0, 15.0, 24.99, 25.01, 30.0)]
    assert told == pytest.approx([4.0, 10.0, 10.0, 10.0, 19.99, 22.01, 27.0])
    assert course.real_time(22.5) == pytest.approx(25.5)


@pytest.mark.slow
def test_recorded_pictures_stand_still_when_the_truth_says_so(
    rehearsed: tuple, small_rig: Callable, tmp_path: Path
) -> None:
    job, _ = rehearsed
    night = Night(pauses=0, fps=4, dropped=0.05, missed_share=0.34, false_share=0.34)
    truth = record(job.filmed, small_rig(), tmp_path, seed=4, night=night, shots=3)
    assert len(truth["missed"]) == 2 and len(truth["false"]) == 2
    for camera in ("wide", "nozzle"):
        files = sorted((tmp_path / camera).iterdir(), key=lambda path: int(path.stem))
        times = np.array([int(path.stem) for path in files]) / 1000
        times -= times[0]
        pictures = [
            cv2.GaussianBlur(cv2.imread(str(path), 0).astype(np.float32), (0, 0), 2) for path in files
        ]
        even = [picture / np.median(picture) for picture in pictures]
        change = np.array([np.abs(b - a).max() for a, b in itertools.pairwise(even)])
        inside = np.zeros(len(change), bool)
        stands = truth["cameras"][camera]["stands"]
        assert len(stands) == 4
        for stand in stands:
            inside |= (times[:-1] >= stand["start_s"] - 0.01) & (times[1:] <= stand["end_s"] + 0.01)
        assert inside.sum() >= 8
        assert np.median(change[inside]) < 0.3 * np.median(change[~inside])
        assert change[inside].max() < np.median(change[~inside])
