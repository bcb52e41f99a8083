"""What a cue gets: the one frame of its identity, exposed while the machine stood, or an honest word.

The printed file cannot wait for an answer, so the dwell is the contract: a frame counts when it was exposed
after the cue and was here before the dwell ended. What came of a cue is written down before it is answered,
and the same cue is answered the same way for ever.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from typing import Any

from twinlapse.cameras.clock import Clock, SystemClock
from twinlapse.cameras.jpeg import summarise
from twinlapse.cameras.latest_frame import LatestFrame, exposed_after
from twinlapse.cameras.sources.base import CameraPicture
from twinlapse.errors import CaptureError, FrameError, JobError
from twinlapse.frames.journal import FrameRow, FrameTimes, State
from twinlapse.frames.store import FrameStore
from twinlapse.shots import Cue, Shot, ShotKey

DARK_LUMA = 12.0  # mean of 255, below which nothing can be seen (common practice, no source)


class UnknownShotError(CaptureError):
    """The cue belongs to another job or to no planned shot; nothing was taken."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """What came of a cue."""

    shot: int
    stop: int
    frames: Mapping[str, FrameRow]  # by camera
    repeated: bool  # all of it was known before

    @property
    def taken(self) -> bool:
        """Whether every camera has its frame."""
        return all(row.state in ("taken", "adopted") for row in self.frames.values())

    def to_json(self) -> dict[str, Any]:
        """Return plain values."""
        frames = {
            camera: {"state": row.state, "file": row.file, "sha256": row.sha256, "note": row.note}
            for camera, row in self.frames.items()
        }
        return {"shot": self.shot, "stop": self.stop, "repeated": self.repeated, "frames": frames}


Lighting = Callable[[str, float], str]


class CueHandler:
    """Answers cues; safe to call from several threads.

    Parameters
    ----------
    store : FrameStore
        Where frames go; its plan says what may be asked for.
    drains : mapping
        The running cameras, by name.
    age_s : mapping
        Oldest picture that each camera's pipeline delivers, and one period.
    light : callable, optional
        Called with camera and deadline before its frame is awaited; returns a note, "" when all is well.
    heard : callable, optional
        Told every answer that is not a repetition.
    """

    def __init__(
        self,
        store: FrameStore,
        drains: Mapping[str, LatestFrame],
        age_s: Mapping[str, float],
        *,
        clock: Clock | None = None,
        light: Lighting | None = None,
        heard: Callable[[Answer], None] | None = None,
    ) -> None:
        self._store = store
        self._drains = drains
        self._age_s = age_s
        self._clock = clock or SystemClock()
        self._light = light
        self._heard = heard
        self._shots = {shot.number: shot for shot in store.plan.shots}
        self._stops = [(shot.number, stop) for shot in store.plan.shots for stop in _numbers(shot)]
        self._guard = threading.Lock()
        self._busy: dict[tuple[int, int], threading.Lock] = {}
        self._pool = ThreadPoolExecutor(max_workers=8, thread_name_prefix="shot")
        self._closed_up_to = self._last_answered()

    def take(self, cue: Cue, *, job: str = "", late_s: float = 0.0) -> Answer:
        """Answer a cue.

        Parameters
        ----------
        cue : Cue
            Without cameras it asks for all of its stop.
        job : str
            The job that the asker means, when it says so.
        late_s : float
            How long the cue was under way, as far as its channel knows.

        Raises
        ------
        UnknownShotError
            when it belongs to another job or is not planned; nothing is taken.
        """
        began_s = self._clock.mono_s() - late_s
        cameras = self._cameras(cue, job)
        with self._guard:
            lock = self._busy.setdefault((cue.shot, cue.stop), threading.Lock())
        with lock:
            known = {
                camera: self._store.get(self._store.key(cue.shot, cue.stop, camera)) for camera in cameras
            }
            wanted = [camera for camera, row in known.items() if row is None]
            self._close_gap(cue)
            frames = {camera: row for camera, row in known.items() if row is not None}
            frames |= self._take_all(cue, wanted, began_s, late_s)
        answer = Answer(shot=cue.shot, stop=cue.stop, frames=frames, repeated=not wanted)
        if wanted and self._heard:
            self._heard(answer)
        return answer

    def close(self) -> None:
        """Let running shots end."""
        self._pool.shutdown()

    def _cameras(self, cue: Cue, job: str) -> tuple[str, ...]:
        if job and job != self._store.plan.gcode_sha256:
            raise UnknownShotError("the cue is of another job", "print the file that this plan was made for")
        shot = self._shots.get(cue.shot)
        if shot is None or not 1 <= cue.stop <= len(shot.stops):
            raise UnknownShotError(f"the plan has no shot {cue.shot}.{cue.stop}", "use the plan of this file")
        planned = shot.stops[cue.stop - 1].cameras
        if stray := sorted(set(cue.cameras) - set(planned)):
            raise UnknownShotError(
                f"shot {cue.shot}.{cue.stop} is none of {', '.join(stray)}", "use the plan of this file"
            )
        return cue.cameras or planned

    def _take_all(self, cue: Cue, cameras: list[str], began_s: float, late_s: float) -> dict[str, FrameRow]:
        if len(cameras) == 1:
            return {cameras[0]: self._take_one(cue, cameras[0], began_s, late_s)}
        futures = {
            camera: self._pool.submit(self._take_one, cue, camera, began_s, late_s) for camera in cameras
        }
        return {camera: future.result() for camera, future in futures.items()}

    def _take_one(self, cue: Cue, camera: str, began_s: float, late_s: float) -> FrameRow:
        key = self._store.key(cue.shot, cue.stop, camera)
        dwell_s = self._shots[cue.shot].stops[cue.stop - 1].dwell_s
        deadline_s = began_s + dwell_s
        wall_s = self._clock.wall_s() - late_s
        times = FrameTimes(cue_wall_s=wall_s, cue_mono_s=began_s)
        drain = self._drains.get(camera)
        if drain is None:
            return self._miss(key, times, "no such camera")
        if self._clock.mono_s() >= deadline_s:
            return self._miss(key, times, "late", state="late")
        note = self._light(camera, deadline_s) if self._light else ""
        ready_s = self._clock.mono_s() if self._light else began_s
        new_enough = exposed_after(ready_s, self._age_s.get(camera, 0.25))
        picture = drain.wait(lambda shown: new_enough(shown) and _decodes(shown), deadline_s)
        if picture is None:
            return self._miss(key, times, self._why(drain))
        return self._keep(key, picture, times, note)

    def _keep(self, key: ShotKey, picture: CameraPicture, cued: FrameTimes, note: str) -> FrameRow:
        assert cued.cue_mono_s is not None and cued.cue_wall_s is not None
        frame_s = picture.arrived_s if picture.exposed_s is None else picture.exposed_s
        times = replace(cued, frame_wall_s=cued.cue_wall_s + frame_s - cued.cue_mono_s, frame_mono_s=frame_s)
        dark = "dark" if summarise(picture.data).luma < DARK_LUMA else ""
        try:
            return self._store.put(
                key, picture.data, times, note=", ".join(word for word in (note, dark) if word)
            )
        except FrameError as error:
            return self._miss(key, cued, error.what)

    def _miss(self, key: ShotKey, times: FrameTimes, note: str, state: State = "missed") -> FrameRow:
        try:
            return self._store.miss(key, times, note, state)
        except JobError:  # not even this can be written down: say so, and go on with the next shot
            return FrameRow(key=key, state=state, times=times, note=f"{note}, not written down")

    def _why(self, drain: LatestFrame) -> str:
        health = drain.health()
        return health.fault or {"silent": "the camera is silent", "frozen": "the camera is frozen"}.get(
            health.state, "no frame in time"
        )

    def _close_gap(self, cue: Cue) -> None:
        """Write down as missed what was planned before this cue and never asked for."""
        place = (cue.shot, cue.stop)
        with self._guard:
            gap = [stop for stop in self._stops if self._closed_up_to < stop < place]
            self._closed_up_to = max(self._closed_up_to, place)
            # those whose cue is being answered at this moment are not missed
            gap = [stop for stop in gap if stop not in self._busy or not self._busy[stop].locked()]
            missed = [answer for answer in map(self._never_cued, gap) if answer.frames]
        for answer in missed:
            if self._heard:
                self._heard(answer)

    def _never_cued(self, place: tuple[int, int]) -> Answer:
        shot, stop = place
        keys = [self._store.key(shot, stop, name) for name in self._shots[shot].stops[stop - 1].cameras]
        frames = {
            key.camera: self._miss(key, FrameTimes(), "no cue came")
            for key in keys
            if self._store.get(key) is None
        }
        return Answer(shot=shot, stop=stop, frames=frames, repeated=False)

    def _last_answered(self) -> tuple[int, int]:
        return max(((row.key.shot, row.key.stop) for row in self._store.rows()), default=(0, 0))


def _numbers(shot: Shot) -> range:
    return range(1, len(shot.stops) + 1)


def _decodes(picture: CameraPicture) -> bool:
    try:
        summarise(picture.data)
    except CaptureError:
        return False
    return True
