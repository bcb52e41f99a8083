"""The virtual machine: where a written file leaves the nozzle at each cue, and whether it stands still there.

It has two clocks, as a firmware has (`twinlapse.motion.stream`): a cue is sent when its line is taken, which
may be before the moves in front of it have ended.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from mmap import mmap

import numpy as np

from twinlapse.errors import GcodeError
from twinlapse.files import mapped
from twinlapse.gcode import Kind, Toolpath, row_before_line
from twinlapse.motion.stream import next_move_s, stop_cost_s, take_lines
from twinlapse.rig import Printer
from twinlapse.shots import Cue, find_cue

__all__ = ["Place", "Standing", "cue_times", "laid_before", "standings"]

Place = tuple[float, float, float]
_WORD = b"twinlapse cue "
_MOVES = np.arange(Kind.TRAVEL, Kind.HOME + 1)  # kinds that move something


@dataclass(frozen=True, slots=True, kw_only=True)
class Standing:
    """The machine at one cue."""

    cue: Cue
    line: int  # of the cue in the written file, 1-based
    row: int  # of the toolpath: the last one executed
    nozzle_mm: Place  # in G-code coordinates, as commanded
    moved_row: int = -1  # the last row before the cue that moves something
    next_row: int = 0  # the first row behind it that does
    stood_s: float = 0.0  # how long it has stood when the cue is sent; negative: it moves yet
    stands_s: float = 0.0  # how long it stands from then on, at the least


def standings(path: Toolpath) -> list[Standing]:
    """Return every cue of a written file with the machine's place, in file order.

    Raises
    ------
    GcodeError
        when the file holds no cue.
    """
    moving = np.flatnonzero(np.isin(path.kind, _MOVES))
    with mapped(path.path, "G-code file") as data:
        found = [_standing(path, data, moving, line, at, cue) for line, at, cue in _cues(data)]
    if not found:
        raise GcodeError(
            "no line of this file asks for a frame", "plan and inject shots first", path=path.path
        )
    return found


def _standing(path: Toolpath, data: mmap, moving: np.ndarray, line: int, at: int, cue: Cue) -> Standing:
    """Work out both clocks between the moves around the cue whose line begins at byte `at`."""
    row = row_before_line(path, line)
    place = (float(path.x_mm[row]), float(path.y_mm[row]), float(path.z_mm[row])) if row >= 0 else (0.0,) * 3
    k = int(np.searchsorted(moving, row, "right"))
    last = int(moving[k - 1]) if k else -1
    begin = data.find(b"\n", int(path.byte[last])) + 1 if k else 0
    end = int(path.byte[moving[k]]) if k < len(moving) else len(data)
    before, after = _commands(data[begin:at]), _commands(data[at:end])
    lines = [*before, *after]
    taken_s = take_lines([*before, ""], path.firmware)[-1].taken_s
    return Standing(
        cue=cue,
        line=line,
        row=row,
        nozzle_mm=place,
        moved_row=last,
        next_row=int(moving[k]) if k < len(moving) else len(path),
        stood_s=taken_s,
        stands_s=next_move_s(lines, path.firmware) - taken_s,
    )


def _commands(text: bytes) -> list[str]:
    """Return the commands of some lines, comments and empty lines left out."""
    bare = (line.split(b";", 1)[0].strip() for line in text.split(b"\n"))
    return [line.decode("latin-1") for line in bare if line]


def _cues(data: mmap) -> Iterator[tuple[int, int, Cue]]:
    """Yield line number, offset of the line's first byte, and words of each cue."""
    line, counted = 1, 0
    at = data.find(_WORD)
    while at >= 0:
        first = data.rfind(b"\n", 0, at) + 1
        end = data.find(b"\n", at)
        end = len(data) if end < 0 else end
        line += data[counted:first].count(b"\n")
        counted = first
        cue = find_cue(data[first:end].decode("latin-1"))
        if cue is not None:
            yield line, first, cue
        at = data.find(_WORD, end)


def cue_times(stands: list[Standing], end_s: np.ndarray, printer: Printer) -> dict[int, float]:
    """Return when each cue is sent, by its line, in seconds since the print began.

    Parameters
    ----------
    stands : list of Standing
        All of a file, in its order.
    end_s : ndarray of shape (n,)
        When each row of the toolpath ends, without what stops cost.
    printer : Printer
        Its firmware's stops cost time.
    """
    cost_s = stop_cost_s(printer)
    moved = [float(end_s[standing.moved_row]) if standing.moved_row >= 0 else 0.0 for standing in stands]
    return {
        standing.line: max(0.0, moved_s + standing.stood_s) + k * cost_s
        for k, (standing, moved_s) in enumerate(zip(stands, moved, strict=True))
    }


def laid_before(rows: np.ndarray, standing: Standing) -> int:
    """Return how many of the beads, given by their rows in ascending order, lie there at a cue."""
    return int(np.searchsorted(rows, standing.row, "right"))
