"""What a camera should see of a course: for every moment whether the machine stands, or how it moves."""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np

from twinlapse.arrays import Float, Int
from twinlapse.machine_course import MachineCourse
from twinlapse.records import ArrayRecord

__all__ = [
    "KINDS",
    "STANDS",
    "CourseCells",
    "cells_of",
    "code_count",
    "code_shares",
    "fine_kinds",
]

STANDS = 0  # code of a cell in which nothing moves
_STILL_MM = 0.05  # moved less in a fifth of a second, no camera here sees it
_SIZES_MM = (1.5, 6.0)  # a fifth of a second at 7.5 and 30 mm/s: outlines, infill, travel
KINDS = 7  # moves along X or Y of three sizes, and along Z alone: cameras see each of them differently well
_SHARES = 5  # codes for cells of which 0, 1/4 ... all is standing


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class CourseCells(ArrayRecord):
    """A course cut into cells of equal time."""

    step_s: float
    code: Int  # (s,) what is seen in a cell, see `code_shares`
    stop: Int  # (s,) index of the stop that most of a cell belongs to, -1 for none
    time_s: Float  # (s,) of the middles, by the file's own time
    skip_from: Int  # (s,) the cell from which a stop that is left out leads here, -1 for none


def code_count() -> int:
    """Return how many codes there are."""
    return 1 + KINDS * (_SHARES - 1)


def code_shares() -> Float:
    """Return the shares of standing and of each kind of moving in every code, shape (codes, 1 + kinds)."""
    shares = np.zeros((code_count(), 1 + KINDS))
    shares[STANDS, 0] = 1.0
    for kind in range(KINDS):
        for part in range(_SHARES - 1):
            row = 1 + kind * (_SHARES - 1) + part
            shares[row, 0] = part / (_SHARES - 1)
            shares[row, 1 + kind] = 1.0 - shares[row, 0]
    return shares


def fine_kinds(course: MachineCourse, edge_s: Float) -> Int:
    """Return 0 (stands) or 1 to 7 (moves) between neighbouring edges, shape (len(edge_s) - 1,)."""
    if course.time_s is None or course.place_mm is None:
        middle_s = 0.5 * (edge_s[1:] + edge_s[:-1])
        return np.where(_stop_at(course, middle_s) >= 0, 0, 1)
    place = np.column_stack([np.interp(edge_s, course.time_s, axis) for axis in course.place_mm.T])
    moved = np.abs(np.diff(place, axis=0)) * (0.2 / np.diff(edge_s))[:, None]
    largest = moved.max(axis=1)
    kind = 1 + np.searchsorted(_SIZES_MM, largest) + 3 * (moved[:, 1] > moved[:, 0])
    kind = np.where(moved[:, 2] >= largest, KINDS, kind)
    return np.where(largest < _STILL_MM, 0, kind).astype(np.int64)


def cells_of(course: MachineCourse, step_s: float, rate: Float | None = None) -> CourseCells:
    """Cut a course into cells.

    Parameters
    ----------
    step_s : float
        Length of a cell in real seconds.
    rate : ndarray of shape (2, k), optional
        Times of the file, and the real seconds from the start until then without pauses
        [default: both are the same].
    """
    real_end_s = course.length_s if rate is None else float(rate[1, -1])
    count = max(2, int(np.ceil(real_end_s / step_s)))
    parts = max(1, round(step_s / 0.2))
    fine_real_s: Float = np.arange(count * parts + 1, dtype=np.float64) * (step_s / parts)
    fine_s = fine_real_s if rate is None else np.interp(fine_real_s, rate[1], rate[0])
    fine_s = fine_s + 1e-9 * np.arange(len(fine_s))  # rising even beyond the end
    kind = fine_kinds(course, fine_s).reshape(count, parts)
    middle_s = 0.5 * (fine_s[1:] + fine_s[:-1])
    at_stop = _stop_at(course, middle_s).reshape(count, parts)
    standing = (kind == 0).mean(axis=1)
    usual = np.array([np.bincount(row[row > 0], minlength=2).argmax() for row in kind])
    share = np.round(standing * (_SHARES - 1)).astype(np.int64)
    code = np.where(
        share == _SHARES - 1,
        STANDS,
        1 + (np.maximum(usual, 1) - 1) * (_SHARES - 1) + np.minimum(share, _SHARES - 2),
    )
    stop = np.where((at_stop >= 0).mean(axis=1) >= 0.5, at_stop.max(axis=1), -1)
    return CourseCells(
        step_s=step_s,
        code=code.astype(np.int64),
        stop=stop.astype(np.int64),
        time_s=middle_s.reshape(count, parts).mean(axis=1),
        skip_from=_skips(stop),
    )


def _stop_at(course: MachineCourse, time_s: Float) -> Int:
    if len(course.start_s) == 0:
        return np.full(len(time_s), -1)
    place = np.searchsorted(course.start_s, time_s, "right") - 1
    inside = (place >= 0) & (time_s < course.end_s[np.maximum(place, 0)])
    return np.where(inside, place, -1)


def _skips(stop: Int) -> Int:
    skip_from = np.full(len(stop), -1)
    change = np.flatnonzero(np.diff(stop) != 0) + 1
    for first, after in itertools.pairwise(change):
        if stop[first] >= 0:
            skip_from[after] = first - 1
    return skip_from.astype(np.int64)
