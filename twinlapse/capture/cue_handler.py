"""What a cue gets: the one frame of its identity, exposed while the machine stood, or a record of why not.

The printed file cannot wait for an answer, so a frame is valid only if it was exposed between the cue and the
end of its dwell. What came of a cue is written down before it is answered, and the same cue is answered the
same way until another print begins.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from twinlapse.cameras.clock import Clock, SystemClock
from twinlapse.cameras.latest_frame import LatestFrame
from twinlapse.capture.picture_taking import Lighting, PictureTaker, Standstill, Taken
from twinlapse.capture.run_position import Fit, RunPlace, RunPosition
from twinlapse.errors import CaptureError, FrameError, JobError
from twinlapse.frames.journal import FrameRow
from twinlapse.frames.store import FrameStore
from twinlapse.shots import Cue, Shot, ShotKey

__all__ = ["Answer", "CueHandler", "Heard", "UnknownShotError"]

_NO_CUE = "no cue came"
_BURST_SHARE = 0.8  # of a dwell: a next cue that comes sooner shows that this one had come late


class UnknownShotError(CaptureError):
    """The cue belongs to another job or to no planned shot; nothing was taken."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """What came of a cue."""

    shot: int
    stop: int
    frames: Mapping[str, FrameRow]  # by camera
    repeated: bool  # all of it was known before
    aside: bool = False  # it does not fit to the print's place: the next cue decides whether it counts

    @property
    def taken(self) -> bool:
        """Whether every camera has its frame."""
        return all(row.state in ("taken", "adopted") for row in self.frames.values())

    def to_json(self) -> dict[str, Any]:
        """Return plain values."""
        frames = {
            camera: {
                "state": "aside" if self.aside and row.state == "taken" else row.state,
                "file": row.file,
                "sha256": row.sha256,
                "note": row.note,
                "flags": sorted(row.flags),
            }
            for camera, row in self.frames.items()
        }
        return {"shot": self.shot, "stop": self.stop, "repeated": self.repeated, "frames": frames}


Heard = Callable[[Sequence[Answer]], None]


class CueHandler:
    """Answers cues; safe to call from several threads.

    Parameters
    ----------
    store : FrameStore
        Where frames go; its plan says what may be asked for.
    frames : mapping
        The running cameras, by name.
    lights : Lighting, optional
        The lamps.
    heard : callable, optional
        Told every answer that is not a repetition.
    new_run : callable, optional
        Called when another print of the job has begun.
    """

    def __init__(
        self,
        store: FrameStore,
        frames: Mapping[str, LatestFrame],
        *,
        clock: Clock | None = None,
        lights: Lighting | None = None,
        heard: Heard | None = None,
        new_run: Callable[[], None] | None = None,
    ) -> None:
        self._store = store
        self._clock = clock or SystemClock()
        self._heard = heard or (lambda answers: None)
        self._new_run = new_run or (lambda: None)
        self._shots = {shot.number: shot for shot in store.plan.shots}
        self._stops = [(shot.number, stop) for shot in store.plan.shots for stop in _numbers(shot)]
        self._guard = threading.RLock()
        self._busy: dict[RunPlace, threading.Lock] = {}
        self._taker = PictureTaker(frames, self._clock, lights)
        self._rows = {row.key: row for row in store.rows()}
        answered = ((row.key.shot, row.key.stop) for row in self._rows.values() if row.final)
        self._position = RunPosition(store.plan.shots, max(answered, default=None))
        if store.ended:
            self._position.end()
        self._standing: Standstill | None = None
        self._aside: dict[str, Taken] = {}

    def take(self, cue: Cue, *, job: str = "", late_s: float = 0.0) -> Answer:
        """Answer a cue.

        Parameters
        ----------
        cue : Cue
            Without cameras it asks for all of its stop.
        job : str
            The job that the asker means, when it says so: the sha256 of its G-code or the first digits of it.
        late_s : float
            How long the cue was under way, as far as its channel knows.

        Raises
        ------
        UnknownShotError
            when it belongs to another job or is not planned; nothing is taken.
        """
        began_s = self._clock.mono_s() - late_s
        cameras = self._cameras(cue, job)
        place = (cue.shot, cue.stop)
        with self._guard:
            lock = self._busy.setdefault(place, threading.Lock())
        with lock:
            return self._answer(place, cameras, began_s, late_s)

    def end_run(self, reason: str) -> None:
        """The print has ended or was cancelled: what is missed is final, the next cue begins another run."""
        with self._guard:
            self._store.end_run(reason)
            self._position.end()
            self._aside = {}

    def begin_run(self) -> None:
        """A print begins, as its first line says: one of its first cues then begins another run."""
        with self._guard:
            self._position.begin()

    def close(self) -> None:
        """Let running shots end."""
        self._taker.close()

    def _answer(self, place: RunPlace, cameras: tuple[str, ...], began_s: float, late_s: float) -> Answer:
        with self._guard:
            known = {camera: self._known(place, camera) for camera in cameras}
            wanted = [camera for camera, row in known.items() if row is None]
            before = self._position.last
            fit = self._position.judge(place, began_s, answered=not wanted)
            again = fit is Fit.ASIDE and self._position.aside == place and bool(self._aside)
            self._position.take(place, began_s, fit, answered=not wanted)
            confirmed: list[Answer] = []
            if fit is Fit.NEXT:
                self._store.resume_run()
            if fit is Fit.NEW_RUN:
                self._enter_run()
                before, wanted, known = None, list(cameras), {}
            if fit in (Fit.NEW_RUN, Fit.JUMP):
                confirmed = self._keep_aside()
            if fit in (Fit.NEXT, Fit.JUMP, Fit.NEW_RUN):
                self._aside, self._aside_place = {}, None
            standing = self._stand(place, began_s, late_s, fit)
        frames = {camera: row for camera, row in known.items() if row is not None}
        if fit is Fit.REPEATED:
            return self._reply(place, frames, repeated=True)
        if again:
            return self._reply(place, self._shown_aside(place), repeated=True, aside=True)
        wanted = wanted or (list(cameras) if fit is Fit.ASIDE else [])
        taken = self._taker.take(standing, wanted)
        if fit is Fit.ASIDE:
            with self._guard:
                self._aside, self._aside_place = taken, place
            return self._reply(place, self._shown_aside(place), repeated=False, aside=True)
        frames |= {camera: self._write(standing, camera, one) for camera, one in taken.items()}
        answer = self._reply(place, frames, repeated=False)
        gap = [] if fit is Fit.EARLIER else self._close_gap(before, place)
        self._heard([*gap, *confirmed, answer])
        return answer

    def _reply(
        self, place: RunPlace, frames: Mapping[str, FrameRow], *, repeated: bool, aside: bool = False
    ) -> Answer:
        return Answer(shot=place[0], stop=place[1], frames=frames, repeated=repeated, aside=aside)

    def _known(self, place: RunPlace, camera: str) -> FrameRow | None:
        row = self._rows.get(self._store.key(*place, camera))
        return row if row is not None and row.final else None

    def _stand(self, place: RunPlace, began_s: float, late_s: float, fit: Fit) -> Standstill:
        """Note a new standstill; one that it overtakes had been cued late."""
        dwell_s = self._shots[place[0]].stops[place[1] - 1].dwell_s
        standing = Standstill(place, self._store.run, began_s, dwell_s, late_s)
        earlier = self._standing
        if fit in (Fit.NEXT, Fit.JUMP, Fit.NEW_RUN):
            if earlier is not None and earlier.place != place:
                gap_s = began_s - earlier.began_s
                standing.unsure = 0 <= gap_s < _BURST_SHARE * earlier.dwell_s
                if standing.unsure:
                    earlier.overtaken.set()
            self._standing = standing
        return standing

    def _enter_run(self) -> None:
        self._store.begin_run()
        self._rows = {}
        self._new_run()

    def _cameras(self, cue: Cue, job: str) -> tuple[str, ...]:
        if not all(self._store.plan.original_sha256.startswith(code) for code in (job, cue.job)):
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

    def _write(self, standing: Standstill, camera: str, taken: Taken) -> FrameRow:
        key = replace(self._store.key(*standing.place, camera), run=standing.run)
        with self._guard:
            if standing.run != self._store.run:
                return FrameRow(key=key, state="missed", times=taken.times, note="another print began")
        row = self._put(key, taken)
        with self._guard:
            if standing.run == self._store.run:
                self._rows[key] = row
        return row

    def _put(self, key: ShotKey, taken: Taken) -> FrameRow:
        note, state, flags = taken.note, taken.state, taken.flags
        if taken.data:
            try:
                return self._store.put(key, taken.data, taken.times, note=note, flags=flags)
            except FrameError as error:
                note, state, flags = error.what, "missed", frozenset()
        times = replace(taken.times, exposed_from_mono_s=None, exposed_to_mono_s=None)
        try:
            return self._store.miss(key, times, note, state)
        except JobError:  # not even this can be written down: say so, and go on with the next shot
            return FrameRow(key=key, state=state, times=times, note=f"{note}, not written down")

    def _shown_aside(self, place: RunPlace) -> dict[str, FrameRow]:
        words = "put aside: the next cue decides whether it counts"
        return {
            camera: FrameRow(
                key=self._store.key(*place, camera), state=one.state, times=one.times, note=words
            )
            for camera, one in self._aside.items()
        }

    def _keep_aside(self) -> list[Answer]:
        """Write the frames down that were put aside, now that their cue is confirmed."""
        place = self._aside_place
        if place is None:
            return []
        standing = Standstill(place, self._store.run, 0.0, 0.0, 0.0)
        frames = {camera: self._write(standing, camera, one) for camera, one in self._aside.items()}
        return [self._reply(place, frames, repeated=False)]

    _aside_place: RunPlace | None = None

    def _close_gap(self, before: RunPlace | None, place: RunPlace) -> list[Answer]:
        """Write down in one transaction what was planned before this cue and never asked for."""
        with self._guard:
            gap = [stop for stop in self._stops if (before or (0, 0)) < stop < place]
            gap = [stop for stop in gap if stop not in self._busy or not self._busy[stop].locked()]
            keys = [
                key
                for shot, stop in gap
                for camera in self._shots[shot].stops[stop - 1].cameras
                if (key := self._store.key(shot, stop, camera)) not in self._rows
            ]
            if not keys:
                return []
            try:
                rows = self._store.miss_all(keys, _NO_CUE)
            except JobError:
                return []
            self._rows |= {row.key: row for row in rows}
        stops: dict[RunPlace, dict[str, FrameRow]] = {}
        for row in rows:
            stops.setdefault((row.key.shot, row.key.stop), {})[row.key.camera] = row
        return [self._reply(stop, frames, repeated=False) for stop, frames in stops.items()]


def _numbers(shot: Shot) -> range:
    return range(1, len(shot.stops) + 1)
