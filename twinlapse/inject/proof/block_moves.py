"""Where and how fast blocks move, and whether they stand between paths and not inside one."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from twinlapse.gcode import Kind, find_layers
from twinlapse.inject.proof.evidence import BlockMoves, Evidence, moves_fault
from twinlapse.inject.proof.report import Check, Fault, first, verdict
from twinlapse.rig.printer import KeepOut

__all__ = ["check_machine", "check_path", "check_speed"]

_SLACK_MM = 1e-3
_SPEED_SHARE = 0.01
_BESIDE_MM = 20.0  # prime lines and purges may lie this far beside the bed; common practice, no source
_ACTIVE = (
    Kind.RETRACT,
    Kind.PRIME,
    Kind.FW_RETRACT,
    Kind.FW_PRIME,
    Kind.HOME,
    Kind.TOOL,
    Kind.WIPE,
    Kind.EXTRUDE,
)


def check_machine(evidence: Evidence, moves: BlockMoves) -> Check:
    """All places that blocks reach are inside the machine and outside the keep-outs."""
    printer = evidence.rig.printer
    away = np.any(np.abs(moves.end_mm - moves.home_mm) > _SLACK_MM, axis=1)
    x, y, z = moves.end_mm[:, 0], moves.end_mm[:, 1], moves.end_mm[:, 2]
    aside = evidence.tool_offset_mm
    high = _beyond(z, 0.0, printer.height_mm)
    out = _beyond(x, *_within(printer.x_range_mm, aside[0])) | high
    out |= _beyond(y, *_within(printer.y_range_mm, aside[1]))
    if printer.bed_shape == "round":
        centre = np.array([sum(printer.x_range_mm) / 2, sum(printer.y_range_mm) / 2])
        out |= np.hypot(x - centre[0], y - centre[1]) > min(printer.bed_mm) / 2 + _SLACK_MM
    # straight up above a place that the original itself goes to is the original's affair
    above = np.all(np.abs(moves.end_mm[:, :2] - moves.home_mm[:, :2]) <= _SLACK_MM, axis=1)
    out &= ~above | _beyond(z, 0.0, printer.height_mm)
    faults = [moves_fault(evidence, moves, k, "leaves the machine") for k in np.flatnonzero(out & away)]
    for box in printer.keep_out:
        through = _through(moves.start_mm, moves.end_mm, box) & away & ~(above & moves.upright)
        faults.extend(
            moves_fault(evidence, moves, k, "goes through a keep-out") for k in np.flatnonzero(through)
        )
    faults.extend(_print_faults(evidence))
    offsets = f"; tool offsets of {aside[0]:g} and {aside[1]:g} mm are counted" if any(aside) else ""
    good = f"stops and paths lie inside the machine and outside keep-outs{offsets}"
    return verdict("machine", first(faults), good)


def _print_faults(evidence: Evidence) -> list[Fault]:
    """Return where the original itself prints far outside the machine: the rig is then another one."""
    path, printer = evidence.original, evidence.rig.printer
    laid = path.kind == Kind.EXTRUDE
    ranges = (
        ("X", path.x_mm, printer.x_range_mm),
        ("Y", path.y_mm, printer.y_range_mm),
        ("Z", path.z_mm, (0.0, printer.height_mm)),
    )
    faults = []
    for axis, column, (low, high) in ranges:
        least = float(column.min(where=laid, initial=high))
        most = float(column.max(where=laid, initial=low))
        slack_mm = _SLACK_MM if axis == "Z" else _BESIDE_MM
        if most > high + slack_mm or least < low - slack_mm:
            text = f"the original prints from {axis}{least:.4g} to {axis}{most:.4g}, the machine reaches from"
            faults.append(Fault(None, f"{text} {low:g} to {high:g}: is this the right rig?"))
    return faults


def _within(span_mm: tuple[float, float], aside_mm: float) -> tuple[float, float]:
    """Return the span that is left when the carriage stands aside of the nozzle by a tool's offset."""
    return (span_mm[0] + aside_mm, span_mm[1] - aside_mm)


def _beyond(values: NDArray[np.float64], low: float, high: float) -> NDArray[np.bool_]:
    return np.asarray((values < low - _SLACK_MM) | (values > high + _SLACK_MM))


