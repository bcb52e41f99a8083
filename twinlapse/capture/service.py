"""The capture of one job, assembled from its parts: cameras, lamps, cues, alarms, reports."""

from __future__ import annotations

import contextlib
import threading
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

from twinlapse.cameras.clock import Clock, SystemClock
from twinlapse.cameras.jpeg import summarise
from twinlapse.cameras.jpeg_orientation import upright
from twinlapse.cameras.latest_frame import LatestFrame
from twinlapse.cameras.sources import CameraPicture, open_source
from twinlapse.capture.alarm_picture import AlarmPicture
from twinlapse.capture.alarm_routes import Publish, make_routes
from twinlapse.capture.alarm_sender import AlarmSender
from twinlapse.capture.alarms import AlarmWatch, Trouble
from twinlapse.capture.cue_handler import Answer, CueHandler, UnknownShotError
from twinlapse.capture.cue_inputs import LONG_AGO_S, LogReader, SerialReader
from twinlapse.capture.forecast import Forecast
from twinlapse.capture.layer_check_worker import LayerCheckWorker
from twinlapse.capture.lease import expire_all
from twinlapse.capture.lease_keeper import start_keeper
from twinlapse.capture.lights import Lights
from twinlapse.capture.power import LeasedPower
from twinlapse.capture.status import Reporter
from twinlapse.capture.supervisor import CameraRecord, CueInput, Supervisor
from twinlapse.errors import CaptureError
from twinlapse.frames.job import Job
from twinlapse.frames.store import RESERVE_BYTES, FrameStore
from twinlapse.rig.camera import Camera
from twinlapse.rig.capture_settings import Capture
from twinlapse.rig.model import Rig
from twinlapse.shots import Cue, Plan

__all__ = ["ARMED_S", "FIRST_PICTURE_S", "CaptureService", "check_names", "decodes", "planned_cameras"]

FIRST_PICTURE_S = 8.0  # for a camera to give its first picture (common practice, no source)
ARMED_S = 10.0  # longer than announced: the print may be late (common practice, no source)


