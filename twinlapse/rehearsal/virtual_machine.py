"""The virtual machine: where a written file leaves the nozzle at each cue, and what is printed by then."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from twinlapse.errors import GcodeError
from twinlapse.files import mapped
from twinlapse.gcode import Toolpath, row_before_line
from twinlapse.shots import Cue, find_cue

Place = tuple[float, float, float]
_WORD = b"twinlapse cue "


@dataclass(frozen=True, slots=True, kw_only=True)
class Standing:
    """The machine at one cue."""

    cue: Cue
    line: int  # of the cue in the written file, 1-based
    row: int  # of the toolpath: the last one executed
    nozzle_mm: Place  # in G-code coordinates, as commanded


def standings(path: Toolpath) -> list[Standing]:
    """Return every cue of a written file with the machine's place, in file order.

    Raises
    ------
    GcodeError
        when the file holds no cue.
    """
    found = []
    for line, cue in _cues(path):
        row = row_before_line(path, line)
        at = (
            (0.0, 0.0, 0.0)
            if row < 0
            else (float(path.x_mm[row]), float(path.y_mm[row]), float(path.z_mm[row]))
        )
        found.append(Standing(cue=cue, line=line, row=row, nozzle_mm=at))
    if not found:
        raise GcodeError(
            "no line of this file asks for a frame", "plan and inject shots first", path=path.path
        )
    return found


def _cues(path: Toolpath) -> list[tuple[int, Cue]]:
    with mapped(path.path, "G-code file") as data:
        cues, line, counted = [], 1, 0
        at = data.find(_WORD)
        while at >= 0:
            first = data.rfind(b"\n", 0, at) + 1
            end = data.find(b"\n", at)
            end = len(data) if end < 0 else end
            line += data[counted:first].count(b"\n")
            counted = first
            cue = find_cue(data[first:end].decode("latin-1"))
            if cue is not None:
                cues.append((line, cue))
            at = data.find(_WORD, end)
    return cues


def laid_before(rows: np.ndarray, standing: Standing) -> int:
    """Return how many of the beads, given by their rows in ascending order, lie there at a cue."""
    return int(np.searchsorted(rows, standing.row, "right"))
