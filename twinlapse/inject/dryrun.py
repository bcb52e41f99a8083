"""The stops of a plan alone, without heat and without filament, to be watched on a bed that is clear."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from twinlapse.errors import InjectError
from twinlapse.files import write_bytes
from twinlapse.gcode import ModalState, Toolpath, row_after_line, state_after
from twinlapse.inject.dialects import Dialect, dialect_of
from twinlapse.inject.header import CAUTIONS
from twinlapse.inject.move_writer import Pen
from twinlapse.inject.splice import as_bytes
from twinlapse.rig import Rig, rig_from_mapping
from twinlapse.shots import Plan, Shot, Stop

SHORT_S = 0.5  # at each stop, long enough to see where it is
SAFE_MM = 10.0  # the nozzle rises this far after homing, before it goes anywhere


def write_dry_run(plan: Plan, toolpath: Toolpath, out: Path) -> int:
    """Write the moves of all shots to `out`, each from where it would leave the print, and return how many.

    Raises
    ------
    InjectError
        when the plan was made for another file.
    """
    if plan.gcode_sha256 != toolpath.sha256:
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
    pen = Pen(homed, 1.0)
    pen.say(f"; twinlapse dry run of {len(plan.shots)} shots: nothing is heated, nothing is fed")
    for caution in CAUTIONS:
        pen.say(f"; CAUTION: {caution}")
    for line in ("G21", "G90", "G28"):
        pen.say(line)
    pen.go(rig.printer.travel_z_mm_s, z_mm=SAFE_MM)
    for shot in plan.shots:
        leave = state_after(toolpath, row_after_line(toolpath, shot.after_line) - 1)
        _rehearse(pen, shot, leave, rig, dialect)
    pen.go(rig.printer.travel_z_mm_s, z_mm=min(pen.place_mm[2] + SAFE_MM, rig.printer.height_mm))
    pen.say(dialect.wait)
    return pen.lines


def _rehearse(pen: Pen, shot: Shot, leave: ModalState, rig: Rig, dialect: Dialect) -> None:
    """Go where the shot leaves the print, then its whole way, and back above that place."""
    printer = rig.printer
    height_mm = leave.z_mm + shot.lift_mm
    pen.say(f"; shot {shot.number}, layer {shot.layer + 1}")
    pen.say(dialect.to_display(f"shot {shot.number} of the dry run"))
    pen.go(printer.travel_z_mm_s, z_mm=height_mm)
    pen.go(printer.travel_mm_s, x_mm=leave.x_mm, y_mm=leave.y_mm)
    for stop in shot.stops:
        _stop(pen, stop, rig, dialect)
        pen.go(printer.travel_z_mm_s, z_mm=height_mm)
    if shot.hold_mm is not None:
        pen.go(printer.travel_mm_s, x_mm=shot.hold_mm[0], y_mm=shot.hold_mm[1])
    for x_mm, y_mm in shot.back_mm:
        pen.go(printer.travel_mm_s, x_mm=x_mm, y_mm=y_mm)
    pen.go(printer.travel_mm_s, x_mm=leave.x_mm, y_mm=leave.y_mm)


def _stop(pen: Pen, stop: Stop, rig: Rig, dialect: Dialect) -> None:
    for x_mm, y_mm in stop.via_mm:
        pen.go(rig.printer.travel_mm_s, x_mm=x_mm, y_mm=y_mm)
    pen.go(rig.printer.travel_mm_s, x_mm=stop.x_mm, y_mm=stop.y_mm)
    pen.go(rig.printer.travel_z_mm_s, z_mm=stop.z_mm)
    pen.say(dialect.wait)
    pen.say(dialect.dwell(SHORT_S))
