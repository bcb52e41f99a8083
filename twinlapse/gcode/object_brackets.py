"""Where an object that a firmware can cancel begins and ends: EXCLUDE_OBJECT_START and _END, M486."""

from __future__ import annotations

import re
from dataclasses import dataclass

import numpy as np

from twinlapse.arrays import Bool, Int
from twinlapse.gcode.toolpath import Toolpath
from twinlapse.records import ArrayRecord

__all__ = ["ObjectBrackets", "brackets_of"]

# Klipper: docs/Exclude_Object.md. Marlin and RepRapFirmware: M486 S with a number begins, S-1 ends
_BEGINS = re.compile(r"(?i)^(?:EXCLUDE_OBJECT_START\b|M486 ?S ?\d)")
_ENDS = re.compile(r"(?i)^(?:EXCLUDE_OBJECT_END\b|M486 ?S ?-)")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class ObjectBrackets(ArrayRecord):
    """The lines at which objects begin and end, rising. A firmware that has cancelled one skips its moves."""

    line: Int  # (m,)
    byte: Int  # (m,) offset of the first byte of that line
    begins: Bool  # (m,) else it ends

    def is_inside(self, line: Int) -> Bool:
        """Return whether what is inserted after some lines (n,) stands inside an object."""
        if not len(self.line):
            return np.zeros(len(line), bool)
        k = np.searchsorted(self.line, line, "right") - 1
        return np.asarray((k >= 0) & self.begins[k])

    def end_between(self, line: Int, following: Int) -> tuple[Int, Int]:
        """Return line and first byte of the first end of an object after some lines and before others.

        Both are -1 where no object ends there.
        """
        ends = np.flatnonzero(~self.begins)
        end_line, end_byte = np.append(self.line[ends], -1), np.append(self.byte[ends], -1)
        k = np.searchsorted(end_line[:-1], line, "right")
        k = np.where(end_line[k] < following, k, len(ends))
        return end_line[k], end_byte[k]


def brackets_of(path: Toolpath) -> ObjectBrackets:
    """Return the brackets of single objects in a file."""
    found = [
        (note.line, note.byte, begins)
        for note in path.notes
        if note.own_line and ((begins := bool(_BEGINS.match(note.text))) or _ENDS.match(note.text))
    ]
    table = np.array(found, np.int64).reshape(-1, 3)
    return ObjectBrackets(line=table[:, 0], byte=table[:, 1], begins=table[:, 2].astype(bool))
