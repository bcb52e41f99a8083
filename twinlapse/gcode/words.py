"""From bytes to words: numbers, ends of lines, comments worth keeping. Compiled loops.

Numbers are those of firmware, without exponents: ``E`` begins a word. Every letter is read in upper case.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from twinlapse.kernels import kernel

Bytes = NDArray[np.uint8]

_POWER = np.array([10.0**k for k in range(19)])
_DIGITS = 18  # as many fit an int64


def _word(text: str) -> int:
    return int.from_bytes(text.encode(), "big")


# beginnings, five letters long, of the words by which layers, objects and limits are marked
_MARKS = np.array(
    [_word(w) for w in ("layer", "slice", "mesh:", "objec", "print", "veloc", "heigh", "slici")]
)
_FIVE = (1 << 40) - 1
_THREE = (1 << 24) - 1
_Z_COLON = _word(";z:")
_RAFT = _word("raft")
_FOUR = (1 << 32) - 1
_REACH = 160  # letters of a comment that are looked at


@kernel
def read_number(data: Bytes, start: int, stop: int) -> tuple[float, int, bool]:
    """Return the number at `start`, the place after it, and whether there is one at all."""
    i = start
    negative = False
    if i < stop and (data[i] == 43 or data[i] == 45):
        negative = data[i] == 45
        i += 1
    mantissa = np.int64(0)
    used = 0
    scale = 0
    point = False
    found = False
    while i < stop:
        c = np.int64(data[i])
        if 48 <= c <= 57:
            found = True
            if used < _DIGITS:
                mantissa = mantissa * 10 + (c - 48)
                if mantissa > 0:
                    used += 1
                if point:
                    scale += 1
                    if scale == _DIGITS:
                        used = _DIGITS
            elif not point:
                return 1e18, i, True  # longer than any place on earth
        elif c == 46 and not point:
            point = True
        else:
            break
        i += 1
    value = mantissa / _POWER[scale]
    return (-value if negative else value), i, found


@kernel
def end_of_line(data: Bytes, start: int, stop: int) -> int:
    """Return the place of the line feed at or after `start`, or `stop`."""
    i = start
    while i < stop and data[i] != 10:
        i += 1
    return i


@kernel
def end_of_text(data: Bytes, start: int, stop: int) -> int:
    """Return the place of the ``;`` or line feed at or after `start`, or `stop`."""
    i = start
    while i < stop and data[i] != 10 and data[i] != 59:
        i += 1
    return i


@kernel
def is_worth_keeping(data: Bytes, start: int, stop: int) -> bool:
    """Tell whether a word that layers, objects or limits are marked by stands between two places."""
    window = np.int64(0)
    for i in range(start, min(stop, start + _REACH)):
        c = np.int64(data[i])
        if c == 32 and (window & 255) == 59:
            continue  # "; Z:" is read as ";Z:"
        if 65 <= c <= 90:
            c += 32
        window = ((window << 8) | c) & _FIVE
        if c == 58 and (window & _THREE) == _Z_COLON:
            return True
        if c == 116 and (window & _FOUR) == _RAFT:
            return True
        for k in range(len(_MARKS)):
            if window == _MARKS[k]:
                return True
    return False


def as_bytes(data: Any) -> Bytes:
    """Return a read-only view of anything that holds bytes, of the one type that the loops are compiled for."""
    view = np.frombuffer(data, np.uint8)
    view.flags.writeable = False
    return view
