"""What a file sets besides its modal state: limits, factors, waits, pauses."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from twinlapse.arrays import Float, Int
from twinlapse.gcode.interpreter import EVENT_LETTERS, KLIPPER, REPRAPFIRMWARE
from twinlapse.gcode.toolpath import Kind, Note, Notice, Setting

__all__ = ["Found", "Settings", "joined", "settings_of"]

_LIMITS = (
    ("M201", Setting.MAX_ACCEL_X, 1.0),
    ("M203", Setting.MAX_FEED_X, 1.0),
    ("M205", Setting.JERK_X, 1.0),
    ("M566", Setting.JERK_X, 1 / 60),
)
# command and letter -> what it sets, in the unit of the file times a factor
_WORDS: tuple[tuple[str, str, Setting, float], ...] = (
    ("M204", "S", Setting.PRINT_ACCEL, 1.0),
    ("M204", "S", Setting.TRAVEL_ACCEL, 1.0),
    ("M204", "P", Setting.PRINT_ACCEL, 1.0),
    ("M204", "T", Setting.TRAVEL_ACCEL, 1.0),
    ("M204", "R", Setting.RETRACT_ACCEL, 1.0),
    ("M205", "J", Setting.JUNCTION_DEVIATION, 1.0),
    ("M207", "S", Setting.RETRACT_LENGTH, 1.0),
    ("M207", "F", Setting.RETRACT_SPEED, 1 / 60),
    *(
        (command, letter, Setting(first + k), factor)
        for command, first, factor in _LIMITS
        for k, letter in enumerate("XYZE")
    ),
)
_SHARES = (("M220", Setting.SPEED_FACTOR), ("M221", Setting.FLOW))
_HEAT = ("M109", "M116", "M190", "M191")
_PAUSE = ("M0", "M1", "M25", "M226", "M600", "M601")

_VELOCITY = re.compile(r"(?i)\bSET_VELOCITY_LIMIT\b")
_PAIR = re.compile(
    r"(?i)\b(ACCEL|VELOCITY|SQUARE_CORNER_VELOCITY|MINIMUM_CRUISE_RATIO)\s*=\s*([0-9]*\.?[0-9]+)"
)
_OF_KEY = {
    "ACCEL": (Setting.PRINT_ACCEL, Setting.TRAVEL_ACCEL),
    "VELOCITY": (Setting.MAX_SPEED,),
    "SQUARE_CORNER_VELOCITY": (Setting.SQUARE_CORNER,),
    "MINIMUM_CRUISE_RATIO": (Setting.MIN_CRUISE_RATIO,),
}
_LIMIT_KINDS = (*range(Setting.PRINT_ACCEL, Setting.MAX_FEED_E + 1), Setting.MAX_SPEED)
Found = list[tuple[Int, int, Float]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings:
    """Settings in the order of the file: each holds from its row on."""

    row: Int
    kind: NDArray[np.uint8]
    value: Float

    def acceleration(self, kinds: NDArray[np.uint8]) -> NDArray[np.float32]:
        """Return the acceleration that the file commands for each row, 0 where it commands none."""
        moving = self._in_force(Setting.TRAVEL_ACCEL, len(kinds))
        if (self.kind == Setting.PRINT_ACCEL).any():
            printing = self._in_force(Setting.PRINT_ACCEL, len(kinds))
            np.copyto(moving, printing, where=(kinds == Kind.EXTRUDE) | (kinds == Kind.WIPE))
        if (self.kind == Setting.RETRACT_ACCEL).any():
            retracting = self._in_force(Setting.RETRACT_ACCEL, len(kinds))
            np.copyto(moving, retracting, where=(kinds == Kind.RETRACT) | (kinds == Kind.PRIME))
        return moving

    def pauses(self, lines: NDArray[np.int32]) -> list[Notice]:
        """Return a notice for the first place at which the print waits for a person."""
        rows = self.row[self.kind == Setting.PAUSE]
        if not len(rows):
            return []
        again = f" ({len(rows)} times)" if len(rows) > 1 else ""
        text = f"the print stops here and waits for a person{again}"
        return [Notice(line=int(lines[rows[0]]), code="pause", text=text)]

    def _in_force(self, kind: Setting, count: int) -> NDArray[np.float32]:
        mine = self.kind == kind
        if not mine.any():
            return np.zeros(count, np.float32)  # what is not written to costs no memory
        spans = np.diff(np.concatenate([[0], self.row[mine], [count]]))
        return np.repeat(np.concatenate([[0.0], self.value[mine]]).astype(np.float32), spans)


def joined(parts: Sequence[Settings]) -> Settings:
    """Return several settings as one, in the order of their rows; at one row in the order of the parts."""
    row, kind, value = (
        np.concatenate([getattr(part, name) for part in parts]) for name in ("row", "kind", "value")
    )
    order = np.argsort(row, kind="stable")
    return Settings(row=row[order], kind=kind[order], value=value[order])


def settings_of(events: Float, notes: Sequence[Note], dialect: int) -> Settings:
    """Make sense of the M commands that set something, and of extended commands among the notes."""
    code = np.round(events[:, 1] / 10, 1)
    has = events[:, 3].astype(np.int64)
    found: Found = []
    for command, letter, kind, factor in _WORDS:
        if command == "M203" and dialect == REPRAPFIRMWARE:
            factor = 1 / 60
        mine = (code == int(command[1:])) & _given(has, letter)
        found.append((events[mine, 0], kind, _word(events, letter)[mine] * events[mine, 2] * factor))
    for command, kind in _SHARES:
        mine = (code == int(command[1:])) & _given(has, "S")
        found.append((events[mine, 0], kind, _word(events, "S")[mine] / 100))
    heat = np.isin(code, [int(command[1:]) for command in _HEAT])
    degrees = np.where(
        _given(has, "S"), _word(events, "S"), np.where(_given(has, "R"), _word(events, "R"), 0.0)
    )
    found.append((events[heat, 0], Setting.HEAT_WAIT, degrees[heat]))
    pause = np.isin(code, [int(command[1:]) for command in _PAUSE])
    found.append((events[pause, 0], Setting.PAUSE, code[pause]))
    if dialect == KLIPPER:
        found = _klipper_accelerations(code, has, events, found)
    return _sorted([*found, *_extended(notes)])


def _klipper_accelerations(code: Float, has: Int, events: Float, found: Found) -> Found:
    """Read M204 as Klipper does: one acceleration, S or the lower of P and T."""
    kinds = (Setting.PRINT_ACCEL, Setting.TRAVEL_ACCEL, Setting.RETRACT_ACCEL)
    both = _given(has, "P") & _given(has, "T")
    mine = (code == 204) & (_given(has, "S") | both)
    lower = np.minimum(_word(events, "P"), _word(events, "T"))
    value = np.where(_given(has, "S"), _word(events, "S"), lower) * events[:, 2]
    kept = [entry for entry in found if entry[1] not in kinds]
    return [*kept, *((events[mine, 0], kind, value[mine]) for kind in kinds[:2])]


def _given(has: Int, letter: str) -> NDArray[np.bool_]:
    given: NDArray[np.bool_] = (has >> (ord(letter) - 65)) & 1 == 1
    return given


def _word(events: Float, letter: str) -> Float:
    return events[:, 4 + EVENT_LETTERS.index(letter)]


def _extended(notes: Sequence[Note]) -> Found:
    return [
        (np.array([note.row]), kind, np.array([float(value)]))
        for note in notes
        if note.own_line and _VELOCITY.match(note.text)
        for key, value in _PAIR.findall(note.text)
        for kind in _OF_KEY[key.upper()]
    ]


def _sorted(found: Found) -> Settings:
    row = np.concatenate([rows.astype(np.int64) for rows, _, _ in found])
    kind = np.concatenate([np.full(len(rows), kind, np.uint8) for rows, kind, _ in found])
    value = np.concatenate([values for _, _, values in found])
    # no machine moves by a limit of 0; what firmware makes of one differs, so that such a word sets nothing
    kept = (value > 0) | ~np.isin(kind, _LIMIT_KINDS)
    row, kind, value = row[kept], kind[kept], value[kept]
    order = np.argsort(row, kind="stable")
    return Settings(row=row[order], kind=kind[order], value=value[order])
