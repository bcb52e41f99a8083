"""One thread a camera that reads all it sends and keeps the newest picture, so that no queue can grow old.

A picture that lay ready in a queue while this thread was held up arrived earlier than it was read. Such
pictures are marked: a frame is trusted when the thread had to wait for it, and not after a stall.
"""

from __future__ import annotations

import hashlib
import threading
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from itertools import pairwise

from twinlapse.cameras.clock import Clock, SystemClock
from twinlapse.cameras.sources.base import CameraPicture, Source
from twinlapse.errors import CaptureError

FROZEN_AFTER = 3  # identical pictures in a row: a sensor's noise never repeats
_FIRST_PAUSE_S, _LONGEST_PAUSE_S = 0.2, 5.0
_READY_S, _READY_SHARE = 0.001, 0.1  # a wait shorter than this, or this share of a period: it lay ready
_STALL_S = 0.5


@dataclass(frozen=True, slots=True, kw_only=True)
class Health:
    """How a camera is doing."""

    state: str  # "live", "frozen", "silent", "gone"
    fps: float
    pictures: int
    reconnects: int
    fault: str  # why it is gone, "" while it is not
    newest_s: float | None  # monotonic arrival of the newest picture


class LatestFrame:
    """Keeps a camera's newest picture and lets others wait for one that is new enough.

    Parameters
    ----------
    name : str
        Of the camera.
    connect : callable
        Opens its source; called again after every failure, with growing pauses.
    """

    def __init__(self, name: str, connect: Callable[[], Source], clock: Clock | None = None) -> None:
        self.name = name
        self._connect = connect
        self._clock = clock or SystemClock()
        self._news = threading.Condition()
        self._stopped = threading.Event()
        self._source: Source | None = None
        self._newest: CameraPicture | None = None
        self._trusted = False
        self._arrivals: deque[float] = deque(maxlen=31)
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
        """Hang up, so that the camera is opened anew."""
        source = self._source
        if source is not None:
            source.close()

    @property
    def newest(self) -> CameraPicture | None:
        """The newest picture, whatever its worth."""
        return self._newest

    def wait(self, accept: Callable[[CameraPicture], bool], deadline_s: float) -> CameraPicture | None:
        """Return the first trusted picture that `accept` takes, or None when the deadline has passed.

        `deadline_s` is a monotonic time of the drain's clock.
        """
        with self._news:
            while True:
                picture = self._newest
                if picture is not None and self._trusted and accept(picture):
                    return picture
                left_s = deadline_s - self._clock.mono_s()
                if left_s <= 0 or self._stopped.is_set():
                    return None
                self._news.wait(min(left_s, 0.25))

    def health(self) -> Health:
        """Return how the camera is doing."""
        with self._news:
            newest = self._newest
            quiet_s = self._clock.mono_s() - newest.arrived_s if newest else 0.0
            state = "gone" if self._fault else "live"
            if state == "live" and self._same >= FROZEN_AFTER:
                state = "frozen"
            elif state == "live" and quiet_s > max(2.0, 5 * self._period_s()):
                state = "silent"
            return Health(
                state=state,
                fps=0.0 if state in ("gone", "silent") else 1 / max(self._period_s(), 1e-3),
                pictures=self._count,
                reconnects=max(0, self._connects - 1),
                fault=self._fault,
                newest_s=newest.arrived_s if newest else None,
            )

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
                self._arrivals.clear()
                for picture in self._source.pictures():
                    self._keep(picture)
                    if self._stopped.is_set():
                        break
                self._fail("the camera ended")
            except CaptureError as error:
                self._fail(str(error))
            except Exception as error:  # a source that fails in an unknown way must not end the night
                self._fail(f"{type(error).__name__}: {error}")
            finally:
                if self._source is not None:
                    self._source.close()
                self._source = None
            pause_s = _FIRST_PAUSE_S if self._count > before else min(2 * pause_s, _LONGEST_PAUSE_S)
            self._stopped.wait(pause_s)

    def _keep(self, picture: CameraPicture) -> None:
        digest = hashlib.blake2b(picture.data, digest_size=16).digest()
        with self._news:
            self._same = self._same + 1 if digest == self._digest else 1
            self._trusted = self._same < FROZEN_AFTER and self._may_trust(picture)
            self._digest = digest
            self._newest = picture
            self._arrivals.append(picture.arrived_s)
            self._count += 1
            self._fault = ""
            self._news.notify_all()

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
            self._trusted = False
            self._news.notify_all()


def exposed_after(cue_s: float, age_s: float) -> Callable[[CameraPicture], bool]:
    """Return the test that a picture was exposed after the cue at `cue_s`.

    A picture with the driver's stamp proves it. Else it must have arrived `age_s` after the cue, where
    `age_s` is the oldest that the pipeline delivers plus one period.
    """
    margin_s = 0.002  # resolution of a driver's stamp

    def accept(picture: CameraPicture) -> bool:
        if picture.exposed_s is not None:
            return picture.exposed_s - margin_s >= cue_s
        return picture.arrived_s >= cue_s + age_s

    return accept
