"""Two clocks: when a command is taken from the stream, and when its motion happens.

A firmware reads ahead of what it does. A message to the host is sent when its line is *taken*, so what stands
before it decides whether the machine has stopped by then. A firmware takes the next line

- at once, as long as its queue of moves has room;
- only when everything queued has happened, behind a line that *blocks*.

========================  =======  =======  ===============
line                      Marlin   Klipper  RepRapFirmware
========================  =======  =======  ===============
M400                      blocks   blocks   blocks
G4                        blocks   no       blocks
M109, M190 (heating)      blocks   blocks   blocks
M0, M291 S2 (a person)    blocks   -        blocks
PAUSE                     -        no       -
M117, M118, M73, M204     no       no       no
========================  =======  =======  ===============

Sources. Marlin 2.1: gcode/control/M400.cpp and gcode/motion/G4.cpp call `planner.synchronize()` first, G4
then idles; gcode/host/M118.cpp does not wait; gcode/temp/M104_M109.cpp waits for the temperature. Klipper:
klippy/toolhead.py, `cmd_M400` waits for the moves, `cmd_G4` only moves the print time on;
klippy/extras/heaters.py, `_wait_for_temperature`; klippy/extras/pause_resume.py, `cmd_PAUSE` returns at once
and stops the reader of the file. RepRapFirmware 3.5: GCodes.cpp, `LockMovementAndWaitForStandstill` in G4,
M400 and the heating waits.

After a wait Klipper's queue starts again ``restart_s`` in the future (toolhead.py, `buffer_time_start`,
0.25 s) and M400 looks every 0.1 s whether the moves are done (`wait_moves`), 0.05 s late in the mean.
Measured together on the running host: +0.298 s a stop. Marlin waits for a third move, 0.1 s at the most,
before it starts an empty queue (planner.h, BLOCK_DELAY_FOR_1ST_MOVE); three moves always follow a stop.
RepRapFirmware gives an empty queue 10 ms of grace (G-code dictionary, M595 R).
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

from twinlapse.rig.printer import Printer

__all__ = ["STREAM_RULES", "Line", "StreamRules", "dwell_of", "next_move_s", "stop_cost_s", "take_lines"]


@dataclass(frozen=True, slots=True, kw_only=True)
class StreamRules:
    """How a firmware takes commands from the stream."""

    blocking: frozenset[str]  # lines behind which the next is taken only when all motion is done
    ahead_s: float  # motion that may be queued while lines are taken, at the most
    restart_s: float = 0.0  # from taking the first line behind a wait until its motion begins
    poll_s: float = 0.0  # a wait ends this much after the motion, at the most

    @property
    def stop_s(self) -> float:
        """Seconds that one wait for the end of all moves adds, in the mean."""
        return self.restart_s + self.poll_s / 2


_HEATING = ("M109", "M116", "M190", "M191")
# ahead_s: Marlin's 16 moves of BLOCK_BUFFER_SIZE and RepRapFirmware's 40 of its ring are a second or two of a
# print; Klipper's buffer_time_high is 2 s
STREAM_RULES = {
    "marlin": StreamRules(blocking=frozenset({"G4", "M0", "M1", "M400", *_HEATING}), ahead_s=2.0),
    "klipper": StreamRules(blocking=frozenset({"M400", *_HEATING}), ahead_s=2.0, restart_s=0.25, poll_s=0.1),
    "reprapfirmware": StreamRules(
        blocking=frozenset({"G4", "M226", "M291", "M400", *_HEATING}), ahead_s=2.0, restart_s=0.01
    ),
}
_DWELL = re.compile(r"(?i)G0*4(?!\d)(.*)")
_DWELL_WORD = re.compile(r"(?i)([PS])\s*([0-9.]+)")


def stop_cost_s(printer: Printer) -> float:
    """Return what one stop adds beyond its moves and waits: the rig's own value, or the firmware's."""
    own = printer.limits.stop_s
    return STREAM_RULES[printer.firmware].stop_s if own is None else own


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """One line between two moves, on both clocks, in seconds since the last move before it ended."""

    text: str
    taken_s: float  # negative: the moves before it are still under way
    motion_s: float  # when the motion and the waits queued up to and with it end


def dwell_of(command: str, firmware: str) -> float | None:
    """Return the seconds of a G4, None of any other command.

    P is in ms, S in s; Klipper knows P alone, in the others S wins (Marlin, G4.cpp; RepRapFirmware,
    GCodes.cpp).
    """
    found = _DWELL.fullmatch(command.strip())
    if found is None:
        return None
    words = {letter.upper(): float(value) for letter, value in _DWELL_WORD.findall(found[1])}
    if firmware != "klipper" and "S" in words:
        return words["S"]
    return words.get("P", 0.0) / 1000


def take_lines(commands: Sequence[str], firmware: str) -> list[Line]:
    """Return when each of some lines that stand between two moves is taken, and when motion ends behind it.

    Parameters
    ----------
    commands : sequence of str
        Lines without comments, none of which moves.
    firmware : str

    Notes
    -----
    The least favourable moment is given: lines are taken as early as the queue allows, and a wait ends as
    soon as the motion does.
    """
    rules = STREAM_RULES[firmware]
    taken_s, motion_s, empty = -rules.ahead_s, 0.0, False
    lines = []
    for command in commands:
        at_s = taken_s
        dwell_s = dwell_of(command, firmware)
        if dwell_s is not None:
            again = empty and "G4" not in rules.blocking  # where a dwell is queued as a move is
            start_s = max(motion_s, taken_s + (rules.restart_s if again else 0.0))
            motion_s, empty = start_s + dwell_s, False
        if _code(command) in rules.blocking:
            taken_s, empty = max(taken_s, motion_s), True
        lines.append(Line(text=command, taken_s=at_s, motion_s=motion_s))
    return lines


def next_move_s(commands: Sequence[str], firmware: str) -> float:
    """Return when a move behind some lines begins at the earliest, since the last move before them ended."""
    rules = STREAM_RULES[firmware]
    end = take_lines([*commands, ""], firmware)[-1]
    waited = bool(commands) and _code(commands[-1]) in rules.blocking
    return max(end.motion_s, end.taken_s + (rules.restart_s if waited else 0.0))


def _code(command: str) -> str:
    found = re.match(r"\s*([A-Za-z])0*(\d+)", command)
    return f"{found[1].upper()}{found[2]}" if found else command.strip().split(" ")[0].upper()
