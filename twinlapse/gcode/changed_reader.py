"""Read of a changed file only the stretches in which it was changed, from the states of the original."""

from __future__ import annotations

from collections.abc import Iterable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

import numpy as np

from twinlapse.arrays import Progress
from twinlapse.gcode import interpreter as machine
from twinlapse.gcode.assumptions import first_assumptions
from twinlapse.gcode.chunked_reader import PiecesOfRows, Take
from twinlapse.gcode.reader import PIECE_BYTES, file_pieces
from twinlapse.gcode.row_buffer import RowBuffer
from twinlapse.gcode.settings import Settings
from twinlapse.gcode.toolpath import Mode, Toolpath

__all__ = ["Stretch", "pass_stretches"]

# what the sums of a file may drift by in all; the rounding of a sum of a hundred metres is a thousandth of it
_MOST_DRIFT = 1e-7


@dataclass(frozen=True, slots=True, kw_only=True)
class Stretch:
    """Bytes of a changed file, between two states of the original."""

    begin: int | None  # the state at its first byte, None: that of a file's first line
    end: int | None  # the state that is expected behind it, None: it is the end of the file
    start: int  # its first byte in the changed file
    stop: int  # the byte behind it
    lines: int  # how much further down its first line stands in the changed file


def pass_stretches(
    path: Path, stretches: Iterable[Stretch], original: Toolpath, take: Take, progress: Progress | None = None
) -> bool:
    """Hand over the rows of some stretches in pieces, and say whether the others are the original's.

    Between two stretches stands nothing but bytes of the original. The first row of a stretch is the row of
    the original before it, and what the original sets between two stretches is set at that row.

    Parameters
    ----------
    path : Path
        Of the changed file.
    stretches : iterable of Stretch
    original : Toolpath
        With its states.
    take : callable
        Takes the pieces, in a thread of its own; see `pass_toolpath`.
    progress : callable, optional
        Takes the share passed, 0 to 1.

    Returns
    -------
    bool
        False when the state behind a stretch is not the original's: then the file must be read whole.
    """
    stretches = list(stretches)
    size = sum(stretch.stop - stretch.start for stretch in stretches)
    drift, passed, handed = 0.0, 0, 0
    with ThreadPoolExecutor(1) as helper, ThreadPoolExecutor(1) as taker:
        recording = RowBuffer(first_assumptions(original.firmware), max(size, 1), helper)
        pieces = PiecesOfRows(path, original.firmware, recording, take, taker)
        known = _Original(original)
        for stretch in stretches:
            if stretch.begin is not None:
                known.take_up(stretch, recording, pieces)
            for fresh, whole in file_pieces(path, stretch.start, stretch.stop):
                recording.run(whole, len(fresh))
                passed += len(fresh)
                if recording.n[machine.STATUS] != machine.OK:
                    return False
                if passed - handed >= PIECE_BYTES or passed == size:
                    pieces.hand_over()
                    handed = passed
                    if progress is not None:
                        progress(passed / size)
            drift += known.drift_behind(stretch, recording)
            if drift > _MOST_DRIFT:
                return False
        pieces.finish()
    return True


class _Original:
    """The original where it is not read again."""

    def __init__(self, path: Toolpath) -> None:
        assert path.states is not None
        self._path, self._states = path, path.states
        self._row = 0  # behind the last stretch

    def take_up(self, stretch: Stretch, recording: RowBuffer, pieces: PiecesOfRows) -> None:
        """Go on at a stretch with its state, the row before it, and what was set since the last stretch."""
        assert stretch.begin is not None
        path, row = self._path, int(self._states.row[stretch.begin])
        unread = slice(*np.searchsorted(path.setting_row, [self._row, row]))
        pieces.set_unread(
            Settings(
                row=np.full(unread.stop - unread.start, recording.rows, np.int64),
                kind=path.setting_kind[unread],
                value=path.setting_value[unread],
            )
        )
        moved = {"line": stretch.lines, "byte": stretch.start - int(self._states.byte[stretch.begin])}
        before = {name: getattr(path, name)[row - 1] + moved.get(name, 0) for name in recording.columns()}
        recording.go_on(self._states, stretch.begin, stretch.lines, stretch.start, before)

    def drift_behind(self, stretch: Stretch, recording: RowBuffer) -> float:
        """Return how far the sums have drifted in a stretch, infinite when the state is another."""
        if stretch.end is None:
            return 0.0
        self._row = int(self._states.row[stretch.end])
        apart = self._states.apart(stretch.end, recording.n, recording.f)
        if apart is None:
            return np.inf
        e_word, retracted_mm = apart
        if e_word > 0 and self._row <= self._last_position_row:
            return np.inf  # a position would feed the drift
        return max(e_word, retracted_mm)

    @cached_property
    def _last_position_row(self) -> int:
        """The last row for which E words are positions, -1 when there is none."""
        rows = np.flatnonzero(self._path.mode & Mode.RELATIVE_E == 0)
        return int(rows[-1]) if len(rows) else -1
