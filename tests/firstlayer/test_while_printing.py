"""Surveyed layers looked at while the print goes on: by another process, once, and told."""

from __future__ import annotations

import json
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest

from twinlapse.capture.layer_check_worker import LayerCheckWorker
from twinlapse.capture.service import CaptureService
from twinlapse.frames.job import Job
from twinlapse.frames.journal import FrameTimes
from twinlapse.frames.store import FrameStore
from twinlapse.rehearsal.http_camera import HttpCamera
from twinlapse.rig import rig_from_mapping
from twinlapse.shots import Cue, read_plan

GAP = (97.0, 90 + 0.9 + 0.225 + 0.45 * 12, 2.0)


class Told(dict[str, str]):
    """What is wrong at present, by code, and what was ever."""

    def __init__(self) -> None:
        super().__init__()
        self.ever: list[str] = []

    def report(self, code: str, text: str) -> None:
        if text:
            self[code] = text
            self.ever.append(text)
        else:
            self.pop(code, None)


def _until(done: Callable[[], bool], timeout_s: float = 60.0) -> None:
    end = time.monotonic() + timeout_s
    while not done():
        assert time.monotonic() < end
        time.sleep(0.02)


def _taken_out(job: Job) -> list[bytes]:
    """Take the frames out of a job, in the order of their stops."""
    paths = sorted((job.frames / "nozzle").iterdir(), key=lambda path: int((path.stem + "-1").split("-")[1]))
    pictures = [path.read_bytes() for path in paths]
    for path in paths:
        path.unlink()
    return pictures


@pytest.fixture
def a_job(tmp_path: Path, scene: Any, surveyed_job: Any) -> Job:
    job: Job = surveyed_job(tmp_path / "job", scene(size_mm=14.0, seed=6, gaps=[GAP]))
    return job


def _program(folder: Path, body: str) -> tuple[str, ...]:
    script = folder / "instead.py"
    script.write_text(f"import json, sys, time\nopen({str(folder / 'calls')!r}, 'a').write('x')\n{body}\n")
    return (sys.executable, "-I", str(script))


SOUND = "print(json.dumps({'sound': True, 'defects': [], 'corners': []}))"


@pytest.mark.slow
def test_a_gap_is_told_when_the_last_frame_is_in_and_not_before(a_job: Job) -> None:
    pictures, told = _taken_out(a_job), Told()
    with FrameStore(a_job, read_plan(a_job.plan)) as store:
        layer_checks = LayerCheckWorker(store, told.report)
        layer_checks.start()
        for stop, data in enumerate(pictures, 1):
            assert [look.state for look in layer_checks.looks] == ["waiting"]
            assert layer_checks.picture(0) is None
            store.put(store.key(1, stop, "nozzle"), data, FrameTimes())
            layer_checks.heard()
        _until(lambda: layer_checks.looks[0].state not in ("waiting", "looking"))
        layer_checks.close()
        assert layer_checks.looks[0].state == "found", layer_checks.looks
        assert told["layer 1"].startswith("layer 1:") and "gap at X97 Y9" in told["layer 1"]
        picture = layer_checks.picture(0)
        assert picture is not None and picture.startswith(b"\x89PNG")
    assert "1 thing found" in (a_job.folder / "firstlayer-1.html").read_text()


def test_a_look_is_remembered_by_the_next_service_and_not_by_the_next_run(a_job: Job, tmp_path: Path) -> None:
    plan, pictures = read_plan(a_job.plan), _taken_out(a_job)
    command = _program(tmp_path, SOUND)
    calls = tmp_path / "calls"
    for new_run, expected in ((False, 1), (False, 1), (True, 2)):
        with FrameStore(a_job, plan, new_run=new_run) as store:
            told = Told()
            layer_checks = LayerCheckWorker(store, told.report, command=command)
            layer_checks.start()
            for stop, data in enumerate(pictures, 1):
                store.put(store.key(1, stop, "nozzle"), data, FrameTimes())
            layer_checks.heard()
            _until(lambda layer_checks=layer_checks: layer_checks.looks[0].state == "sound")
            layer_checks.close()
            assert not told.ever and len(calls.read_text()) == expected


@pytest.mark.parametrize(
    ("body", "limit_s", "words"),
    [
        ("sys.exit('the frames show nothing of the layer')", 20.0, "the frames show nothing of the layer"),
        ("print('[]')", 20.0, "it ended with 0"),
        ("time.sleep(60)", 0.3, "it took longer than 0.3 s"),
    ],
)
def test_a_look_that_fails_is_told(a_job: Job, tmp_path: Path, body: str, limit_s: float, words: str) -> None:
    told = Told()
    with FrameStore(a_job, read_plan(a_job.plan)) as store:  # adopts the frames that lie there
        layer_checks = LayerCheckWorker(store, told.report, command=_program(tmp_path, body), limit_s=limit_s)
        layer_checks.start()
        _until(lambda: layer_checks.looks[0].state == "failed")
        layer_checks.close()
    assert words in told["layer 1"]


