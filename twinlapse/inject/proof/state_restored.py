"""Every block must leave the machine as it found it."""

from __future__ import annotations

import numpy as np

from twinlapse.gcode import Kind, Mode, Setting
from twinlapse.inject.proof.evidence import BlockMoves, Evidence, moves_fault
from twinlapse.inject.proof.report import Check, Fault, first, verdict
from twinlapse.inject.proof.same_rows import FILAMENT_MM, PLACE_MM, SHARE, differs

__all__ = ["check_feed", "check_filament", "check_modes", "check_place", "check_settings"]

_MODES = {
    Mode.RELATIVE_XYZ: "absolute or relative X, Y, Z",
    Mode.RELATIVE_E: "absolute or relative E",
    Mode.INCH: "millimetres or inches",
    Mode.FW_RETRACTED: "the retraction that the firmware keeps",
    Mode.HOMED: "homing",
    Mode.VOLUMETRIC: "volumes or lengths of filament",
}
_IN_BLOCKS = (
    Kind.TRAVEL, Kind.RETRACT, Kind.PRIME, Kind.FW_RETRACT, Kind.FW_PRIME, Kind.DWELL, Kind.ORIGIN, Kind.MODE,
)  # fmt: skip


def _changes(evidence: Evidence, column: str, absolute: float, relative: float) -> np.ndarray:
    values = getattr(evidence.block_rows.path, column)
    before, after = values[np.maximum(evidence.block_rows.first - 1, 0)], values[evidence.block_rows.stop - 1]
    return np.flatnonzero(
        differs(before, after, absolute, relative) & (evidence.block_rows.stop > evidence.block_rows.first)
    )


def _fault(evidence: Evidence, block: int, what: str) -> Fault:
    return Fault(
        evidence.line(int(evidence.block_rows.stop[block]) - 1), f"{what} after {evidence.name(block)}"
    )


def check_place(evidence: Evidence) -> Check:
    """Position and origin come back."""
    faults = []
    for axis in "xyz":
        for block in _changes(evidence, f"{axis}_mm", PLACE_MM, 0.0).tolist():
            before = float(
                getattr(evidence.block_rows.path, f"{axis}_mm")[evidence.block_rows.first[block] - 1]
            )
            after = float(
                getattr(evidence.block_rows.path, f"{axis}_mm")[evidence.block_rows.stop[block] - 1]
            )
            faults.append(_fault(evidence, block, f"{axis.upper()} is {after:.5g} instead of {before:.5g}"))
    for line in evidence.block_rows.moved_origins:
        faults.append(Fault(line, "the origin of X, Y or Z is moved inside a block"))
    return verdict("position", first(faults), "X, Y, Z and their origins come back after every shot")


def check_modes(evidence: Evidence) -> Check:
    """Units, absolute and relative, tool come back."""
    faults = []
    mode = evidence.block_rows.path.mode
    for block in _changes(evidence, "mode", 0.0, 0.0).tolist():
        changed = int(
            mode[max(int(evidence.block_rows.first[block]) - 1, 0)]
            ^ mode[evidence.block_rows.stop[block] - 1]
        )
        names = [name for bit, name in _MODES.items() if changed & bit]
        if names:
            faults.append(_fault(evidence, block, f"{names[0]} is not as before"))
    for block in _changes(evidence, "tool", 0.0, 0.0).tolist():
        faults.append(_fault(evidence, block, "another tool is active"))
    return verdict("modes", first(faults), "units, absolute and relative modes and the tool are as before")


def check_feed(evidence: Evidence) -> Check:
    """The feed rate comes back."""
    faults = []
    feed = evidence.block_rows.path.feed_mm_s
    for block in _changes(evidence, "feed_mm_s", 1e-6, SHARE).tolist():
        before, after = (
            feed[max(int(evidence.block_rows.first[block]) - 1, 0)] * 60,
            feed[evidence.block_rows.stop[block] - 1] * 60,
        )
        faults.append(_fault(evidence, block, f"the feed rate is F{after:.5g} instead of F{before:.5g}"))
    return verdict("feed", first(faults), "the feed rate comes back after every shot")


