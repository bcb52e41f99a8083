"""What a printer says, line by line: a print begins, a shot is announced, a cue, a print ends."""

from __future__ import annotations

import threading
import time
from collections import deque
from dataclasses import dataclass
from typing import Protocol

from twinlapse.shots import Cue, find_arm, find_cue, find_run

__all__ = ["HeardLine", "Listener", "PrinterLines"]

_KEPT = 200  # lines for the page that shows what arrives
_SHOWN = 200  # characters of one


class Listener(Protocol):
    """Who acts on what a printer says."""

    def begin(self, code: str) -> None:
        """A print of a job begins."""

    def end(self, code: str) -> None:
        """It has ended."""

    def arm(self, shot: int) -> None:
        """A shot is announced."""

    def cue(self, cue: Cue, late_s: float, channel: str) -> object:
        """The machine stands for a shot."""


@dataclass(frozen=True, slots=True, kw_only=True)
class HeardLine:
    """One line as it arrived."""

    at_s: float  # seconds since the epoch
    channel: str
    text: str
    meaning: str  # "begin", "end", "arm", "cue" or "" where it means nothing to us


class PrinterLines:
    """Takes the lines of all channels of one printer; the same line twice within a moment counts once.

    Parameters
    ----------
    listener : Listener
    """

    def __init__(self, listener: Listener) -> None:
        self._listener = listener
        self._lock = threading.Lock()
        self.heard: deque[HeardLine] = deque(maxlen=_KEPT)

    def hear(self, text: str, late_s: float = 0.0, *, channel: str) -> str:
        """Take a line; return what it means."""
        meaning = ""
        if (run := find_run(text)) is not None:
            meaning = run[0]
            (self._listener.begin if meaning == "begin" else self._listener.end)(run[1])
        elif (cue := find_cue(text)) is not None:
            meaning = "cue"
            self._listener.cue(cue, late_s, channel)
        elif (shot := find_arm(text)) is not None:
            meaning = "arm"
            self._listener.arm(shot)
        line = HeardLine(at_s=time.time(), channel=channel, text=text.strip()[:_SHOWN], meaning=meaning)
        with self._lock:
            self.heard.append(line)
        return meaning

    def lately(self) -> list[HeardLine]:
        """Return the last lines, the newest last."""
        with self._lock:
            return list(self.heard)