def test_what_cannot_be_told_is_no_alarm_and_a_rising_corner_is(a_job: Job, tmp_path: Path) -> None:
    told = Told()
    corner = {"at_mm": [90, 104], "lift_mm": [0.0, 0.62, None], "lifted": True}
    said = json.dumps({"sound": None, "defects": [], "corners": [corner]})
    body = f"print({said!r})"
    with FrameStore(a_job, read_plan(a_job.plan)) as store:
        layer_checks = LayerCheckWorker(store, told.report, command=_program(tmp_path, body))
        layer_checks.start()
        _until(lambda: layer_checks.looks[0].state == "found")
        layer_checks.close()
    assert told == {"corner X90 Y104": "a corner lifts: X90 Y104 by about 0.6 mm"}
    assert "look yourself" in layer_checks.looks[0].words


def test_each_finding_has_its_own_alarm_and_a_second_corner_is_news(a_job: Job) -> None:
    told = Told()

    def corner(at_mm: list[float], lift_mm: float) -> dict[str, Any]:
        return {"at_mm": at_mm, "lift_mm": [0.0, lift_mm], "lifted": lift_mm > 0.2}

    gap = {"kind": "gap", "grade": "clear", "at_mm": [97, 96], "length_mm": 2.0}
    with FrameStore(a_job, read_plan(a_job.plan)) as store:
        layer_checks = LayerCheckWorker(store, told.report)
        says: dict[str, Any] = {"overall": {"sound": False, "verdict": "1 of 4 corners has risen."}}
        one, both = (
            [corner([90, 104], 0.5), corner([114, 90], 0.0)],
            [corner([90, 104], 0.5), corner([114, 90], 0.4)],
        )
        layer_checks._take_in(
            0, {**says, "sound": True, "defects": [], "corners": one, "corner_picture": "a.png"}
        )
        assert list(told) == ["corner X90 Y104"] and layer_checks.corners_file() == Path("a.png")
        layer_checks._take_in(0, {**says, "sound": True, "defects": [gap], "corners": both})
        assert list(told) == ["corner X90 Y104", "layer 1", "corner X114 Y90"]
        assert "gap at X97" in told["layer 1"] and "Y90 by about 0.4 mm" in told["corner X114 Y90"]
        words = layer_checks.to_json()[0]["words"]
        assert all(part in words for part in ("gap at X97", "X90 Y104", "X114 Y90"))
        layer_checks._take_in(0, {**says, "sound": True, "defects": [], "corners": one})
        assert list(told) == ["corner X90 Y104"]
        layer_checks.restart()
        assert not told


def test_an_ending_service_ends_the_look(a_job: Job, tmp_path: Path) -> None:
    told = Told()
    with FrameStore(a_job, read_plan(a_job.plan)) as store:
        layer_checks = LayerCheckWorker(store, told.report, command=_program(tmp_path, "time.sleep(60)"))
        layer_checks.start()
        _until((tmp_path / "calls").exists)
        began_s = time.monotonic()
        layer_checks.close()
        assert time.monotonic() - began_s < 4
    assert not told.ever


@pytest.mark.slow
def test_a_night_raises_its_alarm_about_the_first_layer(a_job: Job, tmp_path: Path) -> None:
    """The rehearsed camera shows what stands before it at each stop; the alarm's command hears of the gap."""
    shown = [
        cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR)[..., ::-1] for data in _taken_out(a_job)
    ]
    at, heard = [0], tmp_path / "heard"
    plan = read_plan(a_job.plan)
    with HttpCamera(lambda _: shown[at[0]], fps=15, quality=92) as camera:
        values = json.loads(json.dumps(dict(plan.rig)))
        values["camera"][0] |= {"source": camera.stream, "age_s": 0.3}
        values["capture"] = {"alarm": {"command": ["/bin/sh", "-c", f"cat >> {heard}"]}}
        night = CaptureService(a_job, plan, rig_from_mapping(values))
        night.start()
        try:
            _until(lambda: night.status()["cameras"]["nozzle"]["state"] == "live", 10)
            for stop in range(1, len(shown) + 1):
                at[0] = stop - 1
                assert night.cue(Cue(shot=1, stop=stop, cameras=("nozzle",))).taken
            _until(lambda: night.status()["looks"][0]["state"] == "found")
            _until(lambda: heard.exists() and b"gap at X97" in heard.read_bytes(), 10)
            assert [trouble["code"] for trouble in night.status()["troubles"]] == ["layer 1"]
            assert night.layer_picture(1) is not None
        finally:
            night.close()
