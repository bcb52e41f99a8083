"""The cameras of a printer for a person who aims them: opened by the first look, off soon after the last one.

While a print is captured its own cameras are shown; nothing is opened twice.
"""

from __future__ import annotations

import contextlib
import threading
from collections.abc import Callable, Iterator
from dataclasses import asdict
from functools import partial
from typing import Any

from twinlapse.cameras.clock import Clock, SystemClock
from twinlapse.cameras.latest_frame import LatestFrame
from twinlapse.cameras.sources import open_source
from twinlapse.capture.background_thread import BackgroundThread
from twinlapse.capture.lease_keeper import start_keeper
from twinlapse.capture.lights import Lights
from twinlapse.capture.power import LeasedPower
from twinlapse.capture.service import CaptureService
from twinlapse.errors import CaptureError
from twinlapse.rig.model import Rig

__all__ = ["WATCHED_S", "RigView"]

WATCHED_S = 10.0  # after the last look cameras, supplies and lamps go off; a page looks every second
_TICK_S = 0.25


class RigView:
    """Shows the cameras of one printer for as long as somebody looks.

    Parameters
    ----------
    rig : callable
        Reads the rig, without commands that nobody has trusted.
    capture : callable
        The capture of the print that goes on, None where there is none.
    watched_s : float
        How long one look keeps everything open.
    """

    def __init__(
        self,
        rig: Callable[[], Rig],
        capture: Callable[[], CaptureService | None],
        *,
        watched_s: float = WATCHED_S,
        clock: Clock | None = None,
    ) -> None:
        self._rig, self._capture, self._watched_s = rig, capture, watched_s
        self._clock = clock or SystemClock()
        self._lock = threading.RLock()
        self._open: _OpenCameras | None = None
        self._given_up = False

    def look(self, *, light: bool | None) -> dict[str, Any]:
        """Keep the cameras open for a while; return how they are.

        Parameters
        ----------
        light : bool or None
            True keeps the lamps on for as long, False puts them out, None leaves them to others who look.

        Raises
        ------
        RigError
            when the rig file is faulty.
        CaptureError
            while a print begins or ends.
        """
        with self._lock:
            capture = self._capture()
            if capture is not None:
                return self._look_along(capture, light)
            if self._given_up:
                raise CaptureError("a print is just beginning", "look again in a few seconds")
            if self._open is not None and self._open.ended:
                self._open.stop()  # it is still switching off
                self._open = None
            if self._open is None:
                self._open = _OpenCameras(self._rig(), self._watched_s, self._clock)
                self._open.start()
            opened = self._open
        opened.look(light)
        return opened.state()

    def _look_along(self, capture: CaptureService, light: bool | None) -> dict[str, Any]:
        if light is not None:
            capture.hold_light(self._watched_s if light else 0.0)
        status = capture.status()
        return {"printing": True, "cameras": status["cameras"], "lights": status["lights"]}

    def picture(self, camera: str) -> bytes | None:
        """Return the newest picture of a camera that somebody looks at."""
        capture = self._capture()
        if capture is not None:
            return capture.reporter.picture(camera, "live")  # as delivered: the page turns it
        opened = self._open
        frame = None if opened is None else opened.frames.get(camera)
        newest = None if frame is None else frame.newest
        return None if newest is None else newest.data

    @contextlib.contextmanager
    def given_up(self) -> Iterator[None]:
        """Close everything and keep it closed within the block: a print needs the cameras."""
        with self._lock:
            self._given_up = True
        try:
            self.close()
            yield
        finally:
            with self._lock:
                self._given_up = False

    def close(self) -> None:
        """Switch everything off."""
        with self._lock:
            opened, self._open = self._open, None
        if opened is not None:
            opened.stop()


class _OpenCameras(BackgroundThread):
    """Cameras, lamps and supplies of a rig, open until nobody looks any more."""

    def __init__(self, rig: Rig, watched_s: float, clock: Clock) -> None:
        super().__init__("rig view", join_s=15.0)
        self._clock, self._watched_s = clock, watched_s
        self._until_s = clock.mono_s() + watched_s
        self.frames = {
            camera.name: LatestFrame(
                camera.name, partial(open_source, camera, clock), clock, age_s=camera.age_s
            )
            for camera in rig.cameras
        }
        lamps = {camera.name: camera.light for camera in rig.cameras if camera.light}
        self._lights = Lights(lamps, self.frames, clock, leases=True)
        self._powers = {
            camera.name: LeasedPower(camera.power, self.frames[camera.name])
            for camera in rig.cameras
            if camera.power
        }
        self._faults: dict[str, str] = {}
        self.ended = False

    def start(self) -> None:
        """Bring everything up; nothing here waits for a camera."""
        if self._lights.lamps or self._powers:
            start_keeper()
        for frame in self.frames.values():
            frame.start()
        for name, power in self._powers.items():
            threading.Thread(target=self._bring_up, args=(name, power), daemon=True).start()
        super().start()

    def look(self, light: bool | None) -> None:
        """Somebody looks; see `RigView.look`."""
        self._until_s = self._clock.mono_s() + self._watched_s
        if light is not None and not self._stopped.is_set():
            self._lights.hold(self._watched_s if light else 0.0)

    def state(self) -> dict[str, Any]:
        """Return how the cameras and lamps are."""
        lamps = self._lights.each
        return {
            "printing": False,
            "cameras": {name: self._camera(name, frame) for name, frame in self.frames.items()},
            "lights": {
                "count": len(lamps),
                "on": any(lamp.is_on for lamp in lamps),
                "fault": next((lamp.fault for lamp in lamps if lamp.fault), ""),
            },
        }

    def _camera(self, name: str, frame: LatestFrame) -> dict[str, Any]:
        health = asdict(frame.health())
        fault = "; ".join(filter(None, (self._faults.get(name, ""), health["fault"])))
        return {"state": health["state"], "fault": fault, "fps": round(health["fps"], 1)}

    def _bring_up(self, name: str, power: LeasedPower) -> None:
        self._faults[name] = "; ".join(power.bring_up())

    def _run(self) -> None:
        while not self._stopped.wait(_TICK_S) and self._clock.mono_s() < self._until_s:
            for power in self._powers.values():
                power.renew()
            self._lights.tick(float("inf"))
        self.ended = True
        self._stopped.set()
        self._lights.off()
        stopping = [threading.Thread(target=frame.stop, daemon=True) for frame in self.frames.values()]
        for thread in stopping:
            thread.start()
        for thread in stopping:  # a camera that hangs must not keep another one's supply on
            thread.join(8.0)
        for power in self._powers.values():
            power.shut_down()
