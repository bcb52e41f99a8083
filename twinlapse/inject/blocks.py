"""The lines of one shot: retract, leave the print, visit every stop, return, prime."""

from __future__ import annotations

from dataclasses import dataclass

from twinlapse.errors import InjectError
from twinlapse.gcode import ModalState
from twinlapse.inject.cues import cue_line
from twinlapse.inject.dialects import Dialect, dialect_of
from twinlapse.inject.move_writer import MoveWriter, number
from twinlapse.rig import Rig
from twinlapse.rig.limits import idle_timeout_s
from twinlapse.shots import Cue, Shot, Stop

__all__ = ["RetractionStyle", "block_lines", "fences", "rig_settle"]


@dataclass(frozen=True, slots=True, kw_only=True)
class RetractionStyle:
    """How the file retracts at the place of a shot, beyond what the modal state says."""

    e_per_mm: float | None = 1.0  # E words for a millimetre of filament; None: unknown
    wipe_mm: tuple[tuple[float, float], ...] = ()  # the end of the path just printed, towards the shot


def fences(shot: Shot) -> tuple[str, str]:
    """Return the two comment lines around a block; the layer is counted from 1."""
    return (
        f"; twinlapse shot {shot.number} begin (layer {shot.layer + 1}, z {shot.z_mm:.2f})",
        f"; twinlapse shot {shot.number} end",
    )


def block_lines(
    shot: Shot, state: ModalState, rig: Rig, style: RetractionStyle | None = None, job: str = ""
) -> list[str]:
    """Return the lines of a shot, marker comments included, without line ends.

    Parameters
    ----------
    shot : Shot
    state : ModalState
        What holds where the block begins, and again where it ends.
    rig : Rig
        Gives the firmware, the speeds, the settling times and the cue.
    style : RetractionStyle, optional
    job : str
        Code of the job, for its cues.

    Raises
    ------
    InjectError
        when the state does not allow the shot.
    """
    style = style or RetractionStyle()
    _refuse_unknown(shot, state, style)
    dialect = dialect_of(rig.printer.firmware)
    writer = MoveWriter(state, style.e_per_mm or 1.0)
    begin, end = fences(shot)
    writer.say(begin)
    if shot.leaves_object is not None:
        writer.say(dialect.no_object)
    _retract(writer, shot, dialect)
    height_mm = state.z_mm + shot.lift_mm
    writer.go(rig.printer.travel_z_mm_s, z_mm=height_mm)
    for index, stop in enumerate(shot.stops, 1):
        _stand(writer, shot, stop, index, height_mm, rig, job)
        writer.go(rig.printer.travel_z_mm_s, z_mm=height_mm)
    _hold(writer, shot, rig, dialect)
    _return(writer, shot, rig, style)
    _prime(writer, shot, rig, dialect)
    if any(line.startswith("G1 ") for line in writer.lines):
        writer.say(f"G1 {writer.feed(state.feed_mm_s)}")
    if shot.leaves_object is not None:
        writer.say(dialect.to_object(shot.leaves_object))
    writer.say(end)
    return writer.lines


def _refuse_unknown(shot: Shot, state: ModalState, style: RetractionStyle) -> None:
    where = f"shot {shot.number} cannot be written after line {shot.after_line}"
    if not state.homed:
        raise InjectError(
            f"{where}: the file has homed no axis by then",
            'plan shots after G28, or write homes = "macro" in [printer] if a start macro homes the machine',
        )
    if state.feed_mm_s <= 0:
        raise InjectError(f"{where}: the file has set no feed rate by then", "plan it later")
    if shot.retract == "own" and style.e_per_mm is None:
        raise InjectError(f"{where}: E words are volumes, of a filament not known by then", "plan it later")
    if shot.retract == "firmware" and state.fw_retracted:
        raise InjectError(f"{where}: the filament is already retracted there", "make the plan again")


