"""The pictures of one standstill: switch the light, wait for a frame exposed meanwhile, weigh it."""

from __future__ import annotations

import threading
from collections.abc import Iterable, Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from typing import Protocol

from twinlapse.cameras.clock import Clock
from twinlapse.cameras.exposure import Basis
from twinlapse.cameras.jpeg import summarise
from twinlapse.cameras.latest_frame import LatestFrame, SeenPicture
from twinlapse.capture.run_position import RunPlace
from twinlapse.capture.shot_window import ShotWindow
from twinlapse.errors import CaptureError
from twinlapse.frames.journal import FrameFlag, FrameState, FrameTimes

__all__ = ["DARK_LUMA", "LightError", "Lighting", "PictureTaker", "Standstill", "Taken"]

DARK_LUMA = 12.0  # mean of 255, below which nothing can be seen (common practice, no source)


class LightError(Exception):
    """A light did not switch; the frame is taken with what light there is."""


class Lighting(Protocol):
    """What a taker needs of the lamps."""

    def shine(self, camera: str, leave_s: float) -> bool:
        """Light a shot and wait for a steady exposure; return whether it had to be switched on for it.

        Raises
        ------
        LightError
            when the lamp does not switch.
        """

    def finish(self, cameras: Iterable[str]) -> None:
        """Say that the frames of these cameras are in, or that the machine is about to leave."""

    def off_before_s(self, camera: str) -> float:
        """Return how long before the machine leaves the lamp has to be told to go out."""


@dataclass(slots=True)
class Standstill:
    """A cue that is being answered."""

    place: RunPlace
    run: int
    began_s: float
    dwell_s: float
    late_s: float
    unsure: bool = False  # its time is known only as "not after"
    overtaken: threading.Event = field(default_factory=threading.Event)

    @property
    def leave_s(self) -> float:
        """When the dwell ends: the machine may move from then on."""
        return self.began_s + self.dwell_s


@dataclass(frozen=True, slots=True, kw_only=True)
class Taken:
    """What a camera gave for a cue, before it is written down."""

    state: FrameState
    times: FrameTimes
    note: str = ""
    flags: frozenset[FrameFlag] = frozenset()
    data: bytes = b""


class PictureTaker:
    """Takes one picture of every camera of a standstill; safe to call from several threads.

    Parameters
    ----------
    frames : mapping
        The running cameras, by name.
    lights : Lighting, optional
        The lamps.
    """

    def __init__(self, frames: Mapping[str, LatestFrame], clock: Clock, lights: Lighting | None) -> None:
        self._frames = frames
        self._clock = clock
        self._lights = lights
        self._pool = ThreadPoolExecutor(max_workers=8, thread_name_prefix="shot")

    def close(self) -> None:
        """Let running shots end."""
        self._pool.shutdown()

    def take(self, standing: Standstill, cameras: list[str]) -> dict[str, Taken]:
        """Return what every camera gave, by name; the lamps are told when all is in."""
        timer = self._light_timer(standing, cameras)
        try:
            if len(cameras) == 1:
                return {cameras[0]: self._take_one(standing, cameras[0])}
            futures = {camera: self._pool.submit(self._take_one, standing, camera) for camera in cameras}
            return {camera: future.result() for camera, future in futures.items()}
        finally:
            if timer is not None:
                timer.cancel()
            if self._lights is not None:
                self._lights.finish(cameras)

    def _light_timer(self, standing: Standstill, cameras: list[str]) -> threading.Timer | None:
        # a light that goes out before the machine leaves bounds the exposure of every picture that shows it
        if self._lights is None or not cameras:
            return None
        early_s = min(max(map(self._lights.off_before_s, cameras)), 0.25 * standing.dwell_s)
        left_s = max(0.0, standing.leave_s - early_s - self._clock.mono_s())
        timer = threading.Timer(left_s, self._lights.finish, (cameras,))
        timer.daemon = True
        timer.start()
        return timer

    def _take_one(self, standing: Standstill, camera: str) -> Taken:
        wall_s = self._clock.wall_s() - standing.late_s
        times = FrameTimes(cue_wall_s=wall_s, cue_mono_s=standing.began_s)
        frame = self._frames.get(camera)
        if frame is None:
            return Taken(state="missed", times=times, note="no such camera")
        if self._clock.mono_s() >= standing.leave_s:
            return Taken(state="late", times=times, note="late")
        flags, note, stood_s = set[FrameFlag](), "", standing.began_s
        if self._lights is not None:
            try:
                if self._lights.shine(camera, standing.leave_s):
                    stood_s = self._clock.mono_s()
            except LightError as fault:
                flags.add(FrameFlag.NO_LIGHT)
                note = f"no light ({fault})"
        window = ShotWindow(stood_s, standing.leave_s, frame.patience_s)
        frame.follow(
            lambda seen: standing.overtaken.is_set() or (window.offer(seen) and _decodes(seen)),
            window.deadline_s,
        )
        if window.patience_s and not window.proven:
            frame.missed_light()
        if standing.overtaken.is_set() and not window.proven:
            return Taken(state="late", times=times, note="the next cue came before its dwell was over")
        if window.best is None or not _decodes(window.best):
            return Taken(state="missed", times=times, note=self._why(frame))
        return self._weigh(standing, window, times, note, flags)

    def _weigh(
        self, standing: Standstill, window: ShotWindow, times: FrameTimes, note: str, flags: set[FrameFlag]
    ) -> Taken:
        assert window.best is not None and times.cue_mono_s is not None and times.cue_wall_s is not None
        picture, bounds = window.best.picture, window.best.bounds
        if standing.unsure or standing.overtaken.is_set():
            flags.add(FrameFlag.CUE_TIME)
        elif window.proven:
            flags.add(FrameFlag.PROVEN)
        if not window.proven:
            flags.add(FrameFlag.UNKNOWN_AGE if bounds.basis is Basis.UNKNOWN else FrameFlag.ASSUMED)
        if summarise(picture.data).luma < DARK_LUMA:
            flags.add(FrameFlag.DARK)
            note = ", ".join(filter(None, (note, "dark")))
        frame_s = picture.arrived_s if picture.exposed_s is None else picture.exposed_s
        times = replace(
            times,
            frame_wall_s=times.cue_wall_s + frame_s - times.cue_mono_s,
            frame_mono_s=frame_s,
            exposed_from_mono_s=max(bounds.earliest_s, bounds.assumed_s)
            if not window.proven
            else bounds.earliest_s,
            exposed_to_mono_s=bounds.latest_s,
        )
        return Taken(state="taken", times=times, note=note, flags=frozenset(flags), data=picture.data)

    def _why(self, frame: LatestFrame) -> str:
        health = frame.health()
        words = {
            "silent": "the camera is silent",
            "frozen": "the camera is frozen",
            "behind": "the camera's pictures come with a backlog",
        }
        return health.fault or words.get(health.state, "no frame in time")


def _decodes(seen: SeenPicture) -> bool:
    try:
        summarise(seen.picture.data)
    except CaptureError:
        return False
    return True
