"""The stops of a plan alone, without heat and without filament, to be watched on a bed that is clear."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from twinlapse.errors import InjectError
from twinlapse.files import write_bytes
from twinlapse.gcode import ModalState, Toolpath, row_after_line, state_after
from twinlapse.inject.dialects import Dialect, dialect_of
from twinlapse.inject.header import CAUTIONS
from twinlapse.inject.move_writer import MoveWriter
from twinlapse.inject.splice import as_bytes
from twinlapse.rig import Rig, rig_from_mapping
from twinlapse.shots import Plan, Shot, Stop

__all__ = ["SAFE_MM", "SHORT_S", "dry_run_lines", "write_dry_run"]

SHORT_S = 0.5  # at each stop, long enough to see where it is; common practice, no source
SAFE_MM = 10.0  # Z after homing, before any travel; common practice, no source


def write_dry_run(plan: Plan, toolpath: Toolpath, out: Path) -> int:
    """Write the moves of all shots to `out`, each from where it would leave the print, and return how many.

    Raises
    ------
    InjectError
        when the plan was made for another file.
    """
    if plan.original_sha256 != toolpath.sha256:
        raise InjectError(
            "the plan was made for another file", "make a plan for this one", path=toolpath.path
        )
    rig = rig_from_mapping(plan.rig)
    write_bytes(out, as_bytes(dry_run_lines(plan, toolpath, rig), b"\n"))
    return len(plan.shots)


def dry_run_lines(plan: Plan, toolpath: Toolpath, rig: Rig) -> list[str]:
    """Return the lines of a dry run, in millimetres and absolute places."""
    dialect = dialect_of(rig.printer.firmware)
    homed = replace(
        state_after(toolpath, -1), homed=True, feed_mm_s=rig.printer.travel_mm_s, shift_mm=(0.0, 0.0, 0.0)
    )
    writer = MoveWriter(homed, 1.0)
    writer.say(f"; twinlapse dry run of {len(plan.shots)} shots: nothing is heated, nothing is fed")
    for caution in CAUTIONS:
        writer.say(f"; CAUTION: {caution}")
    for line in ("G21", "G90", "G28"):
        writer.say(line)
    writer.go(rig.printer.travel_z_mm_s, z_mm=SAFE_MM)
    for shot in plan.shots:
        leave = state_after(toolpath, row_after_line(toolpath, shot.after_line) - 1)
        _rehearse(writer, shot, leave, rig, dialect)
    writer.go(rig.printer.travel_z_mm_s, z_mm=min(writer.place_mm[2] + SAFE_MM, rig.printer.height_mm))
    writer.say(dialect.wait)
    return writer.lines


def _rehearse(writer: MoveWriter, shot: Shot, leave: ModalState, rig: Rig, dialect: Dialect) -> None:
    """Go where the shot leaves the print, then its whole way, and back above that place."""
    printer = rig.printer
    height_mm = leave.z_mm + shot.lift_mm
    writer.say(f"; shot {shot.number}, layer {shot.layer + 1}")
    writer.say(dialect.to_display(f"shot {shot.number} of the dry run"))
    writer.go(printer.travel_z_mm_s, z_mm=height_mm)
    writer.go(printer.travel_mm_s, x_mm=leave.x_mm, y_mm=leave.y_mm)
    for stop in shot.stops:
        _stop(writer, stop, rig, dialect)
        writer.go(printer.travel_z_mm_s, z_mm=height_mm)
    if shot.hold_mm is not None:
        writer.go(printer.travel_mm_s, x_mm=shot.hold_mm[0], y_mm=shot.hold_mm[1])
    for x_mm, y_mm in shot.back_mm:
        writer.go(printer.travel_mm_s, x_mm=x_mm, y_mm=y_mm)
    writer.go(printer.travel_mm_s, x_mm=leave.x_mm, y_mm=leave.y_mm)


def _stop(writer: MoveWriter, stop: Stop, rig: Rig, dialect: Dialect) -> None:
    for x_mm, y_mm in stop.via_mm:
        writer.go(rig.printer.travel_mm_s, x_mm=x_mm, y_mm=y_mm)
    writer.go(rig.printer.travel_mm_s, x_mm=stop.x_mm, y_mm=stop.y_mm)
    writer.go(rig.printer.travel_z_mm_s, z_mm=stop.z_mm)
    writer.say(dialect.wait)
    writer.say(dialect.dwell(SHORT_S))
