"""The lines of one shot: out of the print, to every stop, and back as if nothing had happened."""

from __future__ import annotations

from dataclasses import dataclass

from twinlapse.errors import InjectError
from twinlapse.gcode import ModalState
from twinlapse.inject.cues import cue_line
from twinlapse.inject.dialects import Dialect, dialect_of
from twinlapse.inject.move_writer import Pen, number
from twinlapse.rig import Rig
from twinlapse.shots import Cue, Shot, Stop


@dataclass(frozen=True, slots=True, kw_only=True)
class Habit:
    """What the file itself does at the place of a shot, as far as the modal state does not say."""

    e_per_mm: float | None = 1.0  # E words for a millimetre of filament; None: the file does not tell
    wipe_mm: tuple[tuple[float, float], ...] = ()  # the end of the path just laid, towards here


def fences(shot: Shot) -> tuple[str, str]:
    """Return the two comment lines around a block; the layer is counted from 1."""
    return (
        f"; twinlapse shot {shot.number} begin (layer {shot.layer + 1}, z {shot.z_mm:.2f})",
        f"; twinlapse shot {shot.number} end",
    )


def block_lines(shot: Shot, state: ModalState, rig: Rig, habit: Habit | None = None) -> list[str]:
    """Return the lines of a shot, fences included, without line ends.

    Parameters
    ----------
    shot : Shot
    state : ModalState
        What holds where the block begins, and again where it ends.
    rig : Rig
        Gives the firmware, the speeds, the settling times and the cue.
    habit : Habit, optional

    Raises
    ------
    InjectError
        when the state does not allow the shot.
    """
    habit = habit or Habit()
    _refuse_unknown(shot, state, habit)
    dialect = dialect_of(rig.printer.firmware)
    pen = Pen(state, habit.e_per_mm or 1.0)
    begin, end = fences(shot)
    pen.say(begin)
    _retract(pen, shot, dialect)
    height_mm = state.z_mm + shot.lift_mm
    pen.go(rig.printer.travel_z_mm_s, z_mm=height_mm)
    for index, stop in enumerate(shot.stops, 1):
        _stand(pen, shot, stop, index, height_mm, rig, dialect)
        pen.go(rig.printer.travel_z_mm_s, z_mm=height_mm)
    _hold(pen, shot, rig, dialect)
    _return(pen, shot, rig, habit)
    _prime(pen, shot, rig, dialect)
    if any(line.startswith("G1 ") for line in pen.lines):
        pen.say(f"G1 {pen.feed(state.feed_mm_s)}")
    pen.say(end)
    return pen.lines


def _refuse_unknown(shot: Shot, state: ModalState, habit: Habit) -> None:
    where = f"shot {shot.number} cannot be written after line {shot.after_line}"
    if not state.homed:
        raise InjectError(f"{where}: no axis has been homed by then", "plan shots after G28")
    if state.feed_mm_s <= 0:
        raise InjectError(f"{where}: the file has set no feed rate by then", "plan it later")
    if shot.retract == "own" and habit.e_per_mm is None:
        raise InjectError(f"{where}: E words are volumes, of a filament not known by then", "plan it later")
    if shot.retract == "firmware" and state.fw_retracted:
        raise InjectError(f"{where}: the filament is already pulled back there", "make the plan again")


def _retract(pen: Pen, shot: Shot, dialect: Dialect) -> None:
    if shot.retract == "own":
        pen.pull(-shot.retract_mm, shot.retract_mm_s)
    elif shot.retract == "firmware":
        pen.say(dialect.retract)


def _stand(
    pen: Pen, shot: Shot, stop: Stop, index: int, height_mm: float, rig: Rig, dialect: Dialect
) -> None:
    """Go to a stop and stand still until its frames are taken."""
    printer = rig.printer
    for x_mm, y_mm in stop.via_mm:
        pen.go(printer.travel_mm_s, x_mm=x_mm, y_mm=y_mm)
    pen.go(printer.travel_mm_s, x_mm=stop.x_mm, y_mm=stop.y_mm)
    pen.go(printer.travel_z_mm_s, z_mm=stop.z_mm)
    cameras = "+".join(stop.cameras)
    place = " ".join(f"{axis}{number(value, 3)}" for axis, value in zip("XYZ", pen.place_mm, strict=True))
    pen.say(f"; stop {shot.number}.{index}: {cameras} at {place} for {number(stop.dwell_s, 3)} s")
    pen.say(dialect.wait)
    settle_s = max((rig_settle(rig, name) for name in stop.cameras), default=0.0)
    if settle_s > 0:
        pen.say(dialect.dwell(settle_s))
    cue = Cue(shot=shot.number, stop=index, cameras=tuple(stop.cameras))
    pen.say(cue_line(rig.cue, dialect, cue, shot.layer + 1))
    if stop.dwell_s > 0:
        pen.say(dialect.dwell(stop.dwell_s))


def _hold(pen: Pen, shot: Shot, rig: Rig, dialect: Dialect) -> None:
    """Stand beside the print, at the height of travel, until a person lets it go on."""
    if shot.hold_mm is None:
        return
    pen.go(rig.printer.travel_mm_s, x_mm=shot.hold_mm[0], y_mm=shot.hold_mm[1])
    pen.say(dialect.wait)
    for line in dialect.to_hold(f"Look at layer {shot.layer + 1}, then go on"):
        pen.say(line)


def rig_settle(rig: Rig, name: str) -> float:
    """Return how long the machine stands before a camera's cue."""
    camera = rig.camera(name)
    return 0.0 if camera is None else camera.settle_s


def _return(pen: Pen, shot: Shot, rig: Rig, habit: Habit) -> None:
    printer = rig.printer
    for x_mm, y_mm in shot.back_mm:
        pen.go(printer.travel_mm_s, x_mm=x_mm, y_mm=y_mm)
    if wipe := habit.wipe_mm if shot.retract in ("own", "firmware") else ():
        pen.go(printer.travel_mm_s, x_mm=wipe[0][0], y_mm=wipe[0][1])
        pen.go_home(printer.travel_z_mm_s, "z")
        for x_mm, y_mm in wipe[1:]:
            pen.go(pen.state.feed_mm_s, x_mm=x_mm, y_mm=y_mm)
        pen.go_home(pen.state.feed_mm_s, "xy")
        return
    pen.go_home(printer.travel_mm_s, "xy")
    pen.go_home(printer.travel_z_mm_s, "z")


def _prime(pen: Pen, shot: Shot, rig: Rig, dialect: Dialect) -> None:
    extra_mm = rig.printer.prime_extra_mm if pen.state.retracted_mm <= 0 else 0.0
    if shot.retract == "own":
        pen.pull(shot.retract_mm + extra_mm, shot.retract_mm_s)
    elif shot.retract == "firmware":
        pen.say(dialect.prime)
        if extra_mm > 0:
            pen.pull(extra_mm, rig.printer.retract_mm_s)
    pen.name_e()
