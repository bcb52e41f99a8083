"""Lights that are on for the shots and off for the rest of the night.

A lamp goes on shortly before a shot is due, at the latest when it is cued; it stays on when the next shot is
near, never longer than its cap, and goes off at exit. A lamp that fails never holds a shot up: the frame is
taken with what light there is, and says so.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

from twinlapse.cameras.clock import Clock
from twinlapse.cameras.jpeg import summarise
from twinlapse.cameras.latest_frame import LatestFrame
from twinlapse.capture.rig_commands import run
from twinlapse.errors import CaptureError
from twinlapse.rig.capture_settings import Light

Runner = Callable[[Sequence[str], float], str]
_STEADY = 0.01  # mean luma moves by less than this share
_STEADY_FRAMES = 3


@dataclass(slots=True)
class Lamp:
    """One light; several cameras may share it."""

    light: Light
    clock: Clock
    runner: Runner = run
    fault: str = ""
    switched: int = 0
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
            self.fault = self.runner(self.light.on, self.light.limit_s) if self.light.on else ""
            self.switched += 1
            # on a fault it may burn all the same: it counts as on, so that it is switched off later
            self._on_since_s = self.clock.mono_s()
            return True

    def switch_off(self) -> None:
        """Switch it off when it is on."""
        with self._lock:
            if self._on_since_s is None:
                return
            fault = self.runner(self.light.off, self.light.limit_s) if self.light.off else ""
            self._on_total_s += self.clock.mono_s() - self._on_since_s
            self._on_since_s = None
            self.fault = fault or self.fault

    def need(self, until_s: float) -> bool:
        """Switch it on for a shot and keep it so until the dwell ends; return whether it was off before."""
        with self._lock:
            self._needed_until_s = max(self._needed_until_s, until_s)
            return self.switch_on()

    def hold(self, seconds: float) -> None:
        """Keep it on for a person who watches; 0 lets go."""
        with self._lock:
            self._hold_until_s = self.clock.mono_s() + seconds
        if seconds > 0:
            self.switch_on()

    def tick(self, due_in_s: float) -> None:
        """Switch as the next shot and the cap demand; called a few times a second."""
        with self._lock:
            now_s = self.clock.mono_s()
            if self._on_since_s is None:
                if due_in_s <= self.light.lead_s and now_s >= self._rest_until_s:
                    self.switch_on()
                return
            capped = now_s - self._on_since_s >= self.light.cap_s and not self.held_s
            if capped:
                self._rest_until_s = now_s + min(60.0, self.light.cap_s)
            if now_s < self._needed_until_s:
                return
            if capped or (due_in_s > max(self.light.stay_on_s, self.light.lead_s) and not self.held_s):
                self.switch_off()


class Lights:
    """All lamps of a rig, by camera."""

    def __init__(
        self,
        lights: Mapping[str, Light],
        drains: Mapping[str, LatestFrame],
        clock: Clock,
        runner: Runner = run,
    ) -> None:
        unique = {light: Lamp(light, clock, runner) for light in lights.values()}
        self.lamps = {camera: unique[light] for camera, light in lights.items()}
        self._drains = drains
        self._clock = clock

    @property
    def each(self) -> list[Lamp]:
        """Every lamp once."""
        return list({id(lamp): lamp for lamp in self.lamps.values()}.values())

    def shine(self, camera: str, deadline_s: float) -> str:
        """Light the shot of a camera and wait until its exposure has settled; return a note, "" for well."""
        lamp = self.lamps.get(camera)
        if lamp is None:
            return ""
        if lamp.need(deadline_s) and not lamp.fault:
            left_s = deadline_s - self._clock.mono_s()
            self._settle(camera, self._clock.mono_s() + min(lamp.light.exposure_settle_s, 0.5 * left_s))
        return f"no light ({lamp.fault})" if lamp.fault else ""

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
        while camera in self._drains and self._clock.mono_s() < until_s:
            picture = self._drains[camera].wait(lambda shown: shown.arrived_s > seen_s, until_s)  # noqa: B023
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