class CaptureService:
    """Everything that runs while the machine prints one job; what the web and the cue inputs talk to."""

    def __init__(
        self,
        job: Job,
        plan: Plan,
        rig: Rig,
        *,
        new_run: bool = False,
        clock: Clock | None = None,
        publish: Publish | None = None,
    ) -> None:
        check_names(rig, plan)
        self._clock = clock or SystemClock()
        self._rig = rig
        self._stack = contextlib.ExitStack()
        self.store = FrameStore(job, plan, new_run=new_run, reserve_bytes=RESERVE_BYTES)
        self._stack.callback(self.store.close)
        self.frames = {camera.name: self._latest(camera) for camera in planned_cameras(rig, plan)}
        self.forecast = Forecast(plan)
        self.forecast.resume(max((row.key.shot for row in self.store.rows() if row.final), default=0))
        self.lights = self._make_lights()
        self._powers = {
            camera.name: LeasedPower(camera.power, self.frames.get(camera.name))
            for camera in rig.cameras
            if camera.power
        }
        self.inputs: dict[str, CueInput] = {}
        self._sender = AlarmSender(
            make_routes(rig.capture.alarm, publish or (self._publish if rig.capture.mqtt else None)),
            plan.original_sha256,
            job.folder / "alarms.json",
            picture=rig.capture.alarm.picture_link,
            shown=self._picture_of,
        )
        self.watch = AlarmWatch(self._clock, self._sender.send)
        self.layer_checks = LayerCheckWorker(self.store, self.watch.report)
        self.reporter = Reporter(self.store, self.frames, self.lights, self.forecast, self._clock)
        self._record = CameraRecord(self.watch, self._clock, rig.capture.alarm.after_missed)
        self.cues = CueHandler(
            self.store,
            self.frames,
            clock=self._clock,
            lights=self.lights if self.lights.lamps else None,
            heard=self._heard,
            new_run=self._new_run,
        )
        self._supervisor = Supervisor(
            job, self.frames, self.lights, self.inputs, self.forecast, self.watch, self._clock,
            min_free_mb=rig.capture.min_free_mb, ended=lambda: self.store.ended,
            renew=[power.renew for power in self._powers.values()],
        )  # fmt: skip
        self.last_status: dict[str, Any] = {}
        self._open_inputs(rig.capture)
        if self.store.recovered.journal:
            words = f"the journal was damaged: it is kept as {self.store.recovered.journal} and made again"
            self.watch.report("journal", words)

    def start(self) -> None:
        """Bring everything up; nothing here waits for a camera."""
        if self.lights.lamps or self._powers:
            start_keeper()
        if self.lights.lamps:
            threading.Thread(target=self._all_off, daemon=True).start()
        self._stack.callback(self._sender.close)
        self._stack.callback(self.cues.close)
        self.layer_checks.start()
        self._stack.callback(self.layer_checks.close)
        for frame in self.frames.values():
            frame.start()
            self._stack.callback(frame.stop)
        for name, power in self._powers.items():
            self._stack.callback(power.shut_down)
            threading.Thread(target=self._bring_up, args=(name, power), daemon=True).start()
        self._stack.callback(self.lights.off)
        for channel in self.inputs.values():
            channel.start()
            self._stack.callback(channel.stop)
        self._supervisor.start()
        self._stack.callback(self._supervisor.stop)

    def wait_for_cameras(self) -> list[str]:
        """Wait until every camera has given a picture that decodes; return what is wrong with the others."""
        powered = max((c.power.limit_s for c in self._rig.cameras if c.power is not None), default=0.0)
        deadline_s = self._clock.mono_s() + FIRST_PICTURE_S + 2 * powered
        return [
            f"{name}: {_why_silent(frame)}"
            for name, frame in self.frames.items()
            if frame.wait(decodes, deadline_s) is None
        ]

    def close(self) -> None:
        """End everything in the opposite order: cue inputs, lights off, power off, cameras, store."""
        self.last_status = self.status()
        self._stack.close()

    def cue(self, cue: Cue, *, job: str = "", late_s: float = 0.0, channel: str = "") -> Answer:
        """Answer a cue, whatever it came through."""
        try:
            answer = self.cues.take(cue, job=job, late_s=late_s)
        except CaptureError as error:
            self.watch.report(f"cue {channel}", f"a cue was refused: {error.what}")
            raise
        self.watch.report(f"cue {channel}", "")
        if answer.aside:
            words = f"a cue for shot {cue.shot} does not fit here: it is put aside until the next one comes"
            self.watch.report("stray cue", words)
        elif not answer.repeated:
            self.watch.report("stray cue", "")
        return answer

    def mark_run(self, event: str, job: str) -> None:
        """Take in the first or last line of a print: "begin" or "end", and the code of its job.

        Raises
        ------
        UnknownShotError
            when it is of another job.
        """
        if not self.store.plan.original_sha256.startswith(job):
            raise UnknownShotError(
                "this print is of another job", "print the file that this plan was made for"
            )
        if event == "begin":
            self.cues.begin_run()
        else:
            self.end_run("its last line came")

    def end_run(self, reason: str) -> None:
        """The print has ended or was cancelled: no cue is missing any more."""
        self.cues.end_run(reason)

    def arm(self, shot: int) -> None:
        """Switch the lights on for a shot that the written file announces, unless it was answered already."""
        if shot > self.forecast.done:
            self.lights.arm(self._clock.mono_s() + self._rig.cue.early_notice_s + ARMED_S)

    def hold_light(self, seconds: float) -> None:
        """Keep the lights on for a person who watches."""
        self.lights.hold(seconds)

    def status(self) -> dict[str, Any]:
        """Return what the page shows."""
        return {
            **self.reporter.status(),
            "troubles": self.watch.to_json(),
            "looks": self.layer_checks.to_json(),
            "alarms": self._sender.to_json(),
        }

    def picture(self, camera: str, which: str) -> bytes | None:
        """Return a picture of a camera, which says how it is to be turned."""
        data = self.reporter.picture(camera, which)
        own = next((one for one in self._rig.cameras if one.name == camera), None)
        return data if data is None or own is None else upright(data, own.rotate_deg, own.mirror)

    def layer_picture(self, layer: int) -> bytes | None:
        """Return the map of a surveyed layer, from 1, as PNG."""
        return self.layer_checks.picture(layer - 1)

    def _picture_of(self, trouble: Trouble) -> AlarmPicture:
        """Return what shows what is wrong: a layer's map, strips of corners, else a camera's last frame."""
        kind, _, name = trouble.code.partition(" ")
        if kind == "corner" and (file := self.layer_checks.corners_file()) is not None:
            return AlarmPicture(str(file))
        if kind == "layer" and name.isdigit():
            file = self.layer_checks.picture_file(int(name) - 1)
            return AlarmPicture() if file is None else AlarmPicture(str(file))
        for camera in self._rig.cameras:
            if camera.name == name or (name not in self.frames and camera.name in self.frames):
                file = self.reporter.last_file(camera.name)
                if file is not None:
                    return AlarmPicture(str(file), camera.rotate_deg, camera.mirror)
        return AlarmPicture()

    def _latest(self, camera: Camera) -> LatestFrame:
        return LatestFrame(
            camera.name, lambda: open_source(camera, self._clock), self._clock, age_s=camera.age_s
        )

    def _make_lights(self) -> Lights:
        lit = {
            camera.name: camera.light
            for camera in self._rig.cameras
            if camera.light and camera.name in self.frames
        }
        due = lambda: self.forecast.due_in_s(self._clock.mono_s())  # noqa: E731
        return Lights(lit, self.frames, self._clock, due_in_s=due, leases=True)

    def _all_off(self) -> None:
        # a service that was killed, or a person, may have left something on
        with contextlib.suppress(OSError, CaptureError):
            expire_all()
        for lamp in self.lights.each:
            lamp.put_out()

    def _bring_up(self, name: str, power: LeasedPower) -> None:
        self.watch.report(f"power {name}", "; ".join(power.bring_up()))

    def _open_inputs(self, capture: Capture) -> None:
        if capture.log:
            self.inputs["log"] = LogReader(Path(capture.log), self._hear("log"), self.arm, self._marked)
        if capture.serial:
            self.inputs["serial"] = SerialReader(
                Path(capture.serial), self._hear("serial"), self.arm, self._marked, baud=capture.serial_baud
            )
        if capture.mqtt is not None:
            from twinlapse.capture.mqtt import MqttChannel

            self.inputs["mqtt"] = MqttChannel(
                capture.mqtt,
                lambda cue, late_s: self.cue(cue, late_s=late_s, channel="mqtt"),
                self.arm,
                self._marked,
            )

    def _hear(self, channel: str) -> Callable[[Cue, float], None]:
        def hear(cue: Cue, late_s: float) -> None:
            with contextlib.suppress(CaptureError):
                self.cue(cue, late_s=late_s, channel=channel)

        return hear

    def _marked(self, event: str, job: str) -> None:
        with contextlib.suppress(CaptureError):
            self.mark_run(event, job)

    def _publish(self, below: str, data: bytes) -> None:
        channel: Any = self.inputs.get("mqtt")
        if channel is not None:
            channel.deliver(below, data)

    def _heard(self, answers: Sequence[Answer]) -> None:
        cued = answers[-1]
        at_s = max((row.times.cue_mono_s or 0.0 for row in cued.frames.values()), default=0.0)
        now_s = self._clock.mono_s()
        # of a cue that lay there, nobody knows how long: what comes next is reckoned from now
        known = at_s > 0 and now_s - at_s < LONG_AGO_S / 2
        self.forecast.answered(cued.shot, at_s if known else now_s)
        for answer in answers:
            self.reporter.heard(answer)
        self._record.heard(answers)
        self.layer_checks.heard()

    def _new_run(self) -> None:
        self.forecast.restart()
        self.reporter.restart()
        self._record.restart()
        self.layer_checks.restart()
        self.watch.clear()


def check_names(rig: Rig, plan: Plan) -> None:
    """Raise a CaptureError unless the rig has every camera that the plan asks for."""
    have = [camera.name for camera in rig.cameras]
    asked = {camera for shot in plan.shots for stop in shot.stops for camera in stop.cameras}
    if missing := sorted(asked - set(have)):
        raise CaptureError(
            f"the plan asks for {', '.join(missing)}, the rig has {', '.join(have)}",
            "name the cameras as the plan does, or plan again",
        )


def decodes(picture: CameraPicture) -> bool:
    """Return whether a picture is whole."""
    try:
        summarise(picture.data)
    except CaptureError:
        return False
    return True


def _why_silent(frame: LatestFrame) -> str:
    health = frame.health()
    words = {"frozen": "it repeats the same picture", "silent": "it sends nothing"}
    return health.fault or words.get(health.state, "none of its pictures can be trusted")


def planned_cameras(rig: Rig, plan: Plan) -> list[Camera]:
    """Return the cameras of the rig that the plan uses."""
    used = {camera for shot in plan.shots for stop in shot.stops for camera in stop.cameras}
    return [camera for camera in rig.cameras if camera.name in used]
