"""A whole small rehearsal: frames, journal, truth, faults, seeds, the command."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from twinlapse.cli.rehearse import command
from twinlapse.errors import FrameError, GcodeError, JobError, PlanError, TwinlapseError
from twinlapse.frames.job import Job
from twinlapse.frames.journal import read_journal
from twinlapse.frames.sequence import job_sequences
from twinlapse.imaging.decode import read_picture
from twinlapse.job_folder import prepare
from twinlapse.rehearsal import PERFECT, Faults, rehearse
from twinlapse.rehearsal.truth import read_truth, residual_px, rms_px
from twinlapse.shots import read_plan


def test_faults_are_counted_and_written_down(rehearsed: tuple) -> None:
    job, done = rehearsed
    plan, truth = read_plan(job.plan), read_truth(job.folder)
    rows = {(row.key.camera, row.key.shot): row for row in read_journal(job.journal, plan.original_sha256)}
    for camera in ("wide", "nozzle"):
        states = {frame.shot: frame.state for frame in truth.frames[camera]}
        assert list(states) == [shot.number for shot in plan.shots]
        assert [list(states.values()).count(s) for s in ("missing", "damaged")] == [1, 1]
        assert done.frames[camera] == len(states) - 2 and states[1] == "ok"
        for shot, state in states.items():
            path = job.frame(camera, shot)
            assert path.exists() == (state != "missing")
            assert rows[camera, shot].state == ("missed" if state == "missing" else "taken")
            if state == "damaged":
                with pytest.raises(FrameError):
                    read_picture(path)
            elif state == "ok":
                assert read_picture(path).shape == (240, 320, 3)
    assert {camera: len(some) for camera, some in job_sequences(job).items()} == {
        camera: len(plan.shots) - 1 for camera in ("wide", "nozzle")
    }


def test_truth_survives_writing(rehearsed: tuple) -> None:
    job, done = rehearsed
    assert read_truth(job.folder) == done.truth


def test_errors_have_the_promised_spread() -> None:
    from twinlapse.rehearsal.faults import mishaps, parking_error

    faults = Faults()
    errors = np.array([parking_error(3, shot, 1, faults) for shot in range(2000)])
    np.testing.assert_allclose(errors[:, :2].std(axis=0), 0.2, rtol=0.06)
    np.testing.assert_allclose(errors[:, 2].std(), 0.01, rtol=0.06)
    some = mishaps(3, 0, 2000, faults)
    gains = np.array([mishap.gain for mishap in some])
    assert (
        gains.min() > 0.919 and gains.max() < 1.081 and gains.std() == pytest.approx(0.16 / 12**0.5, rel=0.05)
    )
    assert sum(mishap.state == "missing" for mishap in some) == 2


def test_equal_seeds_give_equal_bytes(make_job: Callable, rehearsed: tuple) -> None:
    job, _ = rehearsed
    again, _ = make_job(seed=5)
    other, _ = make_job(seed=6)
    names = sorted(path.relative_to(job.frames) for path in job.frames.rglob("*.jpg"))
    assert names == sorted(path.relative_to(again.frames) for path in again.frames.rglob("*.jpg"))
    assert all((job.frames / name).read_bytes() == (again.frames / name).read_bytes() for name in names)
    assert (job.folder / "truth.json").read_bytes() == (again.folder / "truth.json").read_bytes()
    assert job.frame("wide", 1).read_bytes() != other.frame("wide", 1).read_bytes()


def test_a_perfect_rehearsal_has_no_error(make_job: Callable) -> None:
    job, done = make_job(faults=PERFECT)
    for frames in done.truth.frames.values():
        for frame in frames:
            assert (frame.state, frame.gain, frame.error_mm) == ("ok", 1.0, (0.0, 0.0, 0.0))
            shifts = (frame.print.dx_px, frame.surroundings.dy_px, frame.print.angle_deg)
            assert shifts == pytest.approx((0.0, 0.0, 0.0), abs=1e-12)
    rest = [read_picture(job.frame("wide", shot))[:40].astype(int) for shot in (1, 2, 3)]
    assert abs(rest[0] - rest[1]).mean() < 3 and abs(rest[1] - rest[2]).mean() < 3


def test_gain_is_that_of_the_light(make_job: Callable) -> None:
    """In linear light (IEC 61966-2-1) equal places differ between two frames by the gain alone."""
    from twinlapse.rehearsal.machine_meshes import to_linear

    only = Faults(parking_mm=0, parking_z_mm=0, shake_deg=0, noise=0, missing=0, damaged=0)
    job, done = make_job(faults=only)
    first, second = (to_linear(read_picture(job.frame("wide", shot)))[200:, 60:260].mean() for shot in (2, 3))
    gains = [frame.gain for frame in done.truth.frames["wide"]]
    assert second / first == pytest.approx(gains[2] / gains[1], rel=0.004)


def test_residual_is_nothing_when_the_report_is_the_truth(rehearsed: tuple) -> None:
    job, _ = rehearsed
    truth = read_truth(job.folder)
    middle = (np.array(truth.sizes["wide"]) - 1) / 2
    rows = []
    for frame in truth.frames["wide"]:
        shift, turn = frame.print, np.radians(frame.print.angle_deg)
        arm = np.array(shift.at_px) - middle
        turned = np.array(
            [np.cos(turn) * arm[0] - np.sin(turn) * arm[1], np.sin(turn) * arm[0] + np.cos(turn) * arm[1]]
        )
        way = np.array([shift.dx_px, shift.dy_px]) - turned + arm
        rows.append((frame.shot, *way, shift.angle_deg, 1.0))
    shots, left = residual_px(rows, truth, "wide")
    assert len(shots) == len(rows) - 2  # what is missing or damaged has no truth to hold to
    assert rms_px(left) < 1e-9
    _, raw = residual_px([(row[0], 0.0, 0.0, 0.0) for row in rows], truth, "wide")
    assert 0.1 < rms_px(raw) < 2


def test_a_plain_file_is_no_rehearsal(label_file: Path, small_rig: Callable, rehearsed: tuple) -> None:
    job, _ = rehearsed
    with pytest.raises(GcodeError, match="plan and inject"):
        rehearse(label_file, small_rig(), job)
    assert job.frame("wide", 1).exists(), "what was there is kept"


def test_truth_that_is_none(tmp_path: Path) -> None:
    (tmp_path / "truth.json").write_text("{}")
    with pytest.raises(JobError, match="no truth"):
        read_truth(tmp_path)


def test_the_command(label_file: Path, tmp_path: Path) -> None:
    rig = tmp_path / "rig.toml"
    rig.write_text(
        '[printer]\nbed_mm = [120, 120]\nheight_mm = 100\n[[camera]]\nname = "wide"\nmount = "frame"\n'
        "every = { layers = 4 }\nlens = { width_px = 160, height_px = 120, across_deg = 60 }\n"
    )
    job, again = tmp_path / "job", tmp_path / "again"
    done = CliRunner().invoke(
        command, [str(label_file), "--rig", str(rig), "-o", str(job), "--perfect", "--json"]
    )
    assert done.exit_code == 0, done.output
    said = json.loads(done.stdout)
    assert said["frame_count"] == {"wide": 2} and said["missing_count"] == {"wide": 0}
    for name in ("original.gcode", "filmed.gcode", "rig.toml", "plan.json", "truth.json", "journal.db"):
        assert (job / name).exists(), name
    assert (job / "original.gcode").read_bytes() == label_file.read_bytes()
    # the written file alone is enough to do it again
    filmed = str(job / "filmed.gcode")
    redone = CliRunner().invoke(command, [filmed, "--rig", str(rig), "-o", str(again), "--perfect"])
    assert redone.exit_code == 0, redone.output
    assert (again / "frames/wide/000002.jpg").read_bytes() == (job / "frames/wide/000002.jpg").read_bytes()


@pytest.mark.parametrize(
    ("text", "says"),
    [
        (None, "there is no such"),
        ("", "is empty"),
        ("G21\nM3 S1000\nG1 X5 F300\n", ""),
        ("G28\nG1 X5 F300\n", ""),
    ],
)
def test_bad_files_leave_nothing_behind(tmp_path: Path, text: str | None, says: str) -> None:
    gcode, rig, job = tmp_path / "foot.gcode", tmp_path / "rig.toml", tmp_path / "job"
    rig.write_text(
        '[printer]\nbed_mm = [120, 120]\nheight_mm = 100\n[[camera]]\nname = "w"\nmount = "frame"\n'
    )
    if text is not None:
        gcode.write_text(text)
    done = CliRunner().invoke(command, [str(gcode), "--rig", str(rig), "-o", str(job)])
    assert isinstance(done.exception, TwinlapseError) and says in str(done.exception)
    assert not job.exists()


def test_a_plan_of_another_file_is_refused(
    label_file: Path, small_rig: Callable, rehearsed: tuple, tmp_path: Path
) -> None:
    job, _ = rehearsed
    other = tmp_path / "other.gcode"
    other.write_text(label_file.read_text() + "; another\n")
    with pytest.raises(PlanError, match="belongs to another file"):
        prepare(other, small_rig(), Job(tmp_path / "job"), job.plan)
    assert not (tmp_path / "job").exists()
    prepare(label_file, small_rig(), Job(tmp_path / "again"), job.plan)
    assert (tmp_path / "again" / "filmed.gcode").read_bytes() == job.filmed.read_bytes()
