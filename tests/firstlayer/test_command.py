"""``twinlapse firstlayer`` on a job folder."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner
from PIL import Image

from twinlapse.cli.firstlayer import command
from twinlapse.errors import JobError
from twinlapse.frames.job import Job
from twinlapse.plan.survey import STANCE
from twinlapse.shots import Plan, Shot, Stop, write_plan

RIG = {
    "printer": {"bed_mm": [220, 220], "height_mm": 250, "head": {"radius_mm": 65}},
    "camera": [{"name": "nozzle", "mount": "head", "place_mm": [0, -28, 34], "look_mm": [0, -6, 0]}],
}


def _sliced(scene: Any) -> str:
    """The scene's lines as a file: the feed of a line of 0.45 x 0.2 mm, 1.75 mm filament."""
    area = (0.45 - 0.2) * 0.2 + np.pi * 0.2**2 / 4
    lines = ["G28", "G90", "M83", ";LAYER:0", "G0 Z0.2 F600"]
    made = scene.lines()
    for (x0, y0), (x1, y1) in zip(made.first_mm, made.last_mm, strict=True):
        feed = area * np.hypot(x1 - x0, y1 - y0) / (np.pi * 1.75**2 / 4)
        lines += [f"G0 X{x0:.3f} Y{y0:.3f} F9000", f"G1 X{x1:.3f} Y{y1:.3f} E{feed:.5f} F1800"]
    return "\n".join([*lines, ";LAYER:1", "G0 Z0.4", "G1 X90 Y90 E1", "M84"]) + "\n"


def _job(folder: Path, scene: Any) -> Job:
    job = Job(folder)
    job.original.write_text(_sliced(scene))
    frames, _ = scene.frames()
    stops = tuple(
        Stop(cameras=("nozzle",), x_mm=x, y_mm=y, z_mm=z, dwell_s=1.0, stance=STANCE)
        for x, y, z in (frame.nozzle_mm for frame in frames)
    )
    shot = Shot(
        number=1,
        after_line=10,
        byte=100,
        layer=0,
        z_mm=0.2,
        at_s=1.0,
        cost_s=5.0,
        retract="none",
        retract_mm=0.0,
        retract_mm_s=0.0,
        lift_mm=1.0,
        stops=stops,
    )
    write_plan(
        job.plan,
        Plan(
            gcode_sha256="0" * 64, rig=RIG, shots=(shot,), print_s=60.0, cost_s=5.0, film_s=1.0, layer_count=2
        ),
    )
    for repeat, frame in enumerate(frames, 1):
        path = job.frame("nozzle", 1, repeat)
        path.parent.mkdir(parents=True, exist_ok=True)
        Image.fromarray(frame.picture).save(path, quality=92)
    return job


def test_a_gap_makes_a_report_and_exit_status_1(tmp_path: Path, scene: Any) -> None:
    job = _job(tmp_path, scene(size_mm=14.0, seed=6, gaps=[(97.0, 90 + 0.9 + 0.225 + 0.45 * 12, 2.0)]))
    run = CliRunner().invoke(command, [str(tmp_path), "--json"])
    assert run.exit_code == 1, run.output
    told = json.loads(run.output)
    assert [d["kind"] for d in told["defects"]] == ["gap"]
    assert told["defects"][0]["at_mm"] == pytest.approx([97.0, 96.525], abs=0.3)
    assert "G1" in job.original.read_text().splitlines()[told["defects"][0]["file_line"] - 1]
    assert "1 thing found" in (tmp_path / "firstlayer.html").read_text()
    with Image.open(tmp_path / "firstlayer.png") as picture:
        assert picture.width >= 900


def test_a_missing_frame_is_said_and_does_no_harm(tmp_path: Path, scene: Any) -> None:
    job = _job(tmp_path, scene(size_mm=14.0, seed=7))
    job.frame("nozzle", 1, 1).unlink()
    run = CliRunner().invoke(command, [str(tmp_path)])
    assert run.exit_code == 0, run.output
    assert "000001.jpg" in run.output
    assert "Nothing found" in run.output


def test_a_job_without_a_survey(tmp_path: Path, scene: Any) -> None:
    job = _job(tmp_path, scene(size_mm=14.0))
    run = CliRunner().invoke(command, [str(tmp_path), "--layer", "2"])
    assert isinstance(run.exception, JobError)
    assert "no survey of layer 2" in str(run.exception)
    for path in (job.frames / "nozzle").iterdir():
        path.unlink()
    run = CliRunner().invoke(command, [str(tmp_path)])
    assert "missing" in str(run.exception)
