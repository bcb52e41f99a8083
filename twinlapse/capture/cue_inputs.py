"""Cues that come as lines of text: a log file that is followed, a serial line. Neither can answer.

Several cues in one gulp mean that the reader was held up: only the newest can still find the machine
standing, the others are passed on as late. When the reader knows that it slept too long, all are late; what
lay in a serial port before it was opened is thrown away.
"""

from __future__ import annotations

import contextlib
import os
import select
import time
from collections.abc import Callable
from pathlib import Path

from twinlapse.capture.background_thread import BackgroundThread
from twinlapse.capture.serial_port import open_to_read
from twinlapse.shots import Cue, find_arm, find_cue, find_run

__all__ = [
    "LONG_AGO_S",
    "Announce",
    "Arm",
    "Hear",
    "LineBuffer",
    "LogReader",
    "SerialReader",
    "hear_lines",
    "pass_lines",
]

Hear = Callable[[Cue, float], None]  # a cue and how many seconds it is late
Arm = Callable[[int], None]  # the shot that comes soon
Announce = Callable[[str, str], None]  # "begin" or "end" of a print, and the code of its job
_Line = Callable[[str, float], None]  # any line, and how many seconds late a cue in it is
LONG_AGO_S = 1e6  # older than any dwell
_MAX_LINE = 65536  # bytes; a line of a log has a few hundred
_OVERSLEPT_S = 0.4  # the machine may have been held up, or suspended


class LineBuffer:
    """Whole lines out of pieces; an endless line is dropped, not kept."""

    def __init__(self) -> None:
        self._rest = b""
        self._rest_since_s = 0.0

    def feed(self, data: bytes, at_s: float = 0.0) -> list[tuple[str, float]]:
        """Return the lines that `data` completes, each with the time at which its first byte came.

        `at_s` is the monotonic time of `data`.
        """
        began_s = self._rest_since_s if self._rest else at_s
        *lines, self._rest = (self._rest + data).replace(b"\r", b"\n").split(b"\n")
        if len(self._rest) > _MAX_LINE:
            self._rest = b""
        self._rest_since_s = at_s if lines else began_s
        times = [began_s] + [at_s] * len(lines)
        return [
            (line.decode("utf-8", "replace"), time_s)
            for line, time_s in zip(lines, times, strict=False)
            if line
        ]

    def clear(self) -> None:
        """Forget the unfinished line."""
        self._rest = b""


def hear_lines(
    lines: list[tuple[str, float]],
    now_s: float,
    hear: Hear,
    *,
    arm: Arm | None = None,
    mark: Announce | None = None,
    overslept: bool = False,
) -> None:
    """Pass on the cues of lines that came together, and the newest shot that they arm for.

    Each line has the monotonic time of its first byte, and a cue is as late as that is past.
    """
    armed = [shot for shot in (find_arm(line) for line, _ in lines) if shot is not None]
    if armed and arm is not None and not overslept:
        arm(armed[-1])
    for line, _ in lines:
        if mark is not None and (found := find_run(line)) is not None:
            mark(*found)
    cues = [(cue, at_s) for line, at_s in lines if (cue := find_cue(line)) is not None]
    for index, (cue, at_s) in enumerate(cues):
        old = overslept or index < len(cues) - 1
        hear(cue, LONG_AGO_S if old else max(0.0, now_s - at_s))


def pass_lines(lines: list[tuple[str, float]], now_s: float, to: _Line, *, overslept: bool = False) -> None:
    """Pass on every line of those that came together, with how late a cue in it is."""
    newest = max((k for k, (text, _) in enumerate(lines) if find_cue(text) is not None), default=-1)
    for k, (text, at_s) in enumerate(lines):
        old = overslept or (k < newest and find_cue(text) is not None)
        to(text, LONG_AGO_S if old else max(0.0, now_s - at_s))


class _Reader(BackgroundThread):
    """Reads until it is told to stop."""

    def __init__(
        self, name: str, path: Path, hear: Hear, arm: Arm | None = None, mark: Announce | None = None
    ) -> None:
        super().__init__(name)
        self.path = path
        self.lines_to: _Line | None = None  # takes every line instead, where it is set
        self._arm = arm
        self._mark = mark
        self.fault = ""
        self._hear = hear
        self._lines = LineBuffer()

    def _pass_on(self, lines: list[tuple[str, float]], now_s: float, overslept: bool) -> None:
        if self.lines_to is None:
            hear_lines(lines, now_s, self._hear, arm=self._arm, mark=self._mark, overslept=overslept)
        else:
            pass_lines(lines, now_s, self.lines_to, overslept=overslept)


