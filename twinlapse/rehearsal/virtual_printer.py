"""A printer on a serial line for rehearsing the capture: it executes a written file faster than a real one.

It speaks over a pseudo-terminal, so that whatever reads a serial port reads it: ``start``, then each cue as
its firmware's host line says it, at the moment at which the firmware takes that line: a file whose lines wait
in the wrong order is heard too early here, too. Only what moves is sped up: the machine stands still for as
long as the file says, since the pipeline of a camera cannot be sped up.
"""

from __future__ import annotations

import contextlib
import os
import threading
import time
from bisect import bisect_right
from collections.abc import Callable
from pathlib import Path
from typing import Protocol

import numpy as np

from twinlapse.gcode import read_toolpath
from twinlapse.gcode.toolpath import Kind
from twinlapse.motion import time_toolpath
from twinlapse.rehearsal.virtual_machine import Place, Standing, standings
from twinlapse.rig import Rig
from twinlapse.shots import cue_text, run_text

__all__ = ["PrinterClock", "RealTime", "VirtualPrinter"]


class PrinterClock(Protocol):
    """Where a virtual printer has its time from."""

    def mono_s(self) -> float:
        """Return a time that never goes back."""

    def wait(self, stopped: threading.Event, seconds: float) -> bool:
        """Wait; return True when `stopped` was set meanwhile."""


class RealTime:
    """The machine's own monotonic clock."""

    def mono_s(self) -> float:
        """Return the monotonic time."""
        return time.monotonic()

    def wait(self, stopped: threading.Event, seconds: float) -> bool:
        """Wait so long in real time."""
        return stopped.wait(seconds)


class VirtualPrinter:
    """Moves as a written file says, `speed` times as fast, and says its cues on a pseudo-terminal.

    Needs POSIX. Open `port` like a serial device; call `start` when the reader is there. With a `clock` of
    its own, times are exact whatever else the computer does.
    """

    def __init__(
        self, gcode: Path, rig: Rig, *, speed: float = 100.0, clock: PrinterClock | None = None
    ) -> None:
        import pty
        import tty

        self._clock = clock or RealTime()
        self._path = read_toolpath(gcode, firmware=rig.printer.firmware)
        self._end_s = np.asarray(time_toolpath(self._path, rig.printer).end_s)
        self.stands = standings(self._path)
        lasts_s = np.diff(self._end_s, prepend=0.0)
        lasts_s = np.where(self._path.kind == Kind.DWELL, lasts_s, lasts_s / speed)
        _count_stops(lasts_s, self.stands)
        self._due_s = np.cumsum(lasts_s)  # since start, of the end of every row
        self.lasts_s = float(self._due_s[-1])
        self.ended_s: float | None = None  # monotonic time at which the print was done
        self.said: list[tuple[float, str]] = []  # monotonic time and words of every cue so far
        self._master, self._slave = pty.openpty()
        tty.setraw(self._slave)
        os.set_blocking(self._master, False)  # a reader that is gone must not stop the print
        self.port = os.ttyname(self._slave)
        self._began_s: float | None = None
        self._stop = threading.Event()
        self.done = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)

    def __enter__(self) -> VirtualPrinter:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def start(self, on_cue: Callable[[str], None] | None = None) -> None:
        """Begin to print; `on_cue` is called with the words of each cue as well."""
        self._on_cue = on_cue
        self._began_s = self._clock.mono_s()
        self._thread.start()

    def file_time(self, mono_s: float) -> float:
        """Return how far the print is at a monotonic time, in seconds of the file at its real pace."""
        if self._began_s is None:
            return 0.0
        return float(np.interp(mono_s - self._began_s, self._due_s, self._end_s))

    def row_at(self, mono_s: float) -> int:
        """Return the row of the toolpath that is executed at a monotonic time."""
        return min(bisect_right(self._end_s, self.file_time(mono_s)), len(self._path) - 1)

    def place_at(self, mono_s: float) -> Place:
        """Return where the nozzle is at a monotonic time."""
        row, now = self.row_at(mono_s), self.file_time(mono_s)
        low = max(0, row - 1)
        x, y, z = (
            float(np.interp(now, self._end_s[low : row + 1], axis[low : row + 1]))
            for axis in (self._path.x_mm, self._path.y_mm, self._path.z_mm)
        )
        return x, y, z

    def close(self) -> None:
        """Switch the printer off."""
        self._stop.set()
        if self._thread.ident is not None:
            self._thread.join(timeout=5)
        for handle in (self._master, self._slave):
            with contextlib.suppress(OSError):
                os.close(handle)

    def _run(self) -> None:
        assert self._began_s is not None
        self._write("start")
        code = self.stands[0].cue.job if self.stands else ""
        if code:
            self._write(f"echo:{run_text('begin', code)}")
        for standing in self.stands:
            moved_s = float(self._due_s[standing.moved_row]) if standing.moved_row >= 0 else 0.0
            due_s = self._began_s + max(0.0, moved_s + standing.stood_s)
            if self._clock.wait(self._stop, max(0.0, due_s - self._clock.mono_s())):
                return
            words = cue_text(standing.cue)
            self.said.append((self._clock.mono_s(), words))
            self._write(f"echo:{words}")
            if self._on_cue is not None:
                self._on_cue(words)
        left_s = self._began_s + self.lasts_s - self._clock.mono_s()
        self._clock.wait(self._stop, max(0.0, left_s))
        self.ended_s = self._clock.mono_s()
        if code:
            self._write(f"echo:{run_text('end', code)}")
        self._write("echo:done")
        self.done.set()

    def _write(self, text: str) -> None:
        with contextlib.suppress(BlockingIOError, OSError):
            os.write(self._master, f"{text}\nok\n".encode())


def _count_stops(lasts_s: np.ndarray, stands: list[Standing]) -> None:
    """Let each stop last as long as both clocks need: waits that run side by side, and the start again."""
    for standing in stands:
        first, end = standing.moved_row + 1, standing.next_row
        if first < end:
            lasts_s[first:end] = 0.0
            lasts_s[first] = max(0.0, standing.stood_s + standing.stands_s)
