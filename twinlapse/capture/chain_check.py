"""The whole chain walked once before the machine is heated: cameras, lights, a cue there and back."""

from __future__ import annotations

import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

from twinlapse.cameras.clock import SystemClock
from twinlapse.cameras.latest_frame import LatestFrame
from twinlapse.cameras.sources import open_source
from twinlapse.capture.access_policy import AccessRules
from twinlapse.capture.camera_check import measure_age
from twinlapse.capture.cue_handler import Answer
from twinlapse.capture.cue_inputs import LogReader, SerialReader
from twinlapse.capture.service import FIRST_PICTURE_S, check_names, decodes, planned_cameras
from twinlapse.capture.serving import LocalServer, unix_socket
from twinlapse.capture.web import make_app
from twinlapse.errors import CaptureError, TwinlapseError
from twinlapse.frames.job import Job
from twinlapse.frames.store import free_bytes, needed_bytes
from twinlapse.rig.camera import Camera
from twinlapse.rig.finding import Finding
from twinlapse.rig.model import Rig
from twinlapse.shots import Cue, Plan, cue_text

__all__ = ["HEAR_S", "Say", "check_chain"]

_SHOOT_S = 60.0  # for one 'twinlapse shoot'
_SHOOT_SHARE = 0.5  # of the dwell that a cue may be under way, so that half is left for a picture
HEAR_S = 60.0  # for a person to send the line from the printer's console (common practice, no source)
Say = Callable[[str], None]


def check_chain(
    job: Job, plan: Plan, rig: Rig, *, say: Say = lambda text: None, hear_s: float = HEAR_S
) -> list[Finding]:
    """Return what holds and what does not, part by part; nothing of the job is changed.

    Parameters
    ----------
    say : callable
        Told what a person has to do.
    hear_s : float
        How long a cue is waited for on a log or a serial line, where only the printer's side can send one.
    """
    findings = []
    try:
        check_names(rig, plan)
    except CaptureError as error:
        findings.append(_finding("job", "names", False, error.what, error.hint))
    findings.append(_space(job, plan, rig))
    for camera in planned_cameras(rig, plan):
        findings += _check_camera(camera)
    findings += _check_inputs(job, plan, rig, say, hear_s)
    return findings


def _check_camera(camera: Camera) -> Iterator[Finding]:
    clock = SystemClock()
    frame = LatestFrame(camera.name, lambda: open_source(camera, clock), clock, age_s=camera.age_s)
    frame.start()
    try:
        if frame.wait(decodes, clock.mono_s() + FIRST_PICTURE_S) is None:
            fault = frame.health().fault or "it gives no picture that can be trusted"
            yield _finding(camera.name, "picture", False, fault, "check source, cable and supply")
            return
        yield _finding(camera.name, "picture", True, "gives pictures")
        if camera.light is not None:
            yield _check_light(camera, frame)
        elif not frame.stamped:
            stated = "unknown" if camera.age_s is None else f"believed to be {camera.age_s:g} s"
            yield _finding(camera.name, "age", None, f"the age of its pictures is {stated}")
    finally:
        frame.stop()


def _check_light(camera: Camera, frame: LatestFrame) -> Finding:
    age_s = measure_age(camera, frame, switches=2)
    if age_s is None:
        text = "its picture does not change with its light"
        return _finding(camera.name, "light", False, text, "check the commands of light, and where it shines")
    return _finding(camera.name, "light", True, f"its light is seen after {1000 * age_s:.0f} ms")


def _check_inputs(job: Job, plan: Plan, rig: Rig, say: Say, hear_s: float) -> Iterator[Finding]:
    capture = rig.capture
    cue = Cue(
        shot=999_999_999, stop=1, cameras=plan.shots[0].stops[0].cameras
    )  # of no plan: nothing is taken
    if capture.log:
        yield _listen("log", cue, lambda hear: LogReader(Path(capture.log), hear), say, hear_s)
    if capture.serial:
        yield _listen("serial", cue, lambda hear: SerialReader(Path(capture.serial), hear), say, hear_s)
    if capture.mqtt is not None:
        yield _check_broker(cue, rig)
    if not (capture.log or capture.serial or capture.mqtt):
        stop = plan.shots[0].stops[0]
        planned = Cue(shot=plan.shots[0].number, stop=1, cameras=stop.cameras)
        yield _check_shoot(job, planned, stop.dwell_s)


