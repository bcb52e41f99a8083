"""No block touches what is printed by then, with the nozzle, the head or the gantry."""

from __future__ import annotations

import numpy as np

from twinlapse.inject.proof import printed_heights
from twinlapse.inject.proof.evidence import BlockMoves, Evidence
from twinlapse.inject.proof.report import Check, Fault, first, verdict
from twinlapse.inject.proof.wipes import wiping_moves

_TOUCHES = {
    printed_heights.TIP: "travels lower than the print allows",
    printed_heights.CONE: "would touch the print with the side of the nozzle",
    printed_heights.HEAD: "would touch the print with the head",
    printed_heights.GANTRY: "would touch the print with the gantry",
    printed_heights.DIVES: "goes below where it left the print",
}


def check_clearance(evidence: Evidence, moves: BlockMoves) -> Check:
    """Judge every move of every block against the print of its time."""
    printer, head, path = evidence.rig.printer, evidence.rig.printer.toolhead, evidence.original
    left, front = printer.x_range_mm[0], printer.y_range_mm[0]
    found = np.zeros(len(moves.row), np.int64)
    gantry_mm = 0.0 if printer.kinematics == "bed-fixed" else head.gantry_mm
    printed_heights.sweep(
        path.kind, path.x_mm, path.y_mm, path.z_mm, evidence.block_rows.at, moves.block, moves.start_mm,
        moves.end_mm, moves.home_mm, printed_heights.empty_tops(*printer.bed_mm), left, front,
        np.array([head.radius_mm, gantry_mm, max(head.nozzle_radius_mm, 1e-6), head.nozzle_length_mm]), found,
    )  # fmt: skip
    wipes, above = wiping_moves(evidence, moves)
    found[wipes | (above & (found != printed_heights.TIP))] = printed_heights.CLEAR
    faults = [
        Fault(
            evidence.line(int(moves.row[k])),
            f"{evidence.name(int(moves.block[k]))} {_TOUCHES[int(found[k])]}",
        )
        for k in np.flatnonzero(found)
    ]
    good = (
        f"the nozzle travels {printed_heights.CLEAR_MM} mm or more above the print, head and gantry clear it"
    )
    return verdict("clearance", first(faults), good)
