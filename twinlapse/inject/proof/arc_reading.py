"""Arcs of the original, worked out from their own words: the proof takes no centre from anybody else.

Sources: NIST RS274/NGC interpreter version 3 (NISTIR 6556), section 3.5.3 (centre and radius form, planes);
marlinfw.org/docs/gcode/G002-G003.html (P turns, a full circle where start and end are the same place).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from twinlapse.arrays import Float, Int
from twinlapse.buffered_bytes import FileBytes
from twinlapse.gcode.toolpath import Mode, Toolpath
from twinlapse.jit import kernel

__all__ = ["AXES", "OwnArcs", "read_arcs", "read_words"]

_WINDOW_BYTES = 1_048_576  # of the file at a time, as much as `FileBytes` holds
_LINE_BYTES = 512  # of an arc's line that are looked at; no firmware takes as many
_I, _J, _K, _R, _P, _CLOCKWISE = range(6)
# the words of a line: I J K R P, then 1 for G2 and 0 for G3
_WORDS = 6
# per plane (G17 XY, G18 ZX, G19 YZ): first and second axis, then the one along which a helix climbs
AXES = np.array([[0, 1, 2], [2, 0, 1], [1, 2, 0]])
# The end may lie off the circle by this; slicers round to a thousandth, and firmware ends on the end itself.
_MISS_MM = 0.5
_MISS_SHARE = 0.01  # of the radius
_SAME_MM = 1e-6


@dataclass(frozen=True, slots=True, kw_only=True)
class OwnArcs:
    """Rows of the original that are arcs, in order."""

    row: Int  # (m,)
    curve: Float  # (m, 4): centre along the two axes of the plane, signed sweep in radians, plane
    by_radius: Int  # those of them that are given by R
    unfit: Int  # rows whose words describe no circle through both ends


def read_arcs(path: Toolpath, original: FileBytes) -> OwnArcs:
    """Read the words of every arc and work out its circle.

    Parameters
    ----------
    path : Toolpath
        Of the original: says which rows are arcs, where they start and end, and in which plane.
    original : FileBytes
    """
    rows = path.arc_row
    words = _words(original, path.byte[rows])
    words[:, :_P] *= np.where(path.mode[rows] & Mode.INCH, 25.4, 1.0)[:, None]
    places = np.column_stack([path.x_mm, path.y_mm, path.z_mm]) if len(rows) else np.empty((1, 3))
    start = places[np.maximum(rows - 1, 0)] * (rows > 0)[:, None]
    return _circles(rows, words, start, places[rows], path.arc[:, 3].astype(np.int64))


def _words(original: FileBytes, first: Int) -> Float:
    """Return the words of the lines that begin at the bytes `first`."""
    words = np.zeros((len(first), _WORDS))
    done = 0
    while done < len(first):
        base = int(first[done])
        stop = int(np.searchsorted(first, base + _WINDOW_BYTES - _LINE_BYTES, "right"))
        data = original[base : int(first[stop - 1]) + _LINE_BYTES] + b"\n"
        read_words(np.frombuffer(data, np.uint8), first[done:stop] - base, words[done:stop])
        done = stop
    return words


@kernel
def read_words(data: Any, first: Any, words: Any) -> None:
    """Read I, J, K, R, P and the sense of the arcs whose lines begin at ``first``."""
    for line in range(len(first)):
        i = first[line]
        while data[i] != 10 and data[i] != 59:  # to the end of the line or its comment
            c = data[i] & 0xDF
            place = -1
            if 73 <= c <= 75:
                place = c - 73
            elif c == 82:
                place = _R
            elif c == 80:
                place = _P
            elif c != 71:
                i += 1
                continue
            i += 1
            while data[i] == 32:
                i += 1
            negative = data[i] == 45
            if data[i] == 45 or data[i] == 43:
                i += 1
            value, scale = 0.0, 0.0
            while 48 <= data[i] <= 57 or (data[i] == 46 and scale == 0.0):
                if data[i] == 46:
                    scale = 1.0
                else:
                    value = value * 10.0 + (data[i] - 48)
                    scale *= 10.0
                i += 1
            if scale > 0.0:
                value /= scale
            if place >= 0:
                words[line, place] = -value if negative else value
            elif value == 2.0 or value == 3.0:
                words[line, _CLOCKWISE] = 1.0 if value == 2.0 else 0.0


def _circles(rows: Int, words: Float, start: Float, end: Float, plane: Int) -> OwnArcs:
    """Return the circle of every arc, in the complex plane of its two axes."""
    each = np.arange(len(rows))
    a, b = AXES[plane, 0], AXES[plane, 1]
    first = start[each, a] + 1j * start[each, b]
    last = end[each, a] + 1j * end[each, b]
    left = np.where(words[:, _CLOCKWISE] == 1.0, -1.0, 1.0)  # counter-clockwise keeps its centre to the left
    chord, radius = last - first, words[:, _R]
    by_radius = radius != 0
    with np.errstate(divide="ignore", invalid="ignore"):
        across = np.sqrt(np.maximum(radius**2 - np.abs(chord) ** 2 / 4, 0.0))
        aside = 1j * chord / np.abs(chord) * across * left * np.sign(radius)
        centre = np.where(by_radius, (first + last) / 2 + aside, first + words[each, a] + 1j * words[each, b])
        reach, miss = np.abs(first - centre), np.abs(np.abs(last - centre) - np.abs(first - centre))
        turn = np.angle((last - centre) / (first - centre)) * left
        fits = np.isfinite(centre) & (reach > _SAME_MM)
        fits &= miss <= np.maximum(_MISS_MM, _MISS_SHARE * reach)
        fits &= ~by_radius | (np.abs(chord) <= 2.002 * np.abs(radius))
    sweep = np.where(turn <= _SAME_MM / np.maximum(reach, _SAME_MM), turn + 2 * np.pi, turn)
    turns = np.where((words[:, _P] > 1) & (words[:, _P] < 1000) & ~by_radius, np.floor(words[:, _P]) - 1, 0)
    curve = np.column_stack([centre.real, centre.imag, left * (sweep + 2 * np.pi * turns), plane])
    return OwnArcs(
        row=rows[fits],
        curve=np.ascontiguousarray(curve[fits]),
        by_radius=rows[fits & by_radius],
        unfit=rows[~fits],
    )
