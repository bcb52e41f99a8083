"""What a printer says, line by line: a print begins, a shot is announced, a cue, a print ends."""

from __future__ import annotations

import contextlib
import threading
import time
from collections import deque
from dataclasses import dataclass
from typing import Protocol

from twinlapse.capture.cue_handler import Answer
from twinlapse.shots import Cue, find_arm, find_cue, find_run

__all__ = ["HeardLine", "Listener", "PrinterLines"]

_KEPT = 200  # lines for the page that shows what arrives
_SHOWN = 200  # characters of one
_SAME_S = 10.0  # by which channels differ: a log file is written later (common practice, no source)
_CUE_LIMIT_S = 15.0  # no cue takes longer: a dwell, and what a frame is waited for


class Listener(Protocol):
    """Who acts on what a printer says."""

    def begin(self, code: str) -> None:
        """A print of a job begins."""

    def end(self, code: str) -> None:
        """It has ended."""

    def arm(self, shot: int) -> None:
        """A shot is announced."""

    def cue(self, cue: Cue, late_s: float, channel: str) -> Answer | None:
        """The machine stands for a shot."""


@dataclass(frozen=True, slots=True, kw_only=True)
class HeardLine:
    """One line as it arrived."""

    at_s: float  # seconds since the epoch
    channel: str
    text: str
    meaning: str  # "begin", "end", "arm", "cue" or "" where it means nothing to us


class PrinterLines:
    """Takes the lines of all channels of one printer; what two channels say of a print's ends counts once.

    Parameters
    ----------
    listener : Listener
    """

    def __init__(self, listener: Listener) -> None:
        self._listener = listener
        self._lock = threading.Lock()
        self._ends: dict[tuple[str, str], tuple[str, float]] = {}  # by event and job: channel, monotonic time
        self._under_way: set[threading.Thread] = set()  # cues that are being answered
        self.heard: deque[HeardLine] = deque(maxlen=_KEPT)

    def hear(self, text: str, late_s: float = 0.0, *, channel: str) -> str:
        """Take a line; return what it means."""
        return self.take(text, late_s, channel=channel)[0]

    def take(self, text: str, late_s: float = 0.0, *, channel: str) -> tuple[str, Answer | None]:
        """Take a line; return what it means, and what came of a cue."""
        run, cue, shot = find_run(text), find_cue(text), find_arm(text)
        meaning = run[0] if run is not None else "cue" if cue is not None else "" if shot is None else "arm"
        line = HeardLine(at_s=time.time(), channel=channel, text=text.strip()[:_SHOWN], meaning=meaning)
        with self._lock:
            self.heard.append(line)
        if run is not None:
            if not self._told_already(run, channel):
                (self._listener.begin if meaning == "begin" else self._listener.end)(run[1])
        elif cue is not None:
            return meaning, self._listener.cue(cue, late_s, channel)
        elif shot is not None:
            self._listener.arm(shot)
        return meaning, None

    def _told_already(self, run: tuple[str, str], channel: str) -> bool:
        now_s = time.monotonic()
        with self._lock:
            before, at_s = self._ends.get(run, (channel, 0.0))
            if before != channel and now_s - at_s < _SAME_S:
                return True
            self._ends[run] = (channel, now_s)
        return False

    def pass_on(self, text: str, late_s: float = 0.0, *, channel: str) -> None:
        """Take a line from a channel that has to be read on.

        A cue is answered when its frame is in, seconds later perhaps; the cues of a survey come faster.
        The end of a print waits for the cues before it.
        """
        run = find_run(text)
        if run is None and find_cue(text) is not None:
            thread = threading.Thread(
                target=self._hear_beside, args=(text, late_s, channel), name=f"cue {channel}", daemon=True
            )
            with self._lock:
                self._under_way.add(thread)
            thread.start()
            return
        if run is not None:
            with self._lock:
                under_way = list(self._under_way)
            for thread in under_way:
                thread.join(_CUE_LIMIT_S)
        with contextlib.suppress(Exception):  # the next line is heard, whatever this one led to
            self.hear(text, late_s, channel=channel)

    def _hear_beside(self, text: str, late_s: float, channel: str) -> None:
        try:
            with contextlib.suppress(Exception):
                self.hear(text, late_s, channel=channel)
        finally:
            with self._lock:
                self._under_way.discard(threading.current_thread())

    def lately(self) -> list[HeardLine]:
        """Return the last lines, the newest last."""
        with self._lock:
            return list(self.heard)