def check_settings(evidence: Evidence) -> Check:
    """Accelerations and everything else that the file sets come back."""
    before: dict[int, float] = {}
    inside: dict[tuple[int, int], tuple[float | None, float, int]] = {}
    for block, kind, value, line in evidence.block_rows.settings.tolist():
        if int(kind) == Setting.PAUSE and block >= 0:
            continue  # sets nothing; whether it may stand there is judged with the commands
        key = (int(block), int(kind))
        if block >= 0:
            was = inside[key][0] if key in inside else before.get(int(kind))
            inside[key] = (was, value, int(line))
        before[int(kind)] = value
    faults = [
        Fault(line, f"{Setting(kind).name.lower()} has changed after {evidence.name(block)}")
        for (block, kind), (was, value, line) in inside.items()
        if was is None or abs(was - value) > 1e-6 * max(1.0, abs(was))
    ]
    return verdict("settings", first(faults), "accelerations, limits and factors are as before")


def check_filament(evidence: Evidence, moves: BlockMoves) -> Check:
    """A block extrudes nothing, retracts and primes where it left the print, and restores the logical E."""
    path, printer = evidence.block_rows.path, evidence.rig.printer
    faults = [
        Fault(evidence.line(int(row)), f"{evidence.name(int(block))} {_DOES[Kind(int(kind))]}")
        for row, block, kind in zip(moves.row, moves.block, moves.kind, strict=True)
        if int(kind) not in _IN_BLOCKS
    ]
    fed = np.bincount(moves.block, path.e_mm[moves.row], minlength=len(evidence.block_rows.first))
    unretracted = path.retracted_mm[evidence.block_rows.first - 1] <= 0
    primed = (
        np.bincount(
            moves.block, np.isin(moves.kind, (Kind.PRIME, Kind.FW_PRIME)), len(evidence.block_rows.first)
        )
        > 0
    )
    for block in np.flatnonzero(
        np.abs(fed - np.where(primed & unretracted, printer.prime_extra_mm, 0.0)) > 2e-5
    ).tolist():
        faults.append(_fault(evidence, block, f"{fed[block]:+.4f} mm of filament are fed in all"))
    for block in _changes(evidence, "e_word", FILAMENT_MM, 0.0).tolist():
        faults.append(_fault(evidence, block, "the logical E is not as before"))
    for block in _changes(evidence, "retracted_mm", 1e-4, 0.0).tolist():
        faults.append(_fault(evidence, block, "the filament is not retracted as far as before"))
    faults.extend(_away_faults(evidence, moves))
    return verdict(
        "filament",
        first(faults),
        "a shot extrudes nothing; what it retracts it primes where it left the print",
    )


_DOES = {
    Kind.EXTRUDE: "extrudes",
    Kind.WIPE: "feeds backward while it moves",
    Kind.HOME: "homes",
    Kind.TOOL: "changes the tool",
}


def _away_faults(evidence: Evidence, moves: BlockMoves) -> list[Fault]:
    path = evidence.block_rows.path
    away = np.any(np.abs(moves.end_mm - moves.home_mm) > PLACE_MM, axis=1)
    feeding = np.isin(moves.kind, (Kind.RETRACT, Kind.PRIME, Kind.FW_RETRACT, Kind.FW_PRIME))
    faults = [
        moves_fault(evidence, moves, k, "feeds away from the print") for k in np.flatnonzero(away & feeding)
    ]
    if evidence.rig.printer.retract_mm > 0:
        held = (path.retracted_mm[moves.row] > 0.01) | (path.mode[moves.row] & Mode.FW_RETRACTED > 0)
        if (evidence.original.mode & Mode.EXTRUDER_RUNNING).any():  # M103 has stopped it: nothing can retract
            held |= (path.mode[moves.row] & Mode.EXTRUDER_RUNNING) == 0
        loose = np.flatnonzero(moves.flat & ~held)
        faults.extend(moves_fault(evidence, moves, k, "travels unretracted") for k in loose)
    return faults
