"""What kind of path a row belongs to, as far as the file's comments say so."""

from __future__ import annotations

import re
from enum import IntEnum

import numpy as np

from twinlapse.arrays import Int
from twinlapse.files import mapped
from twinlapse.gcode import Toolpath

__all__ = ["Path", "marked_paths", "path_at"]

_MARK = re.compile(
    rb"\n;[ \t]?(?:TYPE|FEATURE|feature)[: ][ ]?(?P<tagged>[^\r\n]{1,60})"
    rb"|\n; (?P<plain>outer wall|inner wall|surface|infill|skirt|support)[ \t]*(?=[\r\n])"
)
# words by which slicers name a visible outer wall, and a surface that is visible unless more is printed on it
_WALL = re.compile(rb"(?i)outer|external|overhang")
_SURFACE = re.compile(rb"(?i)skin|^surface|top (?:surface|solid)|ironing")


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
    with mapped(toolpath.path, "G-code file") as view:
        for mark in _MARK.finditer(view):
            starts.append(mark.start())
            words = mark["tagged"] or mark["plain"]
            wall, surface = _WALL.search(words), _SURFACE.search(words)
            seen.append(Path.WALL if wall else Path.SURFACE if surface else Path.HIDDEN)
    rows = np.searchsorted(toolpath.byte, np.array(starts, np.int64))
    return rows.astype(np.int64), np.array(seen, np.int64)


def path_at(marks: tuple[Int, Int], rows: Int) -> Int:
    """Return for some rows what of their path is visible (`Path`)."""
    starts, seen = marks
    place = np.searchsorted(starts, rows, "right") - 1
    return np.asarray(np.where(place >= 0, seen[place], Path.HIDDEN))
