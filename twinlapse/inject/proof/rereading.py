"""Read the written file back: whole, or the stretches around what was put in.

Why the stretches are enough. Outside the marker comments the written file has the original's bytes, which is
looked at byte by byte (`diff`), and the original has been read: its bytes have the SHA-256 of those that
were. What a line does depends on its bytes and on the machine's state before it alone
(`gcode.reading_states`). So:

1. Each stretch begins at a line of the original before which its state is known, and holds every line that
   was put in, with some thousand bytes of the original behind it.
2. The rows of a stretch are compared with the original's and judged as if the whole file had been read.
3. Behind the stretch the state must be the one that the original had there. Then everything up to the next
   stretch, the same bytes from the same state, does what it does in the original.

Whatever speaks against a step has the file read whole: other bytes outside, another state behind a stretch,
or any check that fails, so that a fault is told where it first shows.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from twinlapse.arrays import Bool, Int, Progress
from twinlapse.errors import TwinlapseError
from twinlapse.gcode import Toolpath
from twinlapse.gcode.changed_reader import Stretch, pass_stretches
from twinlapse.gcode.chunked_reader import pass_toolpath
from twinlapse.inject.proof.block_rows import ROW_COLUMNS, BlockRowCollector, BlockRows
from twinlapse.inject.proof.diff import original_line
from twinlapse.inject.proof.fences import FencedFile
from twinlapse.inject.proof.report import Check, Fault, verdict
from twinlapse.inject.proof.same_rows import RowComparison, check_of_rows

__all__ = ["ReadBack", "read_stretches", "read_whole", "stretches_of"]

_BEHIND_BYTES = 4096  # of the original behind what was put in: the next moves say again how they are meant
_MOST_SHARE = 0.25  # of the file; of more, reading it whole is as fast and holds less memory


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadBack:
    """What reading the written file gave."""

    block_rows: BlockRows | None  # None when no row at all was read
    same_rows: Check


def read_whole(
    written: Path, firmware: str, fenced: FencedFile, original: Toolpath, progress: Progress | None
) -> ReadBack:
    """Read all of the written file, compare what stands outside the blocks and keep what stands in them."""
    passes: list[tuple[RowComparison, BlockRowCollector]] = []

    def begin() -> Callable[[Toolpath], None]:
        comparison, collector = RowComparison(original), BlockRowCollector(fenced.blocks)
        passes.append((comparison, collector))
        return lambda piece: comparison.piece(piece, collector.piece(piece))

    try:
        pass_toolpath(written, begin, firmware=firmware, progress=progress)
    except TwinlapseError as error:
        fault = Fault(error.line, f"it cannot be read: {error.what}")
        return ReadBack(block_rows=None, same_rows=verdict("prints the same", fault, ""))
    comparison, collector = passes[-1]
    return ReadBack(
        block_rows=None if collector.is_empty else collector.finish(original),
        same_rows=check_of_rows(comparison.finish(fenced.lines), original),
    )


def read_stretches(
    written: Path, stretches: list[Stretch], fenced: FencedFile, original: Toolpath, progress: Progress | None
) -> ReadBack | None:
    """Read the stretches alone; None when something in them speaks against that."""
    rows = _rows_of(original, stretches)
    comparison, collector = RowComparison(_expected(original, rows)), BlockRowCollector(fenced.blocks)
    with contextlib.suppress(TwinlapseError):  # reading it whole says what is wrong
        same = pass_stretches(
            written,
            stretches,
            original,
            lambda piece: comparison.piece(piece, collector.piece(piece)),
            progress,
        )
        if same and comparison.finish(fenced.lines) is None:
            found = collector.finish(original)
            at = np.where(found.at > 0, rows.number[found.at - 1] + 1, 0)
            return ReadBack(block_rows=replace(found, at=at), same_rows=check_of_rows(None, original))
    return None


def stretches_of(
    fenced: FencedFile, original: Toolpath, firmware: str, written_size: int
) -> list[Stretch] | None:
    """Return the stretches that must be read; None when it must be the whole file."""
    states = original.states
    if states is None or firmware != original.firmware or fenced.faults:
        return None
    usable = np.flatnonzero((states.row > 0) & ~np.isin(states.row, original.setting_row))
    places = states.byte[usable]
    stretches: list[Stretch] = []
    added, lines, ends = 0, 0, -1
    for piece in fenced.pieces:
        was = len(original_line(piece)) if piece.kind == "progress" else 0
        place = piece.start - added
        begin = int(np.searchsorted(places, place, "right")) - 1
        end = int(np.searchsorted(places, place + was + _BEHIND_BYTES, "left"))
        apart = not stretches or begin > ends
        start, above = (int(places[begin]) + added if begin >= 0 else 0), lines
        added += piece.stop - piece.start - was
        lines += piece.added_lines
        ends = end
        stretch = Stretch(
            begin=int(usable[begin]) if begin >= 0 else None,
            end=int(usable[end]) if end < len(usable) else None,
            start=start,
            stop=int(places[end]) + added if end < len(usable) else written_size,
            lines=above,
        )
        if apart:
            stretches.append(stretch)
        else:
            stretches[-1] = replace(stretches[-1], end=stretch.end, stop=stretch.stop)
    read = sum(stretch.stop - stretch.start for stretch in stretches)
    return stretches if 0 < read <= _MOST_SHARE * written_size else None


@dataclass(frozen=True, slots=True, kw_only=True)
class _Rows:
    """Rows of the original that stretches give."""

    spans: list[tuple[int, int]]
    number: Int  # (n,) of them all
    read: Bool  # (rows of the original + 1,) those that lines of the stretches give, not the row before each


def _rows_of(original: Toolpath, stretches: list[Stretch]) -> _Rows:
    states = original.states
    assert states is not None
    spans, read = [], np.zeros(len(original) + 1, bool)
    for stretch in stretches:
        first = int(states.row[stretch.begin]) if stretch.begin is not None else 0
        stop = int(states.row[stretch.end]) if stretch.end is not None else len(original)
        spans.append((max(first - 1, 0), stop))
        read[first : stop + (stretch.end is None)] = True
    return _Rows(spans=spans, number=np.concatenate([np.arange(*span) for span in spans]), read=read)


def _expected(original: Toolpath, rows: _Rows) -> Toolpath:
    """Return the original as if it had those rows alone; what is set between them is set at the next."""
    columns: dict[str, Any] = {
        name: np.concatenate([getattr(original, name)[first:stop] for first, stop in rows.spans])
        for name in ROW_COLUMNS
    }
    tables: dict[str, Any] = {"setting_row": np.searchsorted(rows.number, original.setting_row)}
    for row_name, value_name in (("shift_row", "shift_mm"), ("arc_row", "arc")):
        kept = rows.read[getattr(original, row_name)]
        tables[row_name] = np.searchsorted(rows.number, getattr(original, row_name)[kept])
        tables[value_name] = getattr(original, value_name)[kept]
    return replace(original, **columns, **tables)
