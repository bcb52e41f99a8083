"""The loop that looks at cameras, lamps, cue inputs, disk and silence while the print runs."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Mapping, Sequence
from typing import Protocol

from twinlapse.cameras.clock import Clock
from twinlapse.cameras.latest_frame import LATE_S, LatestFrame
from twinlapse.capture.alarms import AlarmWatch
from twinlapse.capture.background_thread import BackgroundThread
from twinlapse.capture.cue_handler import Answer
from twinlapse.capture.forecast import Forecast
from twinlapse.capture.lights import Lights
from twinlapse.frames.job import Job
from twinlapse.frames.journal import FrameFlag
from twinlapse.frames.store import free_bytes

__all__ = ["CameraRecord", "CueInput", "Supervisor"]

_TICK_S = 0.25  # a lamp follows the plan to a quarter of a second
_OLD_S = 0.5 * LATE_S  # an age of half of what a frame is waited for is told
_CHANNEL_PATIENCE_S = 15.0  # for a channel to come back by itself (common practice, no source)
_FAILING_S, _FAILING_SHARE, _FAILING_LEAST = 600.0, 0.2, 5  # one cue in five over ten minutes
_WELL_SHARE = 0.5  # of that: so few failures are needed for the all-clear, so that it does not flap


class CueInput(Protocol):
    """Where cues come in: a log, a serial line, a broker."""

    fault: str

    def start(self) -> None:
        """Begin to listen."""

    def stop(self) -> None:
        """End."""


class CameraRecord:
    """What became of the cues of each camera, for the alarms."""

    def __init__(self, watch: AlarmWatch, clock: Clock, after_missed: int) -> None:
        self._watch, self._clock, self._limit = watch, clock, after_missed
        self.restart()

    def restart(self) -> None:
        """Forget everything: another print begins."""
        self._in_row: dict[str, int] = {}
        self._failing: set[str] = set()
        self._lately: dict[str, deque[tuple[float, bool]]] = {}

    def heard(self, answers: Sequence[Answer]) -> None:
        """Take in what came of cues."""
        now_s = self._clock.mono_s()
        for answer in answers:
            for camera, row in answer.frames.items():
                taken = row.state in ("taken", "adopted")
                self._in_row[camera] = 0 if taken else self._in_row.get(camera, 0) + 1
                lately = self._lately.setdefault(camera, deque(maxlen=1000))
                if row.final:
                    lately.append((now_s, taken))
                self._row_of_misses(camera, row.note)
                dark = FrameFlag.DARK in row.flags
                self._watch.report(f"dark {camera}", f"{camera}: the picture is dark" if dark else "")
                self._often(camera, now_s)

    def _row_of_misses(self, camera: str, why: str) -> None:
        count = self._in_row[camera]
        text = f"{camera}: {count} frames in a row were not taken ({why})" if count >= self._limit else ""
        self._watch.report(f"missed {camera}", text)

    def _often(self, camera: str, now_s: float) -> None:
        lately = self._lately[camera]
        while lately and now_s - lately[0][0] > _FAILING_S:
            lately.popleft()
        failed = sum(not taken for _, taken in lately)
        limit = _FAILING_SHARE * (_WELL_SHARE if camera in self._failing else 1.0)
        often = len(lately) >= _FAILING_LEAST and failed >= limit * len(lately)
        (self._failing.add if often else self._failing.discard)(camera)
        text = f"{camera}: {failed} of its last {len(lately)} frames failed within ten minutes"
        self._watch.report(f"failing {camera}", text if often else "")


class Supervisor(BackgroundThread):
    """Reports how things stand, four times a second.

    Parameters
    ----------
    ended : callable
        Whether the print has ended: nothing is overdue then.
    renew : sequence of callable
        What keeps supplies on, called at every look.
    """

    def __init__(
        self,
        job: Job,
        frames: Mapping[str, LatestFrame],
        lights: Lights,
        inputs: Mapping[str, CueInput],
        forecast: Forecast,
        watch: AlarmWatch,
        clock: Clock,
        *,
        min_free_mb: float,
        ended: Callable[[], bool],
        renew: Sequence[Callable[[], None]] = (),
    ) -> None:
        super().__init__("supervisor")
        self._job, self._frames, self._lights, self._inputs = job, frames, lights, inputs
        self._forecast, self._watch, self._clock = forecast, watch, clock
        self._min_free_mb, self._ended, self._renew = min_free_mb, ended, renew

    def look(self) -> None:
        """Look once."""
        now_s = self._clock.mono_s()
        for renew in self._renew:
            renew()
        self._lights.tick(self._forecast.due_in_s(now_s))
        self._watch.cameras({name: frame.health() for name, frame in self._frames.items()})
        faults = ", ".join(lamp.fault for lamp in self._lights.each if lamp.fault)
        self._watch.report("light", f"a light does not switch: {faults}" if faults else "")
        for name, channel in self._inputs.items():
            self._watch.report(f"channel {name}", channel.fault, patience_s=_CHANNEL_PATIENCE_S)
        free_mb = free_bytes(self._job.folder) / 1e6
        low = free_mb < self._min_free_mb
        self._watch.report("space", f"only {free_mb:.0f} MB are free" if low else "")
        self._watch.report("silence", self._silence(now_s))
        for name, frame in self._frames.items():
            self._watch.report(f"age {name}", self._too_old(name, frame))

    def _too_old(self, name: str, frame: LatestFrame) -> str:
        """Say when the measured age of a pipeline nears what a frame is waited for."""
        age_s = frame.health().age_s
        if age_s is None or age_s < _OLD_S:
            return ""
        return (
            f"{name}: its pictures are up to {age_s:.1f} s old; none is waited for longer than {LATE_S:g} s"
        )

    def _silence(self, now_s: float) -> str:
        overdue_s = 0.0 if self._ended() else self._forecast.silent_s(now_s)
        upcoming = self._forecast.upcoming
        if not overdue_s or upcoming is None:
            return ""
        waited = self._forecast.waits_behind
        if waited is not None:
            return (
                f"layer {waited.layer + 1} is printed, and the machine has waited for you, hot, for about "
                f"{overdue_s / 60:.0f} minutes: let it go on, or stop it"
            )
        return (
            f"no cue for shot {upcoming.number} has come, it is {overdue_s / 60:.0f} minutes overdue: "
            "is the print paused or stopped, or does its cue not reach this service?"
        )

    def _run(self) -> None:
        while not self._stopped.wait(_TICK_S):
            self.look()
