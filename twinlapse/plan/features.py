"""What kind of path a row belongs to, as far as the file's comments say so."""

from __future__ import annotations

import re

import numpy as np
from numpy.typing import NDArray

from twinlapse.gcode import Toolpath

_MARK = re.compile(r"^;?\s*(?:TYPE|FEATURE|feature)\s*:?\s*(.+)$")
# words by which slicers name the wall that is seen from outside
_OUTER = re.compile(r"(?i)outer|external|overhang|top surface|^skin$|ironing")


def outer_rows(toolpath: Toolpath) -> tuple[NDArray[np.int64], NDArray[np.bool_]]:
    """Return the rows at which the kind of path changes, and whether it is one that is seen from outside.

    Both are empty where the file does not say.
    """
    found = [
        (note.row, _OUTER.search(mark[1]) is not None)
        for note in toolpath.notes
        if (mark := _MARK.match(note.text)) is not None
    ]
    rows = np.array([row for row, _ in found], np.int64)
    return rows, np.array([outer for _, outer in found], bool)


def is_outer(
    marks: tuple[NDArray[np.int64], NDArray[np.bool_]], rows: NDArray[np.int64]
) -> NDArray[np.bool_] | None:
    """Return for some rows whether they lie on an outer wall, None where the file does not say."""
    starts, outer = marks
    if not len(starts):
        return None
    place = np.searchsorted(starts, rows, "right") - 1
    return np.asarray(np.where(place >= 0, outer[place], False))
