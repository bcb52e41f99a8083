"""Recordings: pictures with their own times, from video files and folders of stills."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from judging import write_video
from PIL import Image, ImageFilter
from recorded_runs import Troubles, number_of, pictures, run_of
from small_print import small_print

from twinlapse.cli.output import Output
from twinlapse.cli.pair import _warn_of_short_stops
from twinlapse.errors import CaptureError
from twinlapse.frames.journal import read_journal
from twinlapse.pairing.extract_frames import CameraFrames, sharpest, view_of
from twinlapse.pairing.recordings import open_recording
from twinlapse.shots import read_plan


def test_pictures_of_a_video_have_the_times_that_the_file_gives_them(tmp_path: Path) -> None:
    dice = np.random.default_rng(5)
    times = np.round(np.cumsum(dice.uniform(0.12, 0.7, 30)), 3)
    times -= times[0]
    frames = [(float(t), np.full((90, 160), 20 + 7 * k, np.uint8)) for k, t in enumerate(times)]
    recording = open_recording(write_video(tmp_path / "run.mp4", frames))
    seen = list(recording.small())
    assert [round(t, 3) for t, _ in seen] == pytest.approx(times.tolist(), abs=0.002)
    for k, (_, picture) in enumerate(seen):
        assert abs(float(picture.mean()) - (20 + 7 * k)) < 5
    some = recording.pictures_at(np.array([seen[11][0], seen[12][0]]))
    from io import BytesIO

    levels = [float(np.asarray(Image.open(BytesIO(data)).convert("L")).mean()) for data in some]
    assert levels == pytest.approx([20 + 7 * 11, 20 + 7 * 12], abs=5)
    assert recording.begun_s is None and recording.pictures_at(np.array([])) == []


def test_the_sharpest_picture_is_kept(tmp_path: Path) -> None:
    """Blurred more and less, one broken; only those asked for are looked at."""
    noise = np.random.default_rng(4).integers(0, 255, (120, 160), dtype=np.uint8)
    blurs = {0.0: 0, 0.3: 4, 0.6: 1.5, 0.9: 3, 1.2: None, 1.5: 0}  # seconds: sigma
    for time_s, blur in blurs.items():
        path = tmp_path / f"{1_700_000_000_000 + 1000 * time_s:.0f}.jpg"
        Image.fromarray(noise).filter(ImageFilter.GaussianBlur(blur or 0)).save(path, quality=90)
        if blur is None:
            path.write_bytes(path.read_bytes()[:900])
    recording = open_recording(tmp_path)
    times = np.array([time_s for time_s, _ in recording.small()])
    assert recording.begun_s == pytest.approx(1_700_000_000)
    assert sharpest(recording, times[1:4]) == (tmp_path / "1700000000600.jpg").read_bytes()
    assert sharpest(recording, np.array([0.7])) is None


@pytest.mark.parametrize("what", ["missing", "empty folder", "no video"])
def test_what_is_no_recording_is_named(tmp_path: Path, what: str) -> None:
    place = tmp_path / "run.mp4"
    if what == "empty folder":
        place.mkdir()
    elif what == "no video":
        place.write_text("minutes of the garden club")
    with pytest.raises(CaptureError, match=r"run\.mp4"):
        view_of(open_recording(place))


def pair(words: list[str]) -> tuple[int, dict[str, Any]]:
    done = subprocess.run(
        [sys.executable, "-m", "twinlapse", "pair", *words, "--json"], capture_output=True, text=True
    )
    assert done.stdout, done.stderr
    return done.returncode, json.loads(done.stdout)


def test_the_command_pairs_two_folders_of_stills(tmp_path: Path) -> None:
    from recorded_runs import as_jpeg

    gcode, plan = small_print(tmp_path, layers=9)
    run = run_of(gcode, Troubles(skips=0.1), 6)
    missing = {(s, n) for s in range(1, 10) for n in (1, 2)} - set(run.course.stops)
    for camera in run.cameras:
        (tmp_path / camera).mkdir()
        for number, (frame, picture) in enumerate(pictures(run, camera)):
            stamp = 1.7e12 + 1000 * frame.real_s
            (tmp_path / camera / f"{stamp:.0f}.jpg").write_bytes(as_jpeg(picture, number))
    status, told = pair([f"{c}={tmp_path / c}" for c in run.cameras] + ["--plan", str(plan)])
    assert status == bool(missing)
    rows = [row for row in read_journal(tmp_path / "journal.db", "ab" * 32) if row.state == "taken"]
    assert len(rows) >= 16
    for row in rows:
        number = number_of((tmp_path / "frames" / row.file).read_bytes())
        assert run.right((row.key.shot, row.key.stop), run.cameras[row.key.camera][number].real_s)
    assert all(told["cameras"][c]["tied"] != "alone" for c in run.cameras)


@pytest.mark.parametrize(("picture_s", "said"), [(0.2, ""), (0.4, "dwell_s = 1.7"), (1 / 3, "dwell_s = 1.4")])
def test_stops_of_few_pictures_are_said_with_what_would_do(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], picture_s: float, said: str
) -> None:
    """A stop of 1 s and 0.3 s to settle; five pictures take 2 s at 2.5 a second and 1.67 s at three."""
    plan = read_plan(small_print(tmp_path, layers=1)[1])
    result = CameraFrames(camera="wide", found={}, missed=(), kept=0, known=0, tied="alone", sees=True,
                          rate=1.0, stop_s=1.3, picture_s=picture_s)  # fmt: skip
    _warn_of_short_stops(Output(as_json=True, quiet=False), result, plan)
    told = capsys.readouterr().err
    assert said in told and told.count("\n") == bool(said)


@pytest.mark.slow
def test_the_command_pairs_two_videos(tmp_path: Path) -> None:
    """H.264 of 640 x 360; a kept picture is known again among all that were recorded."""
    gcode, plan = small_print(tmp_path)
    run = run_of(gcode, Troubles(rate_hz=(3.0, 6.0), drops=0.05, longer_s=(5, 60)), 7)
    for camera in run.cameras:
        write_video(tmp_path / f"{camera}.mp4", [(f.stamp_s, p) for f, p in pictures(run, camera)])
    status, told = pair([f"{c}={tmp_path / c}.mp4" for c in run.cameras] + ["--plan", str(plan)])
    assert status == 0 and all(len(told["cameras"][c]["matches"]) == 14 for c in run.cameras)
    for camera in run.cameras:
        drawn = [(f, p.astype(float)) for f, p in pictures(run, camera)]
        for path in sorted((tmp_path / "frames" / camera).glob("*.jpg")):
            kept = np.asarray(Image.open(path).convert("L").resize((160, 90), Image.Resampling.BOX)).astype(
                float
            )
            off = [float(np.abs(kept - picture).mean()) for _, picture in drawn]
            stop = 1 if camera == "wide" else 2
            assert run.right((int(path.stem), stop), drawn[int(np.argmin(off))][0].real_s)
