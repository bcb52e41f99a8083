"""The sample job, rehearsed: a bed that parks off and a camera that shakes, against the written truth."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from twinlapse.film.report import shift_rows
from twinlapse.film.tracking import track_camera
from twinlapse.frames.job import Job
from twinlapse.frames.sequence import read_sequence
from twinlapse.rehearsal import rehearse
from twinlapse.rehearsal.preparing import prepare
from twinlapse.rehearsal.truth import residual_px, rms_px
from twinlapse.rig import read_rig

SAMPLE = Path(__file__).parents[2] / "sample_jobs" / "seedling_pot"


@pytest.mark.slow
def test_the_print_stands_still_in_the_wide_view(tmp_path: Path) -> None:
    whole = read_rig(SAMPLE / "rig.toml")
    wide = next(camera for camera in whole.cameras if camera.name == "wide")
    rig = replace(whole, cameras=(replace(wide, every={"layers": 8}),))
    job = Job(tmp_path / "pot")
    prepare(SAMPLE / "pot.gcode", rig, job)
    truth = rehearse(job.filmed, rig, job).truth
    files = read_sequence(job.folder / "frames" / "wide", "wide").files
    track = track_camera("wide", files, wide.film, cache=False)
    _, left = residual_px(shift_rows(track), truth, "wide")
    _, raw = residual_px([(row[0], 0.0, 0.0, 0.0) for row in shift_rows(track)], truth, "wide")
    assert len(left) >= 10
    assert rms_px(raw) > 0.3  # the control
    assert rms_px(left) < 0.15
