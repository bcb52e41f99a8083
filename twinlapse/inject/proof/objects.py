"""Shots that leave the object in whose brackets they stand, and those that stay in them.

A block may say for itself that it belongs to no object, so that no firmware skips its moves; the object that
was current before it must be current again behind it. Marlin: docs/gcode/M486.html; RepRapFirmware: M486 of
its G-code dictionary.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from twinlapse.arrays import Float
from twinlapse.gcode.toolpath import Kind, Mode
from twinlapse.inject.proof.block_grammar import BlockReading
from twinlapse.inject.proof.evidence import BlockMoves, Evidence
from twinlapse.inject.proof.outside_lines import NOBODY
from twinlapse.inject.proof.report import Fault

__all__ = ["advice_on_cancelling", "faults_of_leaving", "faults_of_places"]

_LEVEL_MM = 1e-3


def faults_of_leaving(evidence: Evidence, readings: Sequence[BlockReading]) -> list[Fault]:
    """Return the blocks behind which another object is current than before them."""
    faults = []
    for block, reading, current in zip(
        evidence.fenced.blocks, readings, evidence.objects.current, strict=True
    ):
        if reading.faults or (not reading.leaves and reading.enters is None):
            continue
        if not reading.leaves:
            text = f"takes up object {reading.enters} and has left none"
        elif current < 0:
            text = "says M486 S-1 where M486 has made no object current"
        elif reading.enters != current:
            text = f"leaves object {current} and takes up {_named(reading.enters)}"
        else:
            continue
        faults.append(Fault(block.line, f"{block.name} {text}"))
    return faults


def _named(number: int | None) -> str:
    return "none again" if number is None else f"object {number}"


def faults_of_places(evidence: Evidence, moves: BlockMoves, readings: Sequence[BlockReading]) -> list[Fault]:
    """Return the blocks that leave an object and would not be safe if it were cancelled.

    The nozzle then comes from wherever it stood when that object became current.
    """
    leaving = [block for block, reading in enumerate(readings) if reading.leaves]
    if not leaving:
        return []
    tops_mm, flat, upright = _tops(evidence), moves.flat, moves.upright
    modes = evidence.block_rows.path.mode[np.maximum(evidence.block_rows.first - 1, 0)]
    faults = []
    for block in leaving:
        mine = slice(*np.searchsorted(moves.block, [block, block + 1]).tolist())
        moving = flat[mine] | upright[mine]
        if not moving.any():
            continue
        lowest_mm = float(np.minimum(moves.end_mm[mine, 2], moves.home_mm[mine, 2]).min())
        if modes[block] & Mode.RELATIVE_XYZ:
            text = "its moves are relative"
        elif flat[mine][np.argmax(moving)]:
            text = "it travels before it has named a height"
        elif lowest_mm < tops_mm[block] - _LEVEL_MM:
            text = f"what is printed stands {tops_mm[block] - lowest_mm:.3g} mm higher than it goes"
        elif evidence.rig.printer.keep_out:
            text = "there is a keep-out"
        else:
            continue
        why = "if that is cancelled, the nozzle comes from a place not known"
        text = f"{evidence.name(block)} leaves an object, and {text}: {why}"
        faults.append(Fault(evidence.fenced.blocks[block].line, text))
    return faults


def advice_on_cancelling(evidence: Evidence, moves: BlockMoves, readings: Sequence[BlockReading]) -> str:
    """Return what a person who cancels objects must know, empty where there is nothing."""
    around = evidence.objects
    inside = sum(
        current != NOBODY and not reading.leaves
        for current, reading in zip(around.current, readings, strict=True)
    )
    said = (
        f"; {inside} inside an object: do not cancel it, the shots would wait on the print" if inside else ""
    )
    if around.any and len(moves.row):
        lowest_mm = np.full(len(readings), np.inf)
        np.minimum.at(lowest_mm, moves.block, moves.end_mm[:, 2])
        low = int((lowest_mm < _tops(evidence) - _LEVEL_MM).sum())
        if low:
            said += f"; {low} go lower than what stands finished: cancel no object before it has begun"
    return said


def _tops(evidence: Evidence) -> Float:
    """Return how high all that is printed by the time of each block is, infinite where that is not known."""
    path = evidence.original
    z_mm = path.z_mm.astype(float)
    tops_mm = np.maximum(z_mm, np.concatenate([[0.0], z_mm[:-1]]))
    tops_mm[evidence.arcs.row[evidence.arcs.curve[:, 3] != 0]] = (
        np.inf
    )  # an upright arc may bulge above its ends
    tops_mm = np.maximum.accumulate(np.where(path.kind == Kind.EXTRUDE, tops_mm, -np.inf))
    before = np.minimum(evidence.block_rows.at, len(path)) - 1
    return np.asarray(np.append(tops_mm, -np.inf)[before])
