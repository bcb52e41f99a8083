"""Who homes the machine: the file by G28, or a macro that the file only names."""

from __future__ import annotations

import numpy as np

from twinlapse.gcode.toolpath import Kind, Toolpath

__all__ = ["homes_by_macro", "macro_line"]

# Neither moves an axis that has not been homed: Klipper answers "Must home axis first"
# (kinematics/cartesian.py), RepRapFirmware refuses unless M564 H0 says else (its G-code page, M564). A file
# that prints there without G28 has therefore been homed by something that it calls.
_REFUSE_UNHOMED = ("klipper", "reprapfirmware")
_CALLS = ("not-a-command", "macro")  # notices for extended commands and for M98
_CHUNK = 65_536


def homes_by_macro(path: Toolpath, homes: str) -> bool:
    """Return whether a macro homes the machine before the first print.

    Parameters
    ----------
    path : Toolpath
    homes : str
        ``macro``: the rig says so. ``file``: it does not. ``guess``: it does where the file names a macro
        before it prints and its firmware moves no axis that has not been homed.
    """
    return homes == "macro" or (
        homes == "guess" and path.firmware in _REFUSE_UNHOMED and macro_line(path) is not None
    )


def macro_line(path: Toolpath) -> int | None:
    """Return the line of the first extended command or M98 before the first extruding row, if any."""
    calls = [notice.line for notice in path.warnings if notice.code in _CALLS]
    row = _first_extruding_row(path)
    if not calls or row is None or min(calls) >= path.line[row]:
        return None
    return min(calls)


def _first_extruding_row(path: Toolpath) -> int | None:
    for first in range(0, len(path), _CHUNK):
        found = np.flatnonzero(path.kind[first : first + _CHUNK] == Kind.EXTRUDE)
        if len(found):
            return first + int(found[0])
    return None
