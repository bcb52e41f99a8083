"""One thread a camera that reads all it sends, keeps the newest picture and says when it was exposed.

A picture that lay ready in a queue while this thread was held up arrived earlier than it was read. Such
pictures are marked: a frame is trusted when the thread had to wait for it, and not after a stall.
"""

from __future__ import annotations

import hashlib
import threading
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, replace
from itertools import pairwise

from twinlapse.cameras.clock import Clock, SystemClock
from twinlapse.cameras.exposure import Basis, ExposureBounds, LightWitness, PipelineClock
from twinlapse.cameras.jpeg import summarise
from twinlapse.cameras.sources.base import CameraPicture, Source
from twinlapse.errors import CaptureError

__all__ = ["FROZEN_AFTER", "LATE_S", "Health", "LatestFrame", "SeenPicture"]

FROZEN_AFTER = 3  # identical pictures in a row: a sensor's noise never repeats
_FIRST_PAUSE_S, _LONGEST_PAUSE_S = 0.2, 5.0  # between two tries to connect (common practice, no source)
_READY_S, _READY_SHARE = 0.001, 0.1  # a wait shorter than this, or this share of a period: it lay ready
_STALL_S = 0.5  # a gap this long, or of four periods, is a stall (common practice, no source)
_DEBT_S, _DEBT_FOR_S = 0.3, 1.5  # a backlog that is not paid in this time: reconnect
LATE_S = 4.0  # a proven picture of a standstill may arrive this long after it (common practice, no source)
_FIRST_LATE_S = 1.0  # while no picture has ever shown the light
_KEPT = 64  # pictures that a waiter may be behind, two seconds at 30 a second


@dataclass(frozen=True, slots=True, kw_only=True)
class Health:
    """How a camera is doing."""

    state: str  # "live", "behind" (a backlog), "frozen", "silent", "gone"
    fps: float
    pictures: int
    reconnects: int
    fault: str  # why it is gone, "" while it is not
    newest_s: float | None  # monotonic arrival of the newest picture
    age_s: float | None  # of the pipeline, an upper bound measured by light or stamp; None: unknown
    basis: Basis  # what the age rests on


@dataclass(frozen=True, slots=True, kw_only=True)
class SeenPicture:
    """A picture and when it can have been exposed."""

    picture: CameraPicture
    bounds: ExposureBounds
    trusted: bool  # not frozen, and it did not lie ready when the reader came back
    number: int  # of the pictures of this camera, from 1