class LogReader(_Reader):
    """Follows a log file from its end, through rotation, truncation and lines written in pieces."""

    def __init__(
        self,
        path: Path,
        hear: Hear,
        arm: Arm | None = None,
        mark: Announce | None = None,
        *,
        pause_s: float = 0.05,
    ) -> None:
        super().__init__("log", path, hear, arm, mark)
        self._pause_s = pause_s
        self._handle = -1
        self._at = 0
        self._since_s = time.monotonic()
        self._open(at_end=True)

    def _open(self, *, at_end: bool) -> None:
        self._close()
        try:
            self._handle = os.open(self.path, os.O_RDONLY | os.O_CLOEXEC | os.O_NONBLOCK)
            self._at = os.fstat(self._handle).st_size if at_end else 0
            self.fault = ""
        except OSError as error:
            self.fault = f"{self.path}: {error.strerror}"

    def _close(self) -> None:
        if self._handle >= 0:
            os.close(self._handle)
        self._handle = -1

    def _run(self) -> None:
        asleep_s = time.monotonic()
        while not self._stopped.wait(self._pause_s):
            overslept = time.monotonic() - asleep_s > self._pause_s + _OVERSLEPT_S
            with contextlib.suppress(OSError):
                # what is new was written since the last look: it is taken to be as old as that
                self._since_s = asleep_s
                lines = self._new_lines()
                self._pass_on(lines, time.monotonic(), overslept)
            asleep_s = time.monotonic()
        self._close()

    def _new_lines(self) -> list[tuple[str, float]]:
        if self._handle < 0:
            self._open(at_end=False)
        lines = self._rest_of_file()
        if self._moved():
            lines += self._rest_of_file()  # what came between the last reading and the rotation
            self._lines.clear()
            self._open(at_end=False)
            lines += self._rest_of_file()
        return lines

    def _rest_of_file(self) -> list[tuple[str, float]]:
        if self._handle < 0:
            return []
        if os.fstat(self._handle).st_size < self._at:  # truncated in place
            self._at = 0
            self._lines.clear()
        lines: list[tuple[str, float]] = []
        while data := os.pread(self._handle, 65536, self._at):
            self._at += len(data)
            lines += self._lines.feed(data, self._since_s)
        return lines

    def _moved(self) -> bool:
        if self._handle < 0:
            return False
        held = os.fstat(self._handle)
        try:
            named = self.path.stat()
        except OSError:
            return False  # gone for a moment: the old file is read until a new one stands in its place
        return (held.st_dev, held.st_ino) != (named.st_dev, named.st_ino)


class SerialReader(_Reader):
    """Reads the lines of a serial port or pty, and opens it again when it was unplugged."""

    def __init__(
        self,
        path: Path,
        hear: Hear,
        arm: Arm | None = None,
        mark: Announce | None = None,
        *,
        baud: int = 115_200,
        pause_s: float = 0.5,
    ) -> None:
        super().__init__("serial", path, hear, arm, mark)
        self._baud, self._pause_s = baud, pause_s
        self.fault = "not opened yet"

    def _run(self) -> None:
        while not self._stopped.is_set():
            try:
                handle = open_to_read(self.path, self._baud)
            except OSError as error:
                self.fault = f"{self.path}: {error.strerror}"
                self._stopped.wait(self._pause_s)
                continue
            try:
                self.fault = ""
                self._read(handle)
            except OSError as error:
                self.fault = f"{self.path}: {error.strerror}"
            finally:
                os.close(handle)
            self._lines.clear()
            self._stopped.wait(self._pause_s)

    def _read(self, handle: int) -> None:
        while not self._stopped.is_set():
            asleep_s = time.monotonic()
            if not select.select([handle], [], [], 0.2)[0]:
                continue
            overslept = time.monotonic() - asleep_s > 0.2 + _OVERSLEPT_S
            data = os.read(handle, 65536)
            if not data:
                return
            now_s = time.monotonic()
            self._pass_on(self._lines.feed(data, now_s), now_s, overslept)
