"""Where an object that a firmware can cancel begins and ends: EXCLUDE_OBJECT_START and _END, M486."""

from __future__ import annotations

import re
from dataclasses import dataclass

import numpy as np

from twinlapse.arrays import Bool, Int
from twinlapse.gcode.toolpath import Toolpath
from twinlapse.records import ArrayRecord

__all__ = ["ObjectBrackets", "brackets_of"]

# Klipper: docs/Exclude_Object.md. Marlin and RepRapFirmware: M486 S with a number begins, S-1 ends; a number
# behind a number ends the one and begins the other
_MARK = re.compile(r"(?i)^(?:EXCLUDE_OBJECT_(START|END)\b|M486 ?(?:T ?\d+ ?)?S ?(-?\d+))")
_UNNUMBERED, _NONE = -1, -2


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class ObjectBrackets(ArrayRecord):
    """The lines at which objects begin and end, rising. A firmware that has cancelled one skips its moves."""

    line: Int  # (m,)
    byte: Int  # (m,) offset of the first byte of that line
    begins: Bool  # (m,) else it ends
    number: Int  # (m,) of the object that M486 begins, negative for all else
    end_line: Int  # (e + 1,) lines at which objects end, and -1
    end_byte: Int  # (e + 1,) offsets of their first bytes, and -1

    def is_inside(self, line: Int) -> Bool:
        """Return whether what is inserted after some lines (n,) stands inside an object."""
        if not len(self.line):
            return np.zeros(len(line), bool)
        k = np.searchsorted(self.line, line, "right") - 1
        return np.asarray((k >= 0) & self.begins[k])

    def number_at(self, line: Int) -> Int:
        """Return the number by which M486 has named the object that is current after some lines (n,).

        Negative where none is, or where an object has no number.
        """
        if not len(self.line):
            return np.full(len(line), _NONE)
        k = np.searchsorted(self.line, line, "right") - 1
        return np.where(k >= 0, self.number[k], _NONE)

    def end_between(self, line: Int, following: Int) -> tuple[Int, Int]:
        """Return line and first byte of the first end of an object after some lines and before others.

        Both are -1 where no object ends there.
        """
        k = np.searchsorted(self.end_line[:-1], line, "right")
        k = np.where(self.end_line[k] < following, k, -1)
        return self.end_line[k], self.end_byte[k]


def brackets_of(path: Toolpath) -> ObjectBrackets:
    """Return the brackets of single objects in a file."""
    found = [
        (note.line, note.byte, _number(mark))
        for note in path.notes
        if note.own_line and (mark := _MARK.match(note.text))
    ]
    table = np.array(found, np.int64).reshape(-1, 3)
    line, byte, number = np.ascontiguousarray(table.T)
    ends = number == _NONE
    return ObjectBrackets(
        line=line,
        byte=byte,
        begins=~ends,
        number=number,
        end_line=np.append(line[ends], -1),
        end_byte=np.append(byte[ends], -1),
    )


def _number(mark: re.Match[str]) -> int:
    if mark[1]:
        return _UNNUMBERED if mark[1].upper() == "START" else _NONE
    return int(mark[2]) if int(mark[2]) >= 0 else _NONE