def _listen(name: str, cue: Cue, make: Callable[[Callable[[Cue, float], None]], LogReader | SerialReader],
            say: Say, hear_s: float) -> Finding:  # fmt: skip
    came = threading.Event()
    reader = make(lambda heard, late_s: came.set() if heard.shot == cue.shot else None)
    reader.start()
    say(f"send this line from the printer's console within {hear_s:.0f} s: M118 {cue_text(cue)}")
    try:
        if came.wait(hear_s):
            return _finding(name, "cue", True, "a cue from the printer's side arrived")
        fault = reader.fault or "no cue arrived"
        return _finding(name, "cue", False, fault, "check that the firmware's messages reach it")
    finally:
        reader.stop()


def _check_broker(cue: Cue, rig: Rig) -> Finding:
    from twinlapse.capture.mqtt import MqttChannel

    assert rig.capture.mqtt is not None
    came = threading.Event()

    def hear(heard: Cue, late_s: float) -> Answer:
        if heard.shot == cue.shot:
            came.set()
        return Answer(shot=heard.shot, stop=heard.stop, frames={}, repeated=False)

    try:
        channel = MqttChannel(rig.capture.mqtt, hear)
    except TwinlapseError as error:
        return _finding("mqtt", "cue", False, error.what, error.hint)
    channel.start()
    try:
        for _ in range(50):
            if came.wait(0.2):
                return _finding("mqtt", "cue", True, "a cue went through the broker and back")
            if not channel.fault:
                channel.publish("", cue_text(cue).encode())
        return _finding("mqtt", "cue", False, channel.fault or "no cue came back", "check broker and topic")
    finally:
        channel.stop()


class _Heard:
    """What the web needs of a service; it takes down how late a cue was and takes no picture."""

    def __init__(self) -> None:
        self.late_s: float | None = None

    def cue(self, cue: Cue, *, job: str, late_s: float, channel: str) -> Answer:
        self.late_s = late_s
        return Answer(shot=cue.shot, stop=cue.stop, frames={}, repeated=False)

    def mark_run(self, event: str, job: str) -> None:
        """Do nothing."""

    def hold_light(self, seconds: float) -> None:
        pass

    def status(self) -> dict[str, Any]:
        return {}

    def picture(self, camera: str, which: str) -> bytes | None:
        return None

    def layer_picture(self, layer: int) -> bytes | None:
        return None


def _check_shoot(job: Job, cue: Cue, dwell_s: float) -> Finding:
    """Have the printer's side run ``twinlapse shoot``, as its host would."""
    heard = _Heard()
    try:
        made = unix_socket(job.folder / "capture.sock")
    except CaptureError as error:
        return _finding("cue", "shoot", False, error.what, error.hint)
    server = LocalServer(make_app(heard, AccessRules(hosts=frozenset())), made)
    try:
        server.start()
        done = subprocess.run(  # noqa: S603 - this interpreter and this module
            [sys.executable, "-m", "twinlapse", "shoot", str(job.folder), cue_text(cue)],
            capture_output=True,
            text=True,
            timeout=_SHOOT_S,
        )
    except subprocess.TimeoutExpired:
        return _finding("cue", "shoot", False, f"'twinlapse shoot' took longer than {_SHOOT_S:.0f} s")
    finally:
        server.stop()
        (job.folder / "capture.sock").unlink(missing_ok=True)
    if heard.late_s is None:
        words = (done.stderr.strip().splitlines() or ["no cue arrived"])[-1]
        return _finding("cue", "shoot", False, words)
    text = f"a cue by 'twinlapse shoot' is {heard.late_s:.1f} s under way, the machine stands {dwell_s:g} s"
    hint = "POST /cue, or a longer dwell_s: starting Python takes too long here"
    return _finding("cue", "shoot", heard.late_s < _SHOOT_SHARE * dwell_s, text, hint)


def _space(job: Job, plan: Plan, rig: Rig) -> Finding:
    free, need = free_bytes(job.folder), needed_bytes(plan, int(1000 * rig.capture.frame_kb))
    text = f"{free / 1e6:.0f} MB free, the frames take about {need / 1e6:.0f} MB"
    return _finding("job", "space", free >= need, text, "free some space")


def _finding(part: str, name: str, holds: bool | None, text: str, hint: str = "") -> Finding:
    return Finding(camera=part, name=name, holds=holds, text=text, hint="" if holds else hint)
