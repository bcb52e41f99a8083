"""Bounds on what every block does: filament retracted, time primed above the print, time in all."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from twinlapse.arrays import Float
from twinlapse.gcode import Kind, Mode
from twinlapse.inject.proof.block_grammar import BlockReading
from twinlapse.inject.proof.evidence import BlockMoves, Evidence
from twinlapse.inject.proof.report import Check, Fault, first, verdict

__all__ = ["MOST_EXTRA_MM", "MOST_PRIMED_S", "MOST_RETRACTED_MM", "check_bounds"]

MOST_RETRACTED_MM = 15.0  # twice what long Bowden tubes take; common practice, no source
# A hot nozzle that waits primed above the print leaves a blob. A stop of the stance `still` does, for as long
# as its cameras ask; more than this no print should be asked to bear. Common practice, no source.
MOST_PRIMED_S = 3.0
MOST_EXTRA_MM = 2.0  # of filament primed beyond what was pulled back; common practice, no source
_FEWEST_PULLS = 8  # retractions that make a habit: start and end code alone have fewer
_HABIT_SHARE, _HABIT_MM = 1.05, 0.02  # a habit is said again to within its rounding
# The path from stop to stop, around what is in between: three times along both sides of the bed, twice up and
# down the machine.
_SIDES, _LIFTS = 3.0, 2.0
_STANDS_SHARE, _STANDS_S = 1.25, 0.5  # of what the rig asks, and at each stop: a dwell may be rounded up


def check_bounds(
    evidence: Evidence, moves: BlockMoves, seconds: Float, readings: Sequence[BlockReading]
) -> Check:
    """Judge how far every block retracts, how long it waits primed above the print, and how long it takes.

    Parameters
    ----------
    evidence, moves
    seconds : ndarray of shape (blocks,)
        What each block takes from rest to rest.
    readings : sequence of BlockReading
        Of each block, in order.
    """
    most_mm = _most_retracted(evidence)
    faults = [
        *_retraction_faults(evidence, moves, most_mm),
        *_primed_faults(evidence, moves),
        *_time_faults(evidence, moves, seconds, readings),
    ]
    good = (
        f"no shot retracts more than {most_mm:.3g} mm, waits primed above the print for more than "
        f"{MOST_PRIMED_S:g} s, or takes longer than its stops and paths"
    )
    return verdict("bounds", first(faults), good)


def _most_retracted(evidence: Evidence) -> float:
    """Return the longest retraction allowed: the file's usual one, or the rig's where the file has none."""
    path = evidence.original
    pulls = path.retracted_mm[path.kind == Kind.RETRACT]
    usual = (
        float(np.quantile(pulls, 0.5, method="higher"))
        if len(pulls) >= _FEWEST_PULLS
        else evidence.rig.printer.retract_mm
    )
    return min(_HABIT_SHARE * usual + _HABIT_MM, MOST_RETRACTED_MM)


def _retraction_faults(evidence: Evidence, moves: BlockMoves, most_mm: float) -> list[Fault]:
    path, rows = evidence.block_rows.path, evidence.block_rows
    back = np.maximum(path.retracted_mm.astype(float), 0.0)
    before = back[np.maximum(rows.first - 1, 0)]
    faults = []
    for k in np.flatnonzero(back[moves.row] - before[moves.block] > most_mm).tolist():
        pulled = back[moves.row[k]] - before[moves.block[k]]
        text = f"{evidence.name(int(moves.block[k]))} retracts {pulled:.4g} mm, {most_mm:.4g} are allowed"
        faults.append(Fault(evidence.line(int(moves.row[k])), text))
    extra_mm = evidence.rig.printer.prime_extra_mm
    if extra_mm > MOST_EXTRA_MM and len(rows.first):
        text = f"every prime feeds {extra_mm:g} mm more than was retracted, {MOST_EXTRA_MM:g} are allowed"
        faults.append(Fault(evidence.fenced.blocks[0].line, text))
    return faults


def _primed_faults(evidence: Evidence, moves: BlockMoves) -> list[Fault]:
    path = evidence.block_rows.path
    primed = (path.retracted_mm[moves.row] <= 0.01) & (path.mode[moves.row] & Mode.FW_RETRACTED == 0)
    stands = np.flatnonzero(primed & (moves.kind == Kind.DWELL))
    if not len(stands):
        return []
    low, high = _box(evidence)
    place = moves.end_mm[stands, :2]
    stands = stands[np.all((place >= low) & (place <= high), axis=1)]
    dwells = path.dwell_s[moves.row[stands]].astype(float)
    waits = np.bincount(moves.block[stands], dwells, minlength=len(evidence.block_rows.first))
    return [
        Fault(
            evidence.fenced.blocks[block].line,
            f"{evidence.name(block)} waits primed above the print for {waits[block]:.3g} s, "
            f"{MOST_PRIMED_S:g} s are allowed",
        )
        for block in np.flatnonzero(waits > MOST_PRIMED_S + 1e-6).tolist()
    ]


def _box(evidence: Evidence) -> tuple[Float, Float]:
    """Return the corners of all that the original prints, seen from above."""
    path = evidence.original
    laid = np.flatnonzero(path.kind == Kind.EXTRUDE)
    places = np.column_stack([path.x_mm[laid], path.y_mm[laid]])
    starts = np.column_stack([path.x_mm[np.maximum(laid - 1, 0)], path.y_mm[np.maximum(laid - 1, 0)]])
    both = np.vstack([places, starts])
    return both.min(axis=0), both.max(axis=0)


def _time_faults(
    evidence: Evidence, moves: BlockMoves, seconds: Float, readings: Sequence[BlockReading]
) -> list[Fault]:
    """Return the blocks that stand longer than their cameras ask, or travel longer than their paths take."""
    printer = evidence.rig.printer
    leg_s = _SIDES * sum(printer.bed_mm) / printer.travel_mm_s
    leg_s += _LIFTS * printer.height_mm / printer.travel_z_mm_s
    dwells = evidence.block_rows.path.dwell_s[moves.row].astype(float)
    stands_s = np.bincount(moves.block, dwells, minlength=len(seconds))
    faults: list[Fault] = []
    for block, reading in enumerate(readings):
        if reading.faults:  # its stops are not known
            continue
        asked_s = sum(sum(evidence.asked_s(stop.cameras)) for stop in reading.stops)
        bounds = (
            ("stands", stands_s[block], _STANDS_SHARE * asked_s + _STANDS_S * len(reading.stops)),
            ("travels", seconds[block] - stands_s[block], (len(reading.stops) + 1) * leg_s),
        )
        faults.extend(
            Fault(
                evidence.fenced.blocks[block].line,
                f"{evidence.name(block)} {what} for {took_s:.3g} s, {most_s:.3g} s are allowed",
            )
            for what, took_s, most_s in bounds
            if took_s > most_s
        )
    return faults
