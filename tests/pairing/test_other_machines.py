"""The third judge: other machines, other cameras and their faults; every picture to choose from is right."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from judging import RunRecording, file_course, strictly_judged
from other_machines import Faults, OtherRun, faults_of
from small_print import small_print

from twinlapse.pairing.extract_frames import view_of
from twinlapse.shots import read_plan


def counts_of(folder: Path, layers: int, faults: Faults, seed: int) -> dict[str, np.ndarray]:
    gcode, plan_path = small_print(folder, layers)
    run, plan = OtherRun(gcode, faults, seed), read_plan(plan_path)
    views = {camera: view_of(RunRecording(run, camera)) for camera in run.cameras}
    return strictly_judged(run, file_course(gcode, plan), plan, views)


def test_flicker_and_a_clock_that_jumps(tmp_path: Path) -> None:
    """The wide camera sees the machine through bands of flicker; both recorders hang once."""
    faults = Faults(kind="corexy", rate_hz=(5.0, 5.0), flicker=0.08, jumps=1)
    counts = counts_of(tmp_path, 9, faults, 61)
    for camera, (right, kept, due, _, wrong) in counts.items():
        assert wrong == 0 and right >= due - 1 and kept <= due + 1, camera
    assert counts["nozzle"][3] >= 7


@pytest.mark.slow
@pytest.mark.parametrize("seed", [1, 3, 8, 16, 17, 21, 36, 43])
def test_runs_that_were_wrong_once(tmp_path: Path, seed: int) -> None:
    """Jumps, gaps, flicker, focus that hunts, pictures .03 s past a stop; half of the prints are aborted."""
    counts = counts_of(tmp_path, 26, faults_of(seed), seed)
    right, _, due, _, wrong = sum(counts.values())
    assert wrong == 0 and right >= 0.95 * due
