"""What a file sets besides its modal state: limits, factors, waits, pauses."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from twinlapse.gcode.toolpath import Float, Int, Kind, Note, Setting

_VELOCITY = re.compile(r"(?i)\bSET_VELOCITY_LIMIT\b")
_PAIR = re.compile(r"(?i)\b(ACCEL|VELOCITY|SQUARE_CORNER_VELOCITY)\s*=\s*([0-9]*\.?[0-9]+)")
_OF_KEY = {
    "ACCEL": (Setting.PRINT_ACCEL, Setting.TRAVEL_ACCEL),
    "VELOCITY": (Setting.MAX_SPEED,),
    "SQUARE_CORNER_VELOCITY": (Setting.SQUARE_CORNER,),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings:
    """Settings in the order of the file: each holds from its row on."""

    row: Int
    kind: NDArray[np.uint8]
    value: Float

    def acceleration(self, kinds: NDArray[np.uint8]) -> NDArray[np.float32]:
        """Return the acceleration that the file commands for each row, 0 where it commands none."""
        moving = self._in_force(Setting.TRAVEL_ACCEL, len(kinds))
        printing = self._in_force(Setting.PRINT_ACCEL, len(kinds))
        np.copyto(moving, printing, where=(kinds == Kind.EXTRUDE) | (kinds == Kind.WIPE))
        if (self.kind == Setting.RETRACT_ACCEL).any():
            retracting = self._in_force(Setting.RETRACT_ACCEL, len(kinds))
            np.copyto(moving, retracting, where=(kinds == Kind.RETRACT) | (kinds == Kind.PRIME))
        return moving

    def _in_force(self, kind: Setting, count: int) -> NDArray[np.float32]:
        mine = self.kind == kind
        spans = np.diff(np.concatenate([[0], self.row[mine], [count]]))
        held = np.repeat(np.concatenate([[0.0], self.value[mine]]).astype(np.float32), spans)
        return held


def settings_of(table: Float, notes: Sequence[Note]) -> Settings:
    """Join the settings of plain commands, rows of (row, kind, value), with those of extended commands."""
    extra = [
        (note.row, kind, float(value))
        for note in notes
        if note.own_line and _VELOCITY.match(note.text)
        for key, value in _PAIR.findall(note.text)
        for kind in _OF_KEY[key.upper()]
    ]
    if extra:
        table = np.concatenate([table, np.array(extra, dtype=np.float64)])
        table = table[np.argsort(table[:, 0], kind="stable")]
    return Settings(
        row=table[:, 0].astype(np.int64), kind=table[:, 1].astype(np.uint8), value=table[:, 2].copy()
    )
