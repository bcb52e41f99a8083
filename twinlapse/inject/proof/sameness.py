"""Rows outside the blocks must be the rows of the original: places, filament, modes, feeds, waits."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from twinlapse.gcode import Kind, Toolpath
from twinlapse.inject.proof.evidence import Evidence
from twinlapse.inject.proof.report import Check, Fault, verdict

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
    ("retracted_mm", "how far the filament is pulled back", 1e-4, 0.0),
    ("dwell_s", "a wait", _ZERO, SHARE),
    ("accel_mm_s2", "the acceleration", _ZERO, SHARE),
)


def differs(a: NDArray[Any], b: NDArray[Any], absolute: float, relative: float) -> NDArray[np.bool_]:
    """Return where two columns differ by more than the tolerances; without any, where they differ at all."""
    if absolute == 0.0 and relative == 0.0:
        return np.asarray(a != b)
    return np.asarray(np.abs(a - b) > absolute + relative * np.abs(a))


def check_prints_same(evidence: Evidence) -> Check:
    """Compare all rows outside the blocks with the original's, in order."""
    original, written = evidence.original, evidence.written
    keep = np.ones(len(written), bool)
    keep[evidence.rows] = False
    outside = np.flatnonzero(keep)
    count = min(len(outside), len(original))
    worst: tuple[int, str] | None = None
    for name, what, absolute, relative in COLUMNS:
        mine, theirs = getattr(original, name)[:count], getattr(written, name)[outside[:count]]
        bad = differs(mine, theirs, absolute, relative)
        if bad.any():
            at = int(np.argmax(bad))
            if worst is None or at < worst[0]:
                worst = (at, f"{what} is {theirs[at]:.6g} where the original has {mine[at]:.6g}")
    fault = None
    if worst is not None:
        row = int(outside[worst[0]])
        text = f"{worst[1]} (line {int(original.line[worst[0]])} of the original)"
        fault = Fault(evidence.line(row), text)
    elif len(outside) != len(original):
        fault = _count_fault(evidence, outside)
    else:
        fault = _tables_fault(evidence, outside)
    laid = int((original.kind == Kind.EXTRUDE).sum())
    return verdict("prints the same", fault, f"{laid} printing moves and all others, in order, are equal")


def _count_fault(evidence: Evidence, outside: NDArray[np.int64]) -> Fault:
    original = evidence.original
    if len(outside) > len(original):
        row = int(outside[len(original)])
        return Fault(evidence.line(row), "commands follow that the original does not have")
    line = int(original.line[len(outside)])
    return Fault(evidence.cutting.lines, f"the commands from line {line} of the original on are missing")


def _tables_fault(evidence: Evidence, outside: NDArray[np.int64]) -> Fault | None:
    """Compare arcs, shifts of the origin and settings, which stand in tables of their own."""
    original, written = evidence.original, evidence.written
    place = np.full(len(written) + 1, -1, np.int64)
    place[outside] = np.arange(len(outside))
    place[len(written)] = len(original)
    tables = (
        ("an arc", "arc_row", "arc"),
        ("the origin (G92)", "shift_row", "shift_mm"),
        ("a setting", "setting_row", "setting_value"),
        ("a setting", "setting_row", "setting_kind"),
    )
    for what, row_name, value_name in tables:
        rows, values = getattr(written, row_name), getattr(written, value_name)
        kept = place[rows] >= 0
        rows, values = place[rows[kept]], values[kept]
        mine = getattr(original, value_name)
        if len(rows) != len(mine) or (rows != getattr(original, row_name)).any() or not _close(mine, values):
            line = _first_line(original, getattr(original, row_name), mine, rows, values)
            return Fault(None, f"{what} differs from the original's, first near its line {line}")
    return None


def _close(a: NDArray[Any], b: NDArray[Any]) -> bool:
    return bool(np.allclose(a, b, rtol=1e-9, atol=PLACE_MM))


def _first_line(path: Toolpath, rows: Any, values: Any, other_rows: Any, other_values: Any) -> int:
    count = min(len(rows), len(other_rows))
    for k in range(count):
        if rows[k] != other_rows[k] or not _close(np.asarray(values[k]), np.asarray(other_values[k])):
            return int(path.line[min(int(rows[k]), len(path) - 1)])
    row = int(rows[count]) if count < len(rows) else len(path) - 1
    return int(path.line[min(row, len(path) - 1)])
