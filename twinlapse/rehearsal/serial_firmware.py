"""A firmware on a serial line, for rehearsing what streams a file and what listens: it answers as Marlin.

Behind a pseudo-terminal: line numbers and checksums are checked and lines asked for again, a line keeps 95
characters, four commands are held, sixteen moves are planned, and ``echo:busy`` comes while a command waits.
Sources: Marlin 2.1, gcode/queue.cpp (`get_serial_commands`; BUFSIZE 4, MAX_CMD_SIZE 96) and
Configuration_adv.h (BLOCK_BUFFER_SIZE 16, HOST_KEEPALIVE). Moves last distance over feed rate: no other code
times them. Its clock is its own; `pace` ties it to the real one.
"""

from __future__ import annotations

import contextlib
import math
import os
import re
import select
import threading
import time
from collections import deque
from dataclasses import dataclass

__all__ = [
    "BUSY_S",
    "HELD_COMMANDS",
    "MAX_LINE",
    "MOST_CODE",
    "PLANNED_MOVES",
    "HostMessage",
    "SerialFirmware",
    "checksum_of",
]

MAX_LINE = 95  # MAX_CMD_SIZE less the end mark
HELD_COMMANDS = 4  # BUFSIZE
PLANNED_MOVES = 16  # BLOCK_BUFFER_SIZE
BUSY_S = 2.0  # DEFAULT_KEEPALIVE_INTERVAL
MOST_CODE = 999  # no command has a higher number
_NUMBERED = re.compile(r"N(-?\d+)\s*(.*)", re.DOTALL)
_WORD = re.compile(r"([XYZEFPS])\s*(-?[\d.]+)")
_CODE = re.compile(r"([GMT])\s*(\d+)")


@dataclass(frozen=True, slots=True, kw_only=True)
class HostMessage:
    """What M118 said, and the machine at that moment."""

    text: str
    stood_s: float  # since the last move ended; negative: moves are under way
    place_mm: tuple[float, float, float]


