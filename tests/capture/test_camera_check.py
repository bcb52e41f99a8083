"""The doctor finds what is wrong with cameras whose faults are known, and their age by their light."""

from __future__ import annotations

import dataclasses
import json
import subprocess
import sys
import time
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pytest

from twinlapse.cameras.clock import SystemClock
from twinlapse.cameras.jpeg import JpegSummary
from twinlapse.cameras.latest_frame import LatestFrame
from twinlapse.cameras.sources import open_source
from twinlapse.capture import camera_check
from twinlapse.capture.camera_check import CameraMeasurement, age_by_light, examine, judge
from twinlapse.rig import Camera, Lens, Printer, Rig
from twinlapse.rig.capture_settings import Light

LIGHT = Light(on=("/bin/led", "on"), off=("/bin/led", "off"))
GOOD = CameraMeasurement(
    fps=15.0, bytes=40_000, size_px=(640, 480), look=JpegSummary(luma=120, spread=40, sharpness=90), age_s=0.1
)


def test_a_good_camera_is_good() -> None:
    camera = Camera(name="wide", mount="frame", light=LIGHT, age_s=0.2)
    assert all(finding.holds for finding in judge(camera, GOOD))


@pytest.mark.parametrize(
    ("name", "changes", "camera", "hint"),
    [
        ("rate", {"fps": 2.0}, {"dwell_s": 3.0, "age_s": 0.7}, "MJPEG"),
        ("size", {"size_px": (320, 240)}, {}, "lens"),
        ("exposure", {"look": JpegSummary(luma=3, spread=40, sharpness=90)}, {}, "light"),
        ("exposure", {"look": JpegSummary(luma=252, spread=40, sharpness=90)}, {}, "exposure"),
        ("contrast", {"look": JpegSummary(luma=100, spread=1, sharpness=0)}, {}, "lens cap"),
        ("age", {"age_s": 0.4}, {}, "age_s = 0.47"),
        ("dwell", {}, {"dwell_s": 0.2}, "dwell_s = 0.4"),
    ],
)
def test_a_fault_is_named_with_its_mend(name: str, changes: Any, camera: Any, hint: str) -> None:
    subject = Camera(**{"name": "wide", "mount": "frame", "light": LIGHT, "age_s": 0.2, **camera})
    bad = [
        finding for finding in judge(subject, dataclasses.replace(GOOD, **changes)) if finding.holds is False
    ]
    assert [finding.name for finding in bad] == [name]
    assert hint in bad[0].hint


def test_without_a_light_the_age_is_unknown_and_nothing_is_called_sure() -> None:
    camera = Camera(name="wide", mount="frame")
    findings = {one.name: one for one in judge(camera, dataclasses.replace(GOOD, age_s=None))}
    assert findings["age"].holds is None and findings["age"].text.startswith("unknown: no light")
    assert findings["dwell"].holds is None and "is unknown" in findings["dwell"].text
    stated = dataclasses.replace(camera, age_s=0.3)
    findings = {one.name: one for one in judge(stated, dataclasses.replace(GOOD, age_s=None))}
    assert "is believed" in findings["age"].text and "if age_s is right" in findings["dwell"].text
    assert not any("a sure frame takes" in one.text for one in findings.values())


@pytest.mark.slow
def test_the_age_is_measured_by_the_light(
    cameras: Any, jpeg: Any, stamps: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A pipeline of 150 ms: the picture turns bright that long after the command."""
    monkeypatch.setattr(camera_check, "_SWITCHES", 3)
    fake = cameras(fps=30, pipeline_s=0.15, jpeg=jpeg(grey=30))

    def switch(command: Sequence[str], limit_s: float) -> None:
        fake.jpeg = jpeg(grey=180 if command[-1] == "on" else 30)

    camera = Camera(name="wide", mount="frame", source=fake.stream, light=LIGHT)
    drain = LatestFrame("wide", lambda: open_source(camera))
    drain.start()
    drain.wait(lambda _: True, time.monotonic() + 3)
    age_s = age_by_light(camera, drain, SystemClock(), switch)
    assert age_s is not None and 0.15 <= age_s < 0.15 + 1 / 30 + 0.15
    monkeypatch.setattr(camera_check, "_SWITCHES", 1)
    assert age_by_light(camera, drain, SystemClock(), lambda command, limit_s: None) is None
    drain.stop()


@pytest.mark.slow
def test_a_sick_rig_is_examined(cameras: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(camera_check, "_FIRST_S", 1.0)
    gone = cameras()
    gone.close()
    rig = Rig(
        printer=Printer(bed_mm=(220, 220), height_mm=250),
        cameras=(
            Camera(
                name="wide",
                mount="frame",
                source=cameras(fps=20).stream,
                lens=Lens(width_px=64, height_px=48),
            ),
            Camera(name="nozzle", mount="toolhead", source=gone.stream),
        ),
    )
    findings = examine(rig, tmp_path, seconds=0.6)
    bad = {(finding.camera, finding.name) for finding in findings if finding.holds is False}
    assert bad == {("nozzle", "answer")}
    rate = next(finding for finding in findings if finding.name == "rate")
    assert 15 <= float(rate.text.split()[0]) <= 25
    assert any(finding.name == "space" for finding in findings)


@pytest.mark.slow
def test_rig_check_opens_the_cameras(cameras: Any, tmp_path: Path) -> None:
    rig = tmp_path / "rig.toml"
    rig.write_text(
        '[printer]\nbed_mm = [220, 220]\nheight_mm = 250\n[[camera]]\nname = "wide"\nmount = "frame"\n'
        f'source = "{cameras(fps=20).stream}"\n'
    )
    command = [sys.executable, "-m", "twinlapse", "rig", "check", str(rig), "--cameras", "--json"]
    done = subprocess.run(command, capture_output=True, text=True, timeout=60, cwd=tmp_path)
    found = {finding["name"]: finding for finding in json.loads(done.stdout)["findings"]}
    assert found["rate"]["holds"] is True
    assert found["size"]["holds"] is False  # the fake gives 64 x 48
    assert done.returncode == 1
