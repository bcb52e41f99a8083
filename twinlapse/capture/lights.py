"""Lights that are on for the shots and off for the rest of the print.

A lamp goes on shortly before a shot is due, at the latest when it is cued, and goes out when the frame is
in or just before the machine leaves. It stays on when the next shot is near, never longer than its cap. It
burns under a lease: a process of its own switches it off when the service no longer renews it. A lamp that
fails never holds a shot up: the frame is taken with what light there is, and its row says so.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field

from twinlapse.cameras.clock import Clock
from twinlapse.cameras.jpeg import summarise
from twinlapse.cameras.latest_frame import LatestFrame
from twinlapse.capture.lease import Lease, Runner
from twinlapse.capture.picture_taking import LightError
from twinlapse.capture.rig_commands import CommandError, run
from twinlapse.errors import CaptureError
from twinlapse.rig.capture_settings import Light

__all__ = ["Lamp", "Lights", "is_steady"]

_STEADY = 0.01  # mean luma moves by less than this share
_STEADY_FRAMES = 3  # pictures in a row that agree (common practice, no source)
_DIP_PERIODS = 1.5  # dark for so long, so that at least one picture is
_DIP_ROOM_PERIODS = 6.0  # that the dwell still has to hold for a dip to be of use
_REST_S = 60.0  # a lamp that reached its cap stays off this long (common practice, no source)
_OFF_TAKES_S = 0.1  # a command, before one was measured: a process and a relay (common practice, no source)


@dataclass(slots=True)
class Lamp:
    """One light; several cameras may share it.

    Parameters
    ----------
    frames : sequence of LatestFrame
        The cameras that it shines for: they read from their pictures when it was on.
    """

    light: Light
    clock: Clock
    runner: Runner = run
    frames: Sequence[LatestFrame] = ()
    lease: Lease | None = None
    fault: str = ""
    switched: int = 0
    off_takes_s: float = _OFF_TAKES_S
    _on_since_s: float | None = None
    _on_total_s: float = 0.0
    _hold_until_s: float = 0.0
    _rest_until_s: float = 0.0
    _needed_until_s: float = 0.0  # end of the dwell of a shot that is being taken
    _lock: threading.RLock = field(default_factory=threading.RLock)

    @property
    def is_on(self) -> bool:
        """Whether it burns, as far as commands tell."""
        return self._on_since_s is not None

    @property
    def on_s(self) -> float:
        """Seconds it has burned so far."""
        now_s = self.clock.mono_s()
        return self._on_total_s + (0.0 if self._on_since_s is None else now_s - self._on_since_s)

    @property
    def held_s(self) -> float:
        """Seconds for which a person keeps it on."""
        return max(0.0, self._hold_until_s - self.clock.mono_s())

    def switch_on(self) -> bool:
        """Switch it on; return whether it was off before."""
        with self._lock:
            if self._on_since_s is not None:
                return False
            if self.lease is not None:
                with self.lease.taken():
                    self.fault = self._command(True)
            else:
                self.fault = self._command(True)
            self.switched += 1
            # on a fault it may burn all the same: it counts as on, so that it is switched off later
            self._on_since_s = self.clock.mono_s()
            return True

    def switch_off(self) -> None:
        """Switch it off when it is on."""
        with self._lock:
            if self._on_since_s is None:
                return
            if self.lease is not None:
                with self.lease.given_back() as last:
                    fault = self._command(False) if last else ""
            else:
                fault = self._command(False)
            self._on_total_s += self.clock.mono_s() - self._on_since_s
            self._on_since_s = None
            self.fault = fault or self.fault

    def put_out(self) -> None:
        """Run the "off" command unless somebody has this lamp on, whatever is known of it."""
        with self._lock:
            if self._on_since_s is not None:
                return
            if self.lease is None:
                self.fault = self._command(False)
                return
            with self.lease.given_back() as last:
                self.fault = self._command(False) if last else ""

    def need(self, until_s: float) -> bool:
        """Switch it on for a shot and keep it so until the dwell ends; return whether it was off before."""
        with self._lock:
            self._needed_until_s = max(self._needed_until_s, until_s)
            return self.switch_on()

    def finish(self, due_in_s: float) -> None:
        """The shot is done: switch it off unless the next one is near or a person keeps it on."""
        with self._lock:
            self._needed_until_s = 0.0
            if due_in_s > self.light.stay_on_s and not self.held_s:
                self.switch_off()

    def dip(self, pause_s: float, pause: Callable[[float], None] = time.sleep) -> None:
        """Switch it off and on again, so that pictures show a moment that is known."""
        with self._lock:
            self._command(False)
            pause(pause_s)
            self._command(True)

    def hold(self, seconds: float) -> None:
        """Keep it on for a person who watches; 0 lets go."""
        with self._lock:
            self._hold_until_s = self.clock.mono_s() + seconds
        if seconds > 0:
            self.switch_on()

    def tick(self, due_in_s: float) -> None:
        """Follow the plan: `due_in_s` to the next shot, below 0 when it is overdue, inf when unknown."""
        with self._lock:
            now_s = self.clock.mono_s()
            if self.lease is not None and self.is_on:
                self.lease.renew()
            capped = self._on_since_s is not None and now_s - self._on_since_s >= self.light.cap_s
            if capped and not self.held_s:
                self._rest_until_s = now_s + _REST_S
            # a shot that is overdue by more than the lead is waited for in the dark: its cue switches it on
            near = -self.light.lead_s <= due_in_s <= self.light.lead_s
            if self.held_s or (near and now_s >= self._rest_until_s):
                self.switch_on()
                return
            if now_s < self._needed_until_s:
                return
            if capped or not 0 <= due_in_s <= max(self.light.stay_on_s, self.light.lead_s):
                self.switch_off()

    def _command(self, on: bool) -> str:
        """Run the command and return what went wrong, in words for the page."""
        for frame in self.frames:
            frame.switching_light(on)
        began_s = self.clock.mono_s()
        words = self.light.on if on else self.light.off
        fault = ""
        if words:
            try:
                self.runner(words, self.light.limit_s)
            except CommandError as error:
                fault = str(error)
        if not on:
            self.off_takes_s = self.clock.mono_s() - began_s
        for frame in self.frames:
            frame.switched_light(on)
        return fault


class Lights:
    """All lamps of a rig, by camera.

    Parameters
    ----------
    due_in_s : callable, optional
        Seconds to the next shot.
    """

    def __init__(
        self,
        lights: Mapping[str, Light],
        frames: Mapping[str, LatestFrame],
        clock: Clock,
        runner: Runner = run,
        *,
        due_in_s: Callable[[], float] = lambda: float("inf"),
        leases: bool = False,
    ) -> None:
        unique: dict[Light, Lamp] = {}
        for camera, light in lights.items():
            lamp = unique.setdefault(light, Lamp(light, clock, runner))
            if camera in frames:
                lamp.frames = (*lamp.frames, frames[camera])
            if leases and lamp.lease is None and light.off:
                lamp.lease = Lease(light.on, light.off, light.limit_s)
        self.lamps = {camera: unique[light] for camera, light in lights.items()}
        self._frames = frames
        self._clock = clock
        self._due_in_s = due_in_s

    @property
    def each(self) -> list[Lamp]:
        """Every lamp once."""
        return list({id(lamp): lamp for lamp in self.lamps.values()}.values())

    def shine(self, camera: str, leave_s: float) -> bool:
        """Light a shot and wait for a steady exposure; return whether it had to be switched on for it.

        A lamp that is on already goes out for a moment when its camera cannot tell old pictures from new
        ones.

        Raises
        ------
        LightError
            when the lamp does not switch.
        """
        lamp = self.lamps.get(camera)
        if lamp is None:
            return False
        fresh = lamp.need(leave_s)
        frame = self._frames.get(camera)
        if not fresh and not lamp.fault and frame is not None and self._needs_dip(frame, leave_s):
            lamp.dip(_DIP_PERIODS * frame.period_s)
            return True
        if fresh and not lamp.fault:
            left_s = leave_s - self._clock.mono_s()
            self._settle(camera, self._clock.mono_s() + min(lamp.light.exposure_settle_s, 0.5 * left_s))
        if lamp.fault:
            raise LightError(lamp.fault)
        return fresh

    def _needs_dip(self, frame: LatestFrame, leave_s: float) -> bool:
        unsure = frame.proves and not frame.stamped and not frame.counts
        return unsure and leave_s - self._clock.mono_s() > _DIP_ROOM_PERIODS * frame.period_s

    def finish(self, cameras: Iterable[str]) -> None:
        """Say that the frames of these cameras are in, or that the machine is about to leave."""
        lamps = {id(lamp): lamp for camera in cameras if (lamp := self.lamps.get(camera)) is not None}
        for lamp in lamps.values():
            lamp.finish(self._due_in_s())

    def off_before_s(self, camera: str) -> float:
        """Return how long before the machine leaves the lamp has to be told to go out."""
        lamp, frame = self.lamps.get(camera), self._frames.get(camera)
        if lamp is None or frame is None:
            return 0.0
        return lamp.off_takes_s + 0.5 * frame.period_s + 0.02

    def arm(self, until_s: float) -> None:
        """Switch all on for a shot that comes soon, whatever the plan's clock says."""
        for lamp in self.each:
            lamp.need(until_s)

    def tick(self, due_in_s: float) -> None:
        """Let every lamp follow the plan."""
        for lamp in self.each:
            lamp.tick(due_in_s)

    def hold(self, seconds: float) -> None:
        """Keep all on for a person who watches."""
        for lamp in self.each:
            lamp.hold(seconds)

    def off(self) -> None:
        """Switch all off."""
        for lamp in self.each:
            lamp.hold(0)
            lamp.switch_off()

    def _settle(self, camera: str, until_s: float) -> None:
        lumas: list[float] = []
        seen_s = self._clock.mono_s()
        while camera in self._frames and self._clock.mono_s() < until_s:
            picture = self._frames[camera].wait(lambda shown: shown.arrived_s > seen_s, until_s)  # noqa: B023
            if picture is None:
                return
            seen_s = picture.arrived_s
            try:
                lumas.append(summarise(picture.data).luma)
            except CaptureError:
                continue
            if is_steady(lumas):
                return


def is_steady(lumas: Sequence[float]) -> bool:
    """Whether the brightness of the newest pictures moves no more."""
    newest = lumas[-_STEADY_FRAMES:]
    return len(newest) == _STEADY_FRAMES and max(newest) - min(newest) < _STEADY * max(1.0, max(newest))
