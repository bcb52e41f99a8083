"""No block touches what is printed by then, with the nozzle, the toolhead or the gantry."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from twinlapse.arrays import Float, Int
from twinlapse.gcode import Kind, Toolpath
from twinlapse.inject.proof import printed_heights
from twinlapse.inject.proof.evidence import BlockMoves, Evidence, moves_fault
from twinlapse.inject.proof.report import Check, Fault, first, verdict
from twinlapse.inject.proof.wipes import trails_of, wiping_moves
from twinlapse.rig.printer import Printer

__all__ = ["check_clearance", "touches_of"]

_BEYOND_MM = 100.0  # printed this far beside the bed is still counted: prime lines, a bed that is too small
_TOUCHES = {
    printed_heights.TIP: "travels lower than the print allows",
    printed_heights.CONE: "would touch the print with the side of the nozzle",
    printed_heights.HEAD: "would touch the print with the toolhead",
    printed_heights.GANTRY: "would touch the print with the gantry",
    printed_heights.DIVES: "goes below where it left the print",
}


def touches_of(evidence: Evidence, moves: BlockMoves) -> Int:
    """Return what of the toolhead each move of each block would touch in the print of its time, (moves,)."""
    path, arcs, rows = evidence.original, evidence.arcs, evidence.block_rows
    columns = (path.kind, path.x_mm, path.y_mm, path.z_mm, arcs.row, arcs.curve)
    low, high = _extent(path, evidence.rig.printer)
    found = np.zeros(len(moves.row), np.int64)
    trails = trails_of(evidence)
    wipes = wiping_moves(evidence, moves, trails)
    printed_heights.sweep(
        *columns, rows.at, moves.block, moves.start_mm, moves.end_mm, moves.home_mm, wipes,
        trails.place_mm, trails.first, printed_heights.empty_tops(*(high - low).tolist()), float(low[0]),
        float(low[1]), _tool(evidence.rig.printer), found, np.zeros((4, 3)),
    )  # fmt: skip
    return found


def check_clearance(evidence: Evidence, moves: BlockMoves, touches: Int, also: Sequence[Fault] = ()) -> Check:
    """Judge the moves of all blocks by what they touch (see `touches_of`) and what else is against them."""
    faults = [moves_fault(evidence, moves, k, _TOUCHES[int(touches[k])]) for k in np.flatnonzero(touches)]
    good = (
        f"the nozzle travels {printed_heights.TRAVEL_AIR_MM} mm or more above the print, "
        "toolhead and gantry clear it"
    )
    return verdict("clearance", first([*faults, *also]), good)


def _tool(printer: Printer) -> Float:
    head = printer.toolhead
    gantry_mm = 0.0 if printer.kinematics == "bed-fixed" else head.gantry_mm
    nozzle_mm = max(head.nozzle_radius_mm, printed_heights.NOZZLE_FLAT_MM + 1e-6)
    return np.array([max(head.radius_mm, nozzle_mm), gantry_mm, nozzle_mm, head.nozzle_length_mm])


def _extent(path: Toolpath, printer: Printer) -> tuple[Float, Float]:
    """Return the corners of the bed, or of what is printed where that reaches further."""
    low = np.array([printer.x_range_mm[0], printer.y_range_mm[0]])
    high = np.array([printer.x_range_mm[1], printer.y_range_mm[1]])
    laid = path.kind == Kind.EXTRUDE
    for axis, column in enumerate((path.x_mm, path.y_mm)):
        least = column.min(where=laid, initial=low[axis])
        most = column.max(where=laid, initial=high[axis])
        low[axis] = max(least, low[axis] - _BEYOND_MM)
        high[axis] = min(most, high[axis] + _BEYOND_MM)
    return low - 2.0, high + 2.0