class SerialFirmware:
    """Runs the commands that come over `port`, each exactly once and in order.

    Needs POSIX. `executed` holds the commands, `said` the messages to the host.

    Parameters
    ----------
    pace : float
        Seconds of the machine's clock a real second; 0: as fast as commands come.
    max_line : int
        Characters of a line that are kept.
    """

    def __init__(self, *, pace: float = 0.0, max_line: int = MAX_LINE) -> None:
        import pty
        import tty

        self._master, self._slave = pty.openpty()
        tty.setraw(self._slave)
        self.port = os.ttyname(self._slave)
        self.executed: list[str] = []
        self.unknown: list[str] = []
        self.said: list[HostMessage] = []
        self.resends = 0
        self.busy = 0
        self._pace, self._max_line = pace, max_line
        self._now_s = self._began_s = 0.0
        self._ends_s: deque[float] = deque()  # of the moves that are planned
        self._place = {"X": 0.0, "Y": 0.0, "Z": 0.0, "E": 0.0}
        self._feed_mm_s, self._relative, self._relative_e = 20.0, False, False
        self._last_line, self._rest = 0, b""
        self._held: deque[str] = deque()
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)

    def __enter__(self) -> SerialFirmware:
        self._began_s = time.monotonic()
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._stop.set()
        self._thread.join(timeout=5)
        for handle in (self._master, self._slave):
            with contextlib.suppress(OSError):
                os.close(handle)

    def _run(self) -> None:
        self._write("start")
        while not self._stop.is_set():
            self._take_lines()
            if self._held:
                self._execute(self._held.popleft())
                self._write("ok")

    def _take_lines(self) -> None:
        """Read lines while there is room for their commands; the rest waits in the port."""
        while len(self._held) < HELD_COMMANDS:
            cut = self._rest.find(b"\n")
            if cut < 0:
                wait_s = 0.0 if self._held else 0.05
                if not select.select([self._master], [], [], wait_s)[0]:
                    return
                self._rest += os.read(self._master, 128)  # RX_BUFFER_SIZE
                continue
            line, self._rest = self._rest[:cut], self._rest[cut + 1 :]
            self._take(line.decode("latin-1"))

    def _take(self, line: str) -> None:
        """Check one line and hold its command."""
        line = line.strip("\r").split(";", 1)[0][: self._max_line].strip()
        if not line:
            return
        command = line
        if found := _NUMBERED.fullmatch(line):
            number, rest = int(found[1]), found[2]
            command, star, said = rest.rpartition("*")
            if not star:
                self._refuse("No Checksum with line number")
                return
            if not said.strip().isdigit() or int(said) != checksum_of(line[: line.rindex("*")]):
                self._refuse("checksum mismatch")
                return
            if "M110" in command:
                self._last_line = number
            elif number != self._last_line + 1:
                self._refuse("Line Number is not Last Line Number+1")
                return
            self._last_line = number
        self._held.append(command.strip())

    def _refuse(self, why: str) -> None:
        """Ask for the line behind the last good one; what has come meanwhile is thrown away."""
        self.resends += 1
        self._write(f"Error:{why}, Last Line: {self._last_line}")
        self._rest = b""
        while select.select([self._master], [], [], 0)[0]:
            os.read(self._master, 4096)
        self._write(f"Resend: {self._last_line + 1}")
        self._write("ok")

    def _execute(self, command: str) -> None:
        found = _CODE.match(command)
        if found is None or int(found[2]) > MOST_CODE:  # what a lost N leaves of a line
            self.unknown.append(command)
            self._write(f'echo:Unknown command: "{command}"')
            return
        self.executed.append(command)
        name = f"{found[1]}{int(found[2])}"
        if name == "M118":
            self._say(re.sub(r"^M118\s*(?:[AE]1\s*)*", "", command))
            return
        words = {letter: float(value) for letter, value in _WORD.findall(command[found.end() :])}
        if name in ("G0", "G1"):
            self._move(words)
        elif name in ("G4", "M400", "M109", "M190", "M0"):
            self._wait_until(self._ends_s[-1] if self._ends_s else self._now_s)
            if name == "G4":
                self._wait_until(self._now_s + words.get("S", words.get("P", 0.0) / 1000))
        elif name in ("G90", "G91"):
            self._relative = self._relative_e = name == "G91"
        elif name in ("M82", "M83"):
            self._relative_e = name == "M83"
        elif name == "G92":
            self._place.update({axis: value for axis, value in words.items() if axis in self._place})

    def _say(self, text: str) -> None:
        ended_s = self._ends_s[-1] if self._ends_s else 0.0
        place = (self._place["X"], self._place["Y"], self._place["Z"])
        self.said.append(HostMessage(text=text, stood_s=self._now_s - ended_s, place_mm=place))
        self._write(f"echo:{text}")

    def _move(self, words: dict[str, float]) -> None:
        self._feed_mm_s = words.pop("F", self._feed_mm_s * 60) / 60
        before = dict(self._place)
        for axis, value in words.items():
            if axis in self._place:
                relative = self._relative_e if axis == "E" else self._relative
                self._place[axis] = before[axis] + value if relative else value
        path = math.dist([before[a] for a in "XYZ"], [self._place[a] for a in "XYZ"])
        way = path or abs(self._place["E"] - before["E"])
        if way == 0:
            return
        while len(self._ends_s) >= PLANNED_MOVES:
            self._wait_until(self._ends_s[0])
        begin_s = max(self._now_s, self._ends_s[-1] if self._ends_s else 0.0)
        self._ends_s.append(begin_s + way / max(self._feed_mm_s, 1e-3))

    def _wait_until(self, at_s: float) -> None:
        """Let the machine's clock run on, with a sign of life every two seconds of it."""
        while self._now_s < at_s:
            step_s = min(BUSY_S, at_s - self._now_s)
            self._now_s += step_s
            if self._pace > 0:
                due_s = self._began_s + self._now_s / self._pace
                self._stop.wait(max(0.0, due_s - time.monotonic()))
            if step_s == BUSY_S:
                self.busy += 1
                self._write("echo:busy: processing")
        while len(self._ends_s) > 1 and self._ends_s[0] <= self._now_s:
            self._ends_s.popleft()

    def _write(self, text: str) -> None:
        data = f"{text}\n".encode()
        while data and not self._stop.is_set():
            if select.select([], [self._master], [], 0.1)[1]:
                with contextlib.suppress(OSError):
                    data = data[os.write(self._master, data) :]


def checksum_of(text: str) -> int:
    """Return the exclusive or of the bytes before the asterisk (RepRap wiki, G-code, "Checking")."""
    total = 0
    for byte in text.encode("latin-1"):
        total ^= byte
    return total
