"""``twinlapse first-layer`` on a job folder."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner
from PIL import Image

from twinlapse.cli.first_layer import command
from twinlapse.errors import JobError
from twinlapse.firstlayer.report_json import known_only
from twinlapse.frames.store import FrameStore
from twinlapse.job_film import layer_reports
from twinlapse.shots import read_plan


def test_a_gap_makes_a_report_and_exit_status_1(tmp_path: Path, scene: Any, surveyed_job: Any) -> None:
    job = surveyed_job(
        tmp_path, scene(size_mm=14.0, seed=6, gaps=[(97.0, 90 + 0.9 + 0.225 + 0.45 * 12, 2.0)])
    )
    run = CliRunner().invoke(command, [str(tmp_path), "--json"])
    assert run.exit_code == 1, run.output
    told = json.loads(run.output)
    assert [d["kind"] for d in told["defects"]] == ["gap"]
    assert told["defects"][0]["at_mm"] == pytest.approx([97.0, 96.525], abs=0.3)
    assert "G1" in job.original.read_text().splitlines()[told["defects"][0]["file_line"] - 1]
    assert "1 thing found" in (tmp_path / "firstlayer.html").read_text()
    with Image.open(tmp_path / "firstlayer.png") as picture:
        assert picture.width >= 900
    kept = json.loads((tmp_path / "firstlayer-1.json").read_text())
    assert kept == told
    assert told["layer"] == 1 and told["unseen"] == [] and told["camera"]["sentences"] == []
    captions = [(event.layer, event.words) for event in layer_reports(tmp_path)]
    assert captions == [(0, "Layer 1: gap at X97 Y97")]


def test_the_report_is_of_the_run_whose_frames_were_read(
    tmp_path: Path, scene: Any, surveyed_job: Any
) -> None:
    job = surveyed_job(tmp_path, scene(size_mm=14.0, seed=7))
    plan = read_plan(job.plan)
    with FrameStore(job, plan) as store:
        assert store.run == 1
    run = CliRunner().invoke(command, [str(tmp_path), "-q", "-o", str(tmp_path / "other.html")])
    assert run.exit_code == 0, run.output
    kept = json.loads((tmp_path / "firstlayer-1.json").read_text())
    assert kept["run"] == 1 and kept["sound"] is True
    assert [event.words for event in layer_reports(tmp_path)] == ["Layer 1: no defects found"]
    assert not list(tmp_path.glob("*.part*"))


def test_what_is_not_known_is_null() -> None:
    told = known_only({"a": math.nan, "b": [(1.5, math.inf)], "c": "NaN", "d": None, "e": True})
    assert (
        json.dumps(told, allow_nan=False)
        == '{"a": null, "b": [[1.5, null]], "c": "NaN", "d": null, "e": true}'
    )


def test_marks_need_a_map(tmp_path: Path, scene: Any, surveyed_job: Any) -> None:
    surveyed_job(tmp_path, scene(size_mm=14.0))
    run = CliRunner().invoke(command, [str(tmp_path), "--corner-check", "--real", "1"])
    assert run.exit_code == 2
    assert "leave out --corner-check" in run.output


def test_a_missing_frame_is_said_and_does_no_harm(tmp_path: Path, scene: Any, surveyed_job: Any) -> None:
    job = surveyed_job(tmp_path, scene(size_mm=14.0, seed=7))
    job.frame("nozzle", 1, 1).unlink()
    run = CliRunner().invoke(command, [str(tmp_path)])
    assert run.exit_code == 0, run.output
    assert "000001.jpg" in run.output
    assert "No defects found" in run.output


def test_a_job_without_a_survey(tmp_path: Path, scene: Any, surveyed_job: Any) -> None:
    job = surveyed_job(tmp_path, scene(size_mm=14.0))
    run = CliRunner().invoke(command, [str(tmp_path), "--layer", "2"])
    assert isinstance(run.exception, JobError)
    assert "no survey of layer 2" in str(run.exception)
    for path in (job.frames / "nozzle").iterdir():
        path.unlink()
    run = CliRunner().invoke(command, [str(tmp_path)])
    assert "missing" in str(run.exception)
