"""Rows outside the blocks must be the rows of the original: places, filament, modes, feeds, waits."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from twinlapse.gcode import Kind, Toolpath
from twinlapse.inject.proof.report import Check, Fault, verdict

__all__ = [
    "COLUMNS",
    "FILAMENT_MM",
    "PLACE_MM",
    "SHARE",
    "TABLES",
    "RowComparison",
    "check_of_rows",
    "differs",
]

PLACE_MM = 2e-5  # the rounding of a word in inches
FILAMENT_MM = 1e-6
SHARE = 2e-5  # of a single-precision column
_ZERO = 1e-6

# column, how a person calls it, tolerance in its own unit, relative tolerance
COLUMNS = (
    ("kind", "what the line does", 0.0, 0.0),
    ("x_mm", "X", PLACE_MM, 0.0),
    ("y_mm", "Y", PLACE_MM, 0.0),
    ("z_mm", "Z", PLACE_MM, 0.0),
    ("e_mm", "the filament fed", FILAMENT_MM, 0.0),
    ("length_mm", "the length of the move", 2 * PLACE_MM, SHARE),
    ("mode", "a mode", 0.0, 0.0),
    ("tool", "the tool", 0.0, 0.0),
    ("feed_mm_s", "the feed rate", _ZERO, SHARE),
    ("e_word", "the logical E", FILAMENT_MM, 0.0),
    ("retracted_mm", "how far the filament is retracted", 1e-4, 0.0),
    ("dwell_s", "a wait", _ZERO, SHARE),
    ("accel_mm_s2", "the acceleration", _ZERO, SHARE),
)
# what stands in tables of its own: how a person calls it, row and value columns
TABLES = (
    ("an arc", "arc_row", "arc"),
    ("the origin (G92)", "shift_row", "shift_mm"),
    ("a setting", "setting_row", "setting_value"),
    ("a setting", "setting_row", "setting_kind"),
)


def differs(a: NDArray[Any], b: NDArray[Any], absolute: float, relative: float) -> NDArray[np.bool_]:
    """Return where two columns differ by more than the tolerances; without any, where they differ at all."""
    if absolute == 0.0 and relative == 0.0:
        return np.asarray(a != b)
    return np.asarray(np.abs(a - b) > absolute + relative * np.abs(a))


class RowComparison:
    """Compares the rows outside the blocks with the original's while pieces of the written file pass by."""

    def __init__(self, original: Toolpath) -> None:
        self.original = original
        self.compared = 0  # rows of the original
        self.fault: Fault | None = None
        self._table_at = {name: 0 for _, name, _ in TABLES}

    def piece(self, path: Toolpath, in_block: NDArray[np.bool_]) -> None:
        """Compare the next rows of the written file."""
        if self.fault is not None:
            return
        whole = not in_block.any()
        kept = slice(None) if whole else np.flatnonzero(~in_block)
        count = len(path) if whole else len(kept)  # type: ignore[arg-type]
        room = len(self.original) - self.compared
        here = slice(self.compared, self.compared + min(count, room))
        self.fault = self._worst(path, kept, here) or self._tables(path, in_block)
        if self.fault is None and count > room:
            rows = np.flatnonzero(~in_block)
            line = int(path.line[rows[room]])
            self.fault = Fault(line, "commands follow that the original does not have")
        self.compared += min(count, room)

    def _worst(self, path: Toolpath, kept: Any, here: slice) -> Fault | None:
        worst: tuple[int, str] | None = None
        count = here.stop - here.start
        for name, what, absolute, relative in COLUMNS:
            mine = getattr(self.original, name)[here]
            theirs = getattr(path, name)[kept][:count]
            if np.array_equal(mine, theirs):
                continue
            bad = differs(mine, theirs, absolute, relative)
            at = int(np.argmax(bad))
            if bad[at] and (worst is None or at < worst[0]):
                worst = (at, f"{what} is {theirs[at]:.6g} where the original has {mine[at]:.6g}")
        if worst is None:
            return None
        line = int(self.original.line[here.start + worst[0]])
        return Fault(int(path.line[kept][worst[0]]), f"{worst[1]} (line {line} of the original)")

    def _tables(self, path: Toolpath, in_block: NDArray[np.bool_]) -> Fault | None:
        place = self.compared + np.concatenate([[0], np.cumsum(~in_block)])
        for what, row_name, value_name in TABLES:
            rows = getattr(path, row_name)
            kept = ~in_block[np.minimum(rows, len(path) - 1)] if len(rows) else np.empty(0, bool)
            values = getattr(path, value_name)[kept]
            start = self._table_at[row_name]
            mine = slice(start, start + len(values))
            same_rows = np.array_equal(place[rows[kept]], getattr(self.original, row_name)[mine])
            if not same_rows or not np.allclose(
                getattr(self.original, value_name)[mine], values, rtol=1e-9, atol=PLACE_MM
            ):
                line = int(path.line[min(int(rows[kept][0]), len(path) - 1)])
                return Fault(line, f"{what} from here on differs from the original's")
        for _, row_name, _ in TABLES[:3]:
            rows = getattr(path, row_name)
            if len(rows):
                self._table_at[row_name] += int((~in_block[np.minimum(rows, len(path) - 1)]).sum())
        return None

    def finish(self, last_line: int) -> Fault | None:
        """Return the first fault when the whole file has passed by."""
        fault = self.fault
        if fault is None and self.compared < len(self.original):
            line = int(self.original.line[self.compared])
            fault = Fault(last_line, f"the commands from line {line} of the original on are missing")
        return fault


def check_of_rows(fault: Fault | None, original: Toolpath) -> Check:
    """Return the check: broken at `fault`, or good."""
    laid = int((original.kind == Kind.EXTRUDE).sum())
    return verdict("prints the same", fault, f"{laid} printing moves and all others are equal, in order")