class LatestFrame:
    """Keeps a camera's newest picture and lets others wait for one that is new enough.

    Parameters
    ----------
    name : str
        Of the camera.
    connect : callable
        Opens its source; called again after every failure, with growing pauses.
    age_s : float, optional
        Oldest picture of its pipeline plus one period as the rig states it; None: unknown.
    """

    def __init__(
        self,
        name: str,
        connect: Callable[[], Source],
        clock: Clock | None = None,
        *,
        age_s: float | None = None,
    ) -> None:
        self.name = name
        self._connect = connect
        self._clock = clock or SystemClock()
        self._news = threading.Condition()
        self._stopped = threading.Event()
        self._source: Source | None = None
        self._seen: deque[SeenPicture] = deque(maxlen=_KEPT)
        self._pipeline = PipelineClock(age_s)
        self._light = LightWitness(self._pipeline)
        self._arrivals: deque[float] = deque(maxlen=31)
        self._debt_since_s: float | None = None
        self._digest = b""
        self._same = 1
        self._count = 0
        self._connects = 0
        self._fault = "not yet connected"
        self._thread = threading.Thread(target=self._run, name=f"camera {name}", daemon=True)

    def start(self) -> None:
        """Begin to read."""
        self._thread.start()

    def stop(self) -> None:
        """End and give the camera back."""
        self._stopped.set()
        source = self._source
        if source is not None:
            source.close()
        if self._thread.ident is not None:
            self._thread.join(timeout=6)

    def reconnect(self) -> None:
        """Hang up, so that the camera is opened again."""
        source = self._source
        if source is not None:
            source.close()

    @property
    def newest(self) -> CameraPicture | None:
        """The newest picture, whatever its worth."""
        return self._seen[-1].picture if self._seen else None

    @property
    def proves(self) -> bool:
        """Whether this camera's pictures can prove when they were exposed, by stamp or by light."""
        with self._news:
            return self.stamped or (self._light.tried and self._light.useful)

    @property
    def patience_s(self) -> float:
        """How long after the machine has left a picture that proves its time is worth waiting for."""
        if not self.proves:
            return 0.0
        with self._news:
            return LATE_S if self.stamped or self._pipeline.age_s is not None else _FIRST_LATE_S

    def missed_light(self) -> None:
        """Say that a shot has passed without a picture that proves its time."""
        with self._news:
            self._light.missed()

    @property
    def stamped(self) -> bool:
        """Whether its driver stamps its pictures."""
        return bool(self._seen) and self._seen[-1].bounds.basis is Basis.STAMP

    @property
    def period_s(self) -> float:
        """Seconds from picture to picture at present, the longest of late."""
        with self._news:
            return self._pipeline.longest_period_s

    @property
    def counts(self) -> bool:
        """Whether a light that was seen a while ago still bounds what is exposed now."""
        with self._news:
            return self._pipeline.carries(self._clock.mono_s())

    def switching_light(self, on: bool) -> None:
        """Say that a command to switch this camera's light begins now."""
        now_s = self._clock.mono_s()
        newest = self.newest
        luma = None if newest is None else _luma(newest)
        with self._news:
            self._light.switching(on, now_s, luma)

    def switched_light(self, on: bool) -> None:
        """Say that the command has ended."""
        with self._news:
            self._light.switched(on, self._clock.mono_s())

    def wait(self, accept: Callable[[CameraPicture], bool], deadline_s: float) -> CameraPicture | None:
        """Return the first trusted picture that `accept` takes, or None when the deadline has passed.

        `deadline_s` is a monotonic time of the clock.
        """
        seen = self.follow(lambda one: one.trusted and accept(one.picture), deadline_s)
        return None if seen is None else seen.picture

    def follow(self, accept: Callable[[SeenPicture], bool], deadline_s: float) -> SeenPicture | None:
        """Return the first picture from the newest on that `accept` takes, None when the deadline has passed.

        Each picture is shown once, in the order of arrival, trusted or not.
        """
        shown = self._count - 1
        while True:
            with self._news:
                fresh = [one for one in self._seen if one.number > shown]
                if not fresh:
                    left_s = deadline_s - self._clock.mono_s()
                    if left_s <= 0 or self._stopped.is_set():
                        return None
                    self._news.wait(min(left_s, 0.25))
                    continue
            for one in fresh:
                shown = one.number
                if accept(one):
                    return one
            if self._clock.mono_s() >= deadline_s:
                return None

    def health(self) -> Health:
        """Return how the camera is doing."""
        with self._news:
            newest = self.newest
            quiet_s = self._clock.mono_s() - newest.arrived_s if newest else 0.0
            state = "gone" if self._fault else "live"
            if state == "live" and self._same >= FROZEN_AFTER:
                state = "frozen"
            elif state == "live" and quiet_s > max(2.0, 5 * self._period_s()):
                state = "silent"
            elif (
                state == "live" and self._pipeline.debt_s > _DEBT_S and self._connects and not self._proven()
            ):
                state = "behind"
            basis = self._seen[-1].bounds.basis if self._seen else Basis.UNKNOWN
            return Health(
                state=state,
                fps=0.0 if state in ("gone", "silent") else 1 / max(self._period_s(), 1e-3),
                pictures=self._count,
                reconnects=max(0, self._connects - 1),
                fault=self._fault,
                newest_s=newest.arrived_s if newest else None,
                age_s=self._age_s(),
                basis=basis,
            )

    def _proven(self) -> bool:
        return bool(self._seen) and self._seen[-1].bounds.basis.proven

    def _age_s(self) -> float | None:
        if self._pipeline.age_s is not None or not self._seen:
            return self._pipeline.age_s
        newest = self._seen[-1]
        stamped = newest.bounds.basis is Basis.STAMP
        return newest.picture.arrived_s - newest.bounds.earliest_s if stamped else None

    def _period_s(self) -> float:
        if len(self._arrivals) < 2:
            return 1.0
        return (self._arrivals[-1] - self._arrivals[0]) / (len(self._arrivals) - 1)

    def _run(self) -> None:
        pause_s = _FIRST_PAUSE_S
        while not self._stopped.is_set():
            before = self._count
            try:
                self._source = self._connect()
                self._connects += 1
                self._begin_connection()
                for picture in self._source.pictures():
                    self.keep(picture)
                    if self._stopped.is_set():
                        break
                self._fail("the camera ended")
            except CaptureError as error:
                self._fail(str(error))
            except Exception as error:  # a source that fails in an unknown way must not end the service
                self._fail(f"{type(error).__name__}: {error}")
            finally:
                if self._source is not None:
                    self._source.close()
                self._source = None
            pause_s = _FIRST_PAUSE_S if self._count > before else min(2 * pause_s, _LONGEST_PAUSE_S)
            self._stopped.wait(pause_s)

    def _begin_connection(self) -> None:
        with self._news:
            self._arrivals.clear()
            self._pipeline.restart()
            self._light.restart()
            self._debt_since_s = None

    def keep(self, picture: CameraPicture) -> SeenPicture:
        """Take in the next picture of the camera."""
        digest = hashlib.blake2b(picture.data, digest_size=16).digest()
        with self._news:
            wants_luma = self._light.wants_luma(picture.arrived_s)
        luma = _luma(picture) if wants_luma else None
        with self._news:
            self._same = self._same + 1 if digest == self._digest else 1
            trusted = self._same < FROZEN_AFTER and self._may_trust(picture)
            self._digest = digest
            if self._same > 1 and self._seen:  # nothing new was exposed
                bounds = replace(self._seen[-1].bounds, latest_s=picture.arrived_s)
            else:
                bounds = self._pipeline.arrived(picture)
            if luma is not None and self._same == 1:
                bounds = self._light.judge(bounds, luma)
            self._arrivals.append(picture.arrived_s)
            self._count += 1
            seen = SeenPicture(picture=picture, bounds=bounds, trusted=trusted, number=self._count)
            self._seen.append(seen)
            self._fault = ""
            behind = self._stays_behind(picture.arrived_s)
            self._news.notify_all()
        if behind:
            self.reconnect()  # what the network or the camera's sender holds back goes with the connection
        return seen

    def _stays_behind(self, now_s: float) -> bool:
        if self._pipeline.debt_s <= _DEBT_S or self._proven():
            self._debt_since_s = None
            return False
        if self._debt_since_s is None:
            self._debt_since_s = now_s
        return now_s - self._debt_since_s > _DEBT_FOR_S

    def _may_trust(self, picture: CameraPicture) -> bool:
        if picture.exposed_s is not None or picture.waited_s is None:
            return True  # it has a time of its own
        if not self._arrivals:
            return False  # the camera had it ready when the connection came
        gaps_s = sorted(b - a for a, b in pairwise(self._arrivals)) or [0.0]
        if picture.waited_s < max(_READY_S, _READY_SHARE * gaps_s[len(gaps_s) // 2]):
            return False  # a busy machine takes a moment to fetch even what lies ready
        gap_s = picture.arrived_s - self._arrivals[-1]
        return gap_s < max(_STALL_S, 4 * self._period_s())

    def _fail(self, fault: str) -> None:
        with self._news:
            self._fault = fault
            if self._seen:  # it was worth something while there was a next one to come
                self._seen[-1] = replace(self._seen[-1], trusted=False)
            self._news.notify_all()


def _luma(picture: CameraPicture) -> float | None:
    try:
        return summarise(picture.data).luma
    except CaptureError:
        return None
