"""What kind of path a row belongs to, as far as the file's comments say so."""

from __future__ import annotations

import re

import numpy as np
from numpy.typing import NDArray

from twinlapse.files import mapped
from twinlapse.gcode import Toolpath

_MARK = re.compile(rb"\n;[ \t]?(?:TYPE|FEATURE|feature)[: ][ ]?([^\r\n]{1,60})")
# words by which slicers name a surface that is seen
_SEEN = re.compile(rb"(?i)outer|external|overhang|skin|top (?:surface|solid)|ironing")


def outer_rows(toolpath: Toolpath) -> tuple[NDArray[np.int64], NDArray[np.bool_]]:
    """Return the rows at which the kind of path changes, and whether it is one that is seen from outside.

    Both are empty where the file's comments do not say.
    """
    starts, seen = [], []
    with mapped(toolpath.path, "G-code file") as view:
        for mark in _MARK.finditer(view):
            starts.append(mark.start())
            seen.append(_SEEN.search(mark[1]) is not None)
    rows = np.searchsorted(toolpath.byte, np.array(starts, np.int64))
    return rows.astype(np.int64), np.array(seen, bool)


def is_outer(
    marks: tuple[NDArray[np.int64], NDArray[np.bool_]], rows: NDArray[np.int64]
) -> NDArray[np.bool_] | None:
    """Return for some rows whether they lie on an outer wall, None where the file does not say."""
    starts, outer = marks
    if not len(starts):
        return None
    place = np.searchsorted(starts, rows, "right") - 1
    return np.asarray(np.where(place >= 0, outer[place], False))
