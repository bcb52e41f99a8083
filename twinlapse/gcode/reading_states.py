"""The interpreter's state at places of a file, from which reading can go on without what stands before.

What a line does depends on its bytes and on the state before it, on nothing else. So two files that have the
same bytes from two places on give the same rows from there on, when the states at these places are the same.
Counters do not matter: how many rows, lines and oddities there were before. Sums are the same when what they
are used for is, up to the rounding of the sum.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from twinlapse.arrays import Float, Int
from twinlapse.gcode import interpreter as machine
from twinlapse.gcode.tokenizer import LINE, STATE, WORDS
from twinlapse.records import ArrayRecord

__all__ = ["LEAST_BYTES", "MOST_STATES", "ReadingStates", "StateRecorder"]

LEAST_BYTES = 16_384  # between two states; taking one costs as much as reading a few lines
MOST_STATES = 4000  # of a file, about: few enough to cost nothing
# what decides over the lines to come; all other integers are counters or of the command just read
_INTEGERS = (
    machine.MODE, machine.TOOL, machine.MOTION, machine.PLANE, machine.RULE, machine.DIALECT, machine.E_BIT,
    machine.E_DECLARED, machine.E_SOURCE, machine.E_OWN, machine.FOR_RELATIVE, machine.FOR_ABSOLUTE,
    machine.AFTER_TOOL, machine.EXTRUDING, machine.HOMED_AXES,
)  # fmt: skip
_FLOATS = (
    machine.X, machine.Y, machine.Z, machine.SHIFT_X, machine.SHIFT_Y, machine.SHIFT_Z, machine.E_LAST,
    machine.FEED, machine.UNIT, machine.AREA,
)  # fmt: skip
_COUNTED = (machine.ROWS, machine.EVENTS, machine.STATUS, machine.ROWS_BEFORE)  # of a pass, not of the file


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class ReadingStates(ArrayRecord):
    """States at the beginnings of some lines, in the order of the file."""

    byte: Int  # (k,) of the line
    row: Int  # (k,) rows before it
    line: Int  # (k,) lines before it
    integers: Int  # (k, i)
    floats: Float  # (k, f) as far as any tool has been used

    def __len__(self) -> int:
        return len(self.byte)

    def put_back(self, k: int, n: NDArray[np.int64], f: Float) -> None:
        """Set the interpreter to a state; the counters of a pass stay as they are."""
        counted = n[list(_COUNTED)]
        n[STATE:] = self.integers[k]
        n[list(_COUNTED)] = counted
        f[WORDS:] = 0.0
        f[WORDS : WORDS + self.floats.shape[1]] = self.floats[k]

    def apart(self, k: int, n: NDArray[np.int64], f: Float) -> tuple[float, float] | None:
        """Return how far the sums are from those of a state, None when anything else differs.

        Returns
        -------
        The logical E in the file's unit, and the greatest difference in what is retracted, in mm.
        """
        mine, other = np.zeros_like(f), np.zeros_like(n)
        mine[WORDS : WORDS + self.floats.shape[1]] = self.floats[k]
        other[STATE:] = self.integers[k]
        (fed, furthest, put_away), (fed_here, furthest_here, put_away_here) = _tools(mine), _tools(f)
        same = (
            np.array_equal(n[list(_INTEGERS)], other[list(_INTEGERS)])
            and np.array_equal(f[list(_FLOATS)], mine[list(_FLOATS)])
            and np.array_equal(put_away, put_away_here)
        )
        if not same:
            return None
        retracted = np.abs((furthest - fed) - (furthest_here - fed_here))
        return abs(float(f[machine.E] - mine[machine.E])), float(retracted.max())


class StateRecorder:
    """Takes states while a file is read."""

    def __init__(self, file_bytes: int) -> None:
        self.due = self._every = max(LEAST_BYTES, file_bytes // MOST_STATES)  # the byte of the next one
        self._taken: list[tuple[int, int, int, NDArray[np.int64], Float]] = []

    def take(self, byte: int, row: int, n: NDArray[np.int64], f: Float) -> None:
        """Keep the state before the line at `byte`, with the rows before it."""
        used = np.flatnonzero(f[machine.TOOLS :])
        stop = machine.TOOLS + 3 * (int(used[-1]) // 3 + 1 if len(used) else 0)
        self._taken.append((byte, row, int(n[LINE]), n[STATE:].copy(), f[WORDS:stop].copy()))
        self.due = byte + self._every

    def finish(self) -> ReadingStates:
        """Return what was taken."""
        byte, row, line, integers, floats = zip(*self._taken, strict=True) if self._taken else ((),) * 5
        wide = np.zeros((len(byte), max(map(len, floats), default=0)))
        for mine, values in zip(wide, floats, strict=True):
            mine[: len(values)] = values
        return ReadingStates(
            byte=np.array(byte, np.int64),
            row=np.array(row, np.int64),
            line=np.array(line, np.int64),
            integers=np.array(integers, np.int64).reshape(len(byte), machine.N_INTEGERS - STATE),
            floats=wide,
        )


def _tools(f: Float) -> Any:
    """Return of each tool what it has fed, the furthest it has been fed, and its E when put away."""
    return f[machine.TOOLS :].reshape(-1, 3).T