def _through(start: NDArray[np.float64], end: NDArray[np.float64], box: KeepOut) -> NDArray[np.bool_]:
    """Return which straight moves touch a box; by slabs (Kay and Kajiya, SIGGRAPH 1986)."""
    low = np.array([box.x_mm[0], box.y_mm[0], -np.inf]) + _SLACK_MM
    high = np.array([box.x_mm[1], box.y_mm[1], box.z_mm]) - _SLACK_MM
    enter, leave = np.zeros(len(start)), np.ones(len(start))
    for axis in range(3):
        way = end[:, axis] - start[:, axis]
        still = np.abs(way) < 1e-12
        safe = np.where(still, 1.0, way)
        a, b = (low[axis] - start[:, axis]) / safe, (high[axis] - start[:, axis]) / safe
        inside = (start[:, axis] > low[axis]) & (start[:, axis] < high[axis])
        enter = np.where(still, np.where(inside, enter, 2.0), np.maximum(enter, np.minimum(a, b)))
        leave = np.where(still, leave, np.minimum(leave, np.maximum(a, b)))
    return np.asarray(enter <= leave)


def check_speed(evidence: Evidence, moves: BlockMoves) -> Check:
    """Travel, Z and filament moves have the speeds of the rig or of the file itself."""
    printer, path = evidence.rig.printer, evidence.block_rows.path
    feed = path.feed_mm_s[moves.row].astype(float)
    faults = []
    wiping = moves.flat & (np.abs(moves.end_mm[:, 2] - moves.home_mm[:, 2]) <= _SLACK_MM)
    home_feed = path.feed_mm_s[np.maximum(evidence.block_rows.first[moves.block] - 1, 0)].astype(float)
    asked = np.where(wiping, home_feed, printer.travel_mm_s)
    asked = np.where(moves.upright, printer.travel_z_mm_s, asked)
    moving = moves.flat | moves.upright
    for k in np.flatnonzero(moving & (np.abs(feed - asked) > _SPEED_SHARE * asked)):
        faults.append(
            moves_fault(evidence, moves, k, f"moves at {feed[k]:.4g} mm/s, {asked[k]:.4g} are asked")
        )
    habits = _filament_speeds(evidence)
    feeding = np.isin(moves.kind, (Kind.RETRACT, Kind.PRIME))
    for k in np.flatnonzero(feeding):
        if (np.abs(habits - feed[k]) > _SPEED_SHARE * habits).all():
            faults.append(
                moves_fault(evidence, moves, k, f"feeds at {feed[k]:.4g} mm/s, as nothing else does")
            )
    return verdict("speed", first(faults), "travel, Z and filament speeds are the rig's or the file's own")


def _filament_speeds(evidence: Evidence) -> NDArray[np.float64]:
    own = np.isin(evidence.original.kind, (Kind.RETRACT, Kind.PRIME))
    speeds = np.unique(evidence.original.feed_mm_s[own])
    return np.concatenate([speeds.astype(float), [evidence.rig.printer.retract_mm_s]])


def check_path(evidence: Evidence, advice: str = "") -> Check:
    """No block stands between two pieces of one path, except where one layer or turn passes into the next.

    `advice` is what a person must know of where they stand.
    """
    path = evidence.original
    active = np.flatnonzero((path.length_mm > 0) | np.isin(path.kind, _ACTIVE))
    place = np.searchsorted(active, evidence.block_rows.at)
    before = active[np.clip(place - 1, 0, len(active) - 1)]
    after = active[np.clip(place, 0, len(active) - 1)]
    laying = (int(Kind.EXTRUDE), int(Kind.WIPE))
    inside = np.isin(path.kind[before], laying) & np.isin(path.kind[after], laying)
    inside &= (place > 0) & (place < len(active))
    faults = []
    if inside.any():
        edges = find_layers(path).first_row
        passed = np.searchsorted(edges, before, "right") < np.searchsorted(edges, after, "right")
        for block in np.flatnonzero(inside & ~passed).tolist():
            line = evidence.fenced.blocks[block].line
            faults.append(Fault(line, f"{evidence.name(block)} stands inside a path"))
    good = f"every shot stands between paths, or where a layer passes into the next{advice}"
    return verdict("path", first(faults), good)
