"""What kind of path a row belongs to, as far as the file's comments say so."""

from __future__ import annotations

import re
from enum import IntEnum

import numpy as np
from numpy.typing import NDArray

from twinlapse.arrays import Bool, Int
from twinlapse.buffered_bytes import file_bytes
from twinlapse.gcode import Toolpath

__all__ = ["Path", "marked_paths", "path_at"]

_MARK = re.compile(
    rb"\n;[ \t]?(?:TYPE|FEATURE|feature)[: ][ ]?(?P<tagged>[^\r\n]{1,60})"
    rb"|\n; (?P<plain>outer wall|inner wall|surface|infill|skirt|support)[ \t]*(?=[\r\n])"
)
# words by which slicers name a visible outer wall, and a surface that is visible unless more is printed on it
_WALL = re.compile(rb"(?i)outer|external|overhang")
_SURFACE = re.compile(rb"(?i)skin|^surface|top (?:surface|solid)|ironing")


_LONGEST = 256  # bytes of a comment that are looked at
_BLANKS = np.frombuffer(b" \t", np.uint8)
_FIRST = np.frombuffer(b"TFfois", np.uint8)  # with which a mark's word begins


class Path(IntEnum):
    """What of a path is visible in the finished print."""

    HIDDEN = 0
    WALL = 1
    SURFACE = 2


def marked_paths(toolpath: Toolpath) -> tuple[Int, Int]:
    """Return the rows at which the kind of path changes, and what of it is visible from there on (`Path`).

    Both are empty where the file's comments do not say.
    """
    starts, seen = [], []
    with file_bytes(toolpath.path, "G-code file") as view:
        for place, data, own in view.pieces(_LONGEST):
            for start in np.flatnonzero(_may_begin(data[: own + 3])).tolist():
                mark = _MARK.match(data[start : start + _LONGEST].tobytes())
                if mark:
                    starts.append(place + start)
                    words = mark["tagged"] or mark["plain"]
                    wall, surface = _WALL.search(words), _SURFACE.search(words)
                    seen.append(Path.WALL if wall else Path.SURFACE if surface else Path.HIDDEN)
    rows = np.searchsorted(toolpath.byte, np.array(starts, np.int64))
    return rows.astype(np.int64), np.array(seen, np.int64)


def _may_begin(data: NDArray[np.uint8]) -> Bool:
    """Return at which bytes but the last three a mark may begin, by its line end, semicolon and first letter.

    Unlike a search by the pattern alone this lets other threads run.
    """
    found = np.asarray(data[1:-2] == ord(";"))
    places = np.flatnonzero(found)
    first = np.where(np.isin(data[places + 2], _BLANKS), data[places + 3], data[places + 2])
    found[places] = (data[places] == ord("\n")) & np.isin(first, _FIRST)
    return found


def path_at(marks: tuple[Int, Int], rows: Int) -> Int:
    """Return for some rows what of their path is visible (`Path`)."""
    starts, seen = marks
    place = np.searchsorted(starts, rows, "right") - 1
    return np.asarray(np.where(place >= 0, seen[place], Path.HIDDEN))