def _retract(writer: MoveWriter, shot: Shot, dialect: Dialect) -> None:
    if shot.retract == "own":
        writer.feed_filament(-shot.retract_mm, shot.retract_mm_s)
    elif shot.retract == "firmware":
        writer.say(dialect.retract)


def _stand(
    writer: MoveWriter, shot: Shot, stop: Stop, index: int, height_mm: float, rig: Rig, job: str
) -> None:
    """Go to a stop and stand still until its frames are taken."""
    printer, dialect = rig.printer, dialect_of(rig.printer.firmware)
    for x_mm, y_mm in stop.via_mm:
        writer.go(printer.travel_mm_s, x_mm=x_mm, y_mm=y_mm)
    writer.go(printer.travel_mm_s, x_mm=stop.x_mm, y_mm=stop.y_mm)
    writer.go(printer.travel_z_mm_s, z_mm=stop.z_mm)
    cameras = "+".join(stop.cameras)
    place = " ".join(f"{axis}{number(value, 3)}" for axis, value in zip("XYZ", writer.place_mm, strict=True))
    writer.say(f"; stop {shot.number}.{index}: {cameras} at {place} for {number(stop.dwell_s, 3)} s")
    settle_s = max((rig_settle(rig, name) for name in stop.cameras), default=0.0)
    for line in dialect.settle(settle_s):
        writer.say(line)
    cue = Cue(shot=shot.number, stop=index, cameras=tuple(stop.cameras), job=job)
    writer.say(cue_line(rig.cue, dialect, cue, shot.layer + 1))
    if stop.dwell_s > 0:
        writer.say(dialect.dwell(stop.dwell_s))


def _hold(writer: MoveWriter, shot: Shot, rig: Rig, dialect: Dialect) -> None:
    """Stand beside the print, at the height of travel, until a person lets it go on."""
    if shot.hold_mm is None:
        return
    writer.go(rig.printer.travel_mm_s, x_mm=shot.hold_mm[0], y_mm=shot.hold_mm[1])
    writer.say(dialect.wait)
    idle_s = idle_timeout_s(rig.printer.limits, rig.printer.firmware)
    text = f"Look at layer {shot.layer + 1}, then go on"
    for line in dialect.to_hold(text, rig.plan.hold_max_s, idle_s):
        writer.say(line)


def rig_settle(rig: Rig, name: str) -> float:
    """Return how long the machine stands before a camera's cue."""
    camera = rig.camera(name)
    return 0.0 if camera is None else camera.settle_s


def _return(writer: MoveWriter, shot: Shot, rig: Rig, style: RetractionStyle) -> None:
    printer = rig.printer
    for x_mm, y_mm in shot.back_mm:
        writer.go(printer.travel_mm_s, x_mm=x_mm, y_mm=y_mm)
    if wipe := style.wipe_mm if shot.retract in ("own", "firmware") else ():
        writer.go(printer.travel_mm_s, x_mm=wipe[0][0], y_mm=wipe[0][1])
        writer.go_home(printer.travel_z_mm_s, "z")
        for x_mm, y_mm in wipe[1:]:
            writer.go(writer.state.feed_mm_s, x_mm=x_mm, y_mm=y_mm)
        writer.go_home(writer.state.feed_mm_s, "xy")
        return
    writer.go_home(printer.travel_mm_s, "xy")
    writer.go_home(printer.travel_z_mm_s, "z")


def _prime(writer: MoveWriter, shot: Shot, rig: Rig, dialect: Dialect) -> None:
    extra_mm = rig.printer.prime_extra_mm if writer.state.retracted_mm <= 0 else 0.0
    if shot.retract == "own":
        writer.feed_filament(shot.retract_mm + extra_mm, shot.retract_mm_s)
    elif shot.retract == "firmware":
        writer.say(dialect.prime)
        if extra_mm > 0:
            writer.feed_filament(extra_mm, rig.printer.retract_mm_s)
    writer.restore_e()
