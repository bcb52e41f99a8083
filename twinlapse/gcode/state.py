"""The modal state of the machine between two lines, read off the columns."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from twinlapse.gcode.toolpath import Mode, Setting, Toolpath

__all__ = ["ModalState", "row_after_line", "row_before_line", "setting_after", "shift_after", "state_after"]


@dataclass(frozen=True, slots=True, kw_only=True)
class ModalState:
    """What holds after a row; places in machine millimetres."""

    x_mm: float
    y_mm: float
    z_mm: float
    e_word: float  # logical E in the file's own unit
    shift_mm: tuple[float, float, float]  # logical minus machine place (G92)
    relative_xyz: bool
    relative_e: bool
    inch: bool
    volumetric: bool
    homed: bool
    fw_retracted: bool
    retracted_mm: float
    feed_mm_s: float
    tool: int
    accel_mm_s2: float  # printing acceleration that the file has commanded, 0 when it has not
    travel_accel_mm_s2: float
    speed_factor: float  # M220
    flow: float  # M221
    e_letter: str = "E"  # of the extruder in use

    @property
    def logical_mm(self) -> tuple[float, float, float]:
        """The place as the file's own words would name it, in millimetres."""
        return (self.x_mm + self.shift_mm[0], self.y_mm + self.shift_mm[1], self.z_mm + self.shift_mm[2])


def row_before_line(path: Toolpath, line: int) -> int:
    """Return the last row that stands before a line, -1 when none does."""
    # a number of the column's own type: any other has numpy convert the whole column first
    return int(np.searchsorted(path.line, np.int32(line), "left")) - 1


def row_after_line(path: Toolpath, line: int) -> int:
    """Return the first row that stands after a line, ``len(path)`` when none does."""
    return int(np.searchsorted(path.line, np.int32(line), "right"))


def state_after(path: Toolpath, row: int) -> ModalState:
    """Return the state after a row; row -1 is the state at switching on.

    Parameters
    ----------
    path : Toolpath
    row : int
        From -1 to ``len(path) - 1``; `row_before_line` finds it.
    """
    if not -1 <= row < len(path):
        raise IndexError(f"row {row} of {len(path)}")
    mode = int(path.mode[row]) if row >= 0 else 0
    place = (
        (float(path.x_mm[row]), float(path.y_mm[row]), float(path.z_mm[row])) if row >= 0 else (0.0, 0.0, 0.0)
    )
    return ModalState(
        x_mm=place[0],
        y_mm=place[1],
        z_mm=place[2],
        e_word=float(path.e_word[row]) if row >= 0 else 0.0,
        e_letter=path.e_letters[min(int(path.tool[row]) if row >= 0 else 0, len(path.e_letters) - 1)],
        shift_mm=shift_after(path, row),
        relative_xyz=bool(mode & Mode.RELATIVE_XYZ),
        relative_e=bool(mode & Mode.RELATIVE_E),
        inch=bool(mode & Mode.INCH),
        volumetric=bool(mode & Mode.VOLUMETRIC),
        homed=bool(mode & Mode.HOMED),
        fw_retracted=bool(mode & Mode.FW_RETRACTED),
        retracted_mm=float(path.retracted_mm[row]) if row >= 0 else 0.0,
        feed_mm_s=float(path.feed_mm_s[row]) if row >= 0 else 0.0,
        tool=int(path.tool[row]) if row >= 0 else 0,
        accel_mm_s2=setting_after(path, row, Setting.PRINT_ACCEL, 0.0),
        travel_accel_mm_s2=setting_after(path, row, Setting.TRAVEL_ACCEL, 0.0),
        speed_factor=setting_after(path, row, Setting.SPEED_FACTOR, 1.0),
        flow=setting_after(path, row, Setting.FLOW, 1.0),
    )


def shift_after(path: Toolpath, row: int) -> tuple[float, float, float]:
    """Return the shift of the axes in force after a row: logical minus machine millimetres."""
    k = int(np.searchsorted(path.shift_row, row, "right")) - 1
    if k < 0:
        return (0.0, 0.0, 0.0)
    x, y, z = path.shift_mm[k].tolist()
    return (x, y, z)


def setting_after(path: Toolpath, row: int, kind: int, default: float) -> float:
    """Return the value of a Setting in force after a row, `default` when the file has not set it by then."""
    found = path.by_setting().get(kind)
    if found is None:
        return default
    rows, values = found
    k = int(np.searchsorted(rows, row, "right")) - 1
    return float(values[k]) if k >= 0 else default
