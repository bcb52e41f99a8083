"""The capture service: cameras, lights, cue inputs and alarms of one job, assembled."""

from __future__ import annotations

import contextlib
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any

from twinlapse.cameras.clock import Clock, SystemClock
from twinlapse.cameras.latest_frame import LatestFrame
from twinlapse.cameras.sources import open_source
from twinlapse.capture.alarms import AlarmSender, AlarmWatch
from twinlapse.capture.cue_handler import Answer, CueHandler
from twinlapse.capture.cue_inputs import LogReader, SerialReader
from twinlapse.capture.forecast import Forecast
from twinlapse.capture.layer_check_worker import LayerCheckWorker
from twinlapse.capture.lights import Lights
from twinlapse.capture.power import bring_up, shut_down
from twinlapse.capture.status import Reporter
from twinlapse.capture.watchdog import Watchdog
from twinlapse.errors import CaptureError
from twinlapse.frames.job import Job
from twinlapse.frames.store import RESERVE_BYTES, FrameStore, free_bytes
from twinlapse.rig.capture_settings import Capture
from twinlapse.rig.model import Camera, Rig
from twinlapse.shots import Cue, Plan

ARMED_S = 10.0  # longer than announced: the print may be late
_TICK_S = 0.25


class CaptureService:
    """Everything that runs while the machine prints; what the web and the channels talk to."""

    def __init__(
        self, job: Job, plan: Plan, rig: Rig, *, new_run: bool = False, clock: Clock | None = None
    ) -> None:
        self._clock = clock or SystemClock()
        self._rig = rig
        self._stack = contextlib.ExitStack()
        self.store = FrameStore(job, plan, new_run=new_run, reserve_bytes=RESERVE_BYTES)
        self._stack.callback(self.store.close)
        self.drains = {camera.name: self._drain(camera) for camera in planned_cameras(rig, plan)}
        self.lights = Lights(
            {
                camera.name: camera.light
                for camera in rig.cameras
                if camera.light and camera.name in self.drains
            },
            self.drains,
            self._clock,
        )
        self.forecast = Forecast(plan)
        self.forecast.resume(max((row.key.shot for row in self.store.rows()), default=0))
        self.cues = CueHandler(
            self.store,
            self.drains,
            {camera.name: camera.age_s for camera in rig.cameras},
            clock=self._clock,
            light=self.lights.shine if self.lights.lamps else None,
            heard=self._heard,
        )
        self.channels: dict[str, Any] = {}
        self._messenger = AlarmSender(rig.capture.alarm, plan.gcode_sha256, self._publish)
        self.watch = AlarmWatch(self._clock, self._messenger.send)
        self.layer_checks = LayerCheckWorker(self.store, self.watch.report)
        self.reporter = Reporter(self)
        self._missed: dict[str, int] = {}
        self.last_status: dict[str, Any] = {}
        self._stopped = threading.Event()
        self._open_channels(rig.capture)

    def start(self) -> None:
        """Bring everything up; nothing here waits for a camera."""
        off = [lamp.light.off for lamp in self.lights.each if lamp.light.off]
        powers = {camera.name: camera.power for camera in self._rig.cameras if camera.power}
        off += [power.off for power in powers.values() if power.off]
        self._watchdog = Watchdog(off)
        self._stack.callback(self._watchdog.dismiss)
        self._stack.callback(self._messenger.close)
        self._stack.callback(self.cues.close)
        self.layer_checks.start()
        self._stack.callback(self.layer_checks.close)
        for drain in self.drains.values():
            drain.start()
            self._stack.callback(drain.stop)
        for name, power in powers.items():
            self._stack.callback(shut_down, power)
            threading.Thread(
                target=lambda name=name, power=power: self.watch.report(
                    f"power {name}", bring_up(power, self.drains.get(name))
                ),
                daemon=True,
            ).start()
        self._stack.callback(self.lights.off)
        for channel in self.channels.values():
            channel.start()
            self._stack.callback(channel.stop)
        keeper = threading.Thread(target=self._keep, name="keeper", daemon=True)
        keeper.start()
        self._stack.callback(keeper.join, 3)
        self._stack.callback(self._stopped.set)

    def close(self) -> None:
        """End everything in the opposite order: channels, lights off, power off, cameras, store."""
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
        again = answer.repeated and cue.shot < self.forecast.done - 1
        words = f"shot {cue.shot} was cued again: is the job printed once more? start with --new-run"
        self.watch.report("new run", words if again else "")
        return answer

    def arm(self, shot: int) -> None:
        """Switch the lights on for a shot that the written file announces, unless it was answered already."""
        if shot > self.forecast.done:
            self.lights.arm(self._clock.mono_s() + self._rig.cue.early_notice_s + ARMED_S)

    def hold_light(self, seconds: float) -> None:
        """Keep the lights on for a person who watches."""
        self.lights.hold(seconds)

    def status(self) -> dict[str, Any]:
        """Return what the page shows."""
        return self.reporter.status()

    def picture(self, camera: str, which: str) -> bytes | None:
        """Return a picture of a camera."""
        return self.reporter.picture(camera, which)

    def layer_picture(self, layer: int) -> bytes | None:
        """Return the map of a surveyed layer, from 1, as PNG."""
        return self.layer_checks.picture(layer - 1)

    def _drain(self, camera: Camera) -> LatestFrame:
        return LatestFrame(camera.name, lambda: open_source(camera, self._clock), self._clock)

    def _open_channels(self, capture: Capture) -> None:
        if capture.log:
            self.channels["log"] = LogReader(Path(capture.log), self._hear("log"), self.arm)
        if capture.serial:
            self.channels["serial"] = SerialReader(Path(capture.serial), self._hear("serial"), self.arm)
        if capture.mqtt is not None:
            from twinlapse.capture.mqtt import MqttChannel

            self.channels["mqtt"] = MqttChannel(
                capture.mqtt, lambda cue: self.cue(cue, channel="mqtt"), self.arm
            )

    def _hear(self, channel: str) -> Callable[[Cue, float], None]:
        def hear(cue: Cue, late_s: float) -> None:
            with contextlib.suppress(CaptureError):
                self.cue(cue, late_s=late_s, channel=channel)

        return hear

    def _publish(self, below: str, data: bytes) -> None:
        if "mqtt" in self.channels:
            self.channels["mqtt"].publish(below, data)

    def _heard(self, answer: Answer) -> None:
        self.forecast.answered(answer.shot, self._clock.mono_s())
        self.reporter.heard(answer)
        self.layer_checks.heard()
        limit = self._rig.capture.alarm.after_missed
        for camera, row in answer.frames.items():
            count = 0 if row.state == "taken" else self._missed.get(camera, 0) + 1
            self._missed[camera] = count
            text = f"{camera}: {count} frames in a row were not taken ({row.note})" if count >= limit else ""
            self.watch.report(f"missed {camera}", text)
            self.watch.report(
                f"dark {camera}", f"{camera}: the picture is dark" if "dark" in row.note else ""
            )

    def _keep(self) -> None:
        while not self._stopped.wait(_TICK_S):
            now_s = self._clock.mono_s()
            self.lights.tick(self.forecast.due_in_s(now_s))
            self.watch.cameras({name: drain.health() for name, drain in self.drains.items()})
            faults = ", ".join(lamp.fault for lamp in self.lights.each if lamp.fault)
            self.watch.report("light", f"a light does not switch: {faults}" if faults else "")
            for name, channel in self.channels.items():
                self.watch.report(f"channel {name}", channel.fault, patience_s=15)
            free_mb = free_bytes(self.store.job.folder) / 1e6
            low = free_mb < self._rig.capture.min_free_mb
            self.watch.report("space", f"only {free_mb:.0f} MB are free" if low else "")
            self.watch.report("watchdog", "" if self._watchdog.alive else "the light watchdog has died")


def planned_cameras(rig: Rig, plan: Plan) -> list[Camera]:
    """Return the cameras of the rig that the plan uses."""
    used = {camera for shot in plan.shots for stop in shot.stops for camera in stop.cameras}
    return [camera for camera in rig.cameras if camera.name in used]
