"""How each firmware spells the few commands that a block needs beyond plain moves.

Every rule names the page of the firmware's own documentation that says so.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from twinlapse.errors import InjectError

__all__ = ["HOLD_SPARE_S", "KLIPPER_BYTES", "MARLIN_BYTES", "RRF_BYTES", "Dialect", "dialect_of"]

HOLD_SPARE_S = 60  # more than a wait, so that its end comes first; common practice, no source
# of a command. Marlin keeps 95 characters of a line (MAX_CMD_SIZE, Configuration_adv.h; queue.cpp), and over
# a serial line "N1234567 " and "*255" are among them: what is longer loses its checksum and is asked for
# again, for ever. RepRapFirmware keeps 255 (G-code dictionary); Klipper has no limit, a screen has.
MARLIN_BYTES, RRF_BYTES, KLIPPER_BYTES = 82, 255, 255


@dataclass(frozen=True, slots=True, kw_only=True)
class Dialect:
    """The spelling of one firmware."""

    firmware: str
    host: str  # template of a line to the host
    display: str  # template of a text on the machine's display
    most_bytes: int = MARLIN_BYTES  # of one command
    wait: str = "M400"  # waits until every queued move is done
    retract: str = "G10"
    prime: str = "G11"
    no_object: str = "M486 S-1"  # what follows belongs to none, and is never skipped
    # templates of the lines that wait for a person: {text}, {most_s} the longest wait, {idle_s} the machine's
    # own limit of standing, {long_s} one that is longer than the wait
    hold: tuple[str, ...] = ("M84 S{long_s}", "M0 S{most_s} {text}", "M84 S{idle_s}")
    dwell_blocks: bool = True  # the lines behind a dwell are taken only when it is over

    def settle(self, seconds: float) -> list[str]:
        """Return the lines behind which the machine has stood for some seconds.

        A cue is sent when its line is taken, so the last line before it must be one that waits for all
        motion (see `twinlapse.motion.stream`). Where a dwell does not hold the stream, it stands before that
        wait and counts as motion. The wait directly before the cue is written again in any case: a pause
        takes effect between two lines, mostly behind one that waits, and the move back to this place, which
        a resumed print begins with, must be over before the cue.
        """
        dwell = [self.dwell(seconds)] if seconds > 0 else []
        return [self.wait, *dwell, self.wait] if self.dwell_blocks else [*dwell, self.wait, self.wait]

    def dwell(self, seconds: float) -> str:
        """Return the line that waits; P is in milliseconds in all three dialects."""
        return f"G4 P{round(seconds * 1000)}"

    def to_object(self, number: int) -> str:
        """Return the line behind which all belongs to an object again."""
        return f"M486 S{number}"

    def to_host(self, text: str) -> str:
        """Return the line that says `text` to the host."""
        return self.host.format(text)

    def to_display(self, text: str) -> str:
        """Return the line that shows `text`."""
        return self.display.format(text)

    def to_hold(self, text: str, most_s: float, idle_s: float) -> list[str]:
        """Return the lines that show `text` and wait until a person lets the print go on.

        Parameters
        ----------
        text : str
        most_s : float
            The longest wait. No motor is released and no heater switched off before it ends.
        idle_s : float
            After how long the firmware does that otherwise; set again behind the wait.
        """
        values = {
            "text": text,
            "most_s": math.ceil(most_s),
            "long_s": math.ceil(most_s) + HOLD_SPARE_S,
            "idle_s": math.ceil(idle_s),
        }
        return [line.format(**values) for line in self.hold]


# Marlin, marlinfw.org/docs/gcode: M118 "E1" prepends "echo:", which hosts take for information; M400;
#   G4 P ms; M117 text up to the end of the line; G10 and G11 retract and recover (FWRETRACT).
#   M486 S<index>: the current object; "-1 is used to indicate something that isn't an object and shouldn't be
#   skipped" (gcode/M486; CANCEL_OBJECTS). While a cancelled object is current, X, Y and Z keep where they are
#   and E is counted and not fed; modes, feed rate, waits and messages are as ever (gcode.cpp,
#   `get_destination_from_command`; planner.cpp). RepRapFirmware's dictionary has the same S, and its places
#   are counted on while it skips (ObjectTracker.cpp). On Klipper M486 is a macro of the user's.
# Klipper, docs/G-Codes.md: "G4 P<milliseconds>", "M400", "M117 <message>", "M118 <message>" ([respond]),
#   G10 and G11 ([firmware_retraction]).
# RepRapFirmware, G-code dictionary: M118 S"text" to every output; M400; G4 Pnnn ms; M117 "text"; G10 without
#   words retracts, G11 recovers.
# Waiting for a person.
#   Marlin, gcode/lcd/M0_M1.cpp: M0 S<s> <text> waits until the button is clicked, M108 comes or the time is
#   over, and then goes on. While it waits the motors are released after DEFAULT_STEPPER_TIMEOUT_SEC (120 s,
#   Configuration.h; MarlinCore.cpp, `manage_inactivity`); M84 S<s> sets another time (M17_M18_M84.cpp).
#   Klipper, docs/G-Codes.md: PAUSE keeps the place, RESUME goes back to it ([pause_resume]);
#   SET_IDLE_TIMEOUT sets the time after which [idle_timeout] (600 s) switches heaters and motors off
#   (klippy/extras/idle_timeout.py). There is no command that goes on by itself.
#   RepRapFirmware, G-code dictionary: M291 with S2 shows a box with one button and waits for it, without end
#   (GCodes7.cpp: a time is read for S0 and S1 alone). Idle motors keep a part of their current (M906 I) and
#   their place, heaters stay on.
_DIALECTS = {
    "marlin": Dialect(firmware="marlin", host="M118 E1 {}", display="M117 {}"),
    "klipper": Dialect(
        firmware="klipper",
        host="M118 {}",
        display="M117 {}",
        most_bytes=KLIPPER_BYTES,
        hold=(
            "SET_IDLE_TIMEOUT TIMEOUT={most_s}",
            "M117 {text}",
            "PAUSE",
            "SET_IDLE_TIMEOUT TIMEOUT={idle_s}",
        ),
        dwell_blocks=False,  # klippy/toolhead.py, cmd_G4
    ),
    "reprapfirmware": Dialect(
        firmware="reprapfirmware",
        host='M118 S"{}"',
        display='M117 "{}"',
        most_bytes=RRF_BYTES,
        hold=('M291 P"{text}" R"twinlapse" S2',),
    ),
}


def dialect_of(firmware: str) -> Dialect:
    """Return the dialect of a firmware.

    Raises
    ------
    InjectError
        for a firmware without rules here.
    """
    try:
        return _DIALECTS[firmware]
    except KeyError:
        raise InjectError(
            f"unknown firmware {firmware!r}", f"name one of {', '.join(sorted(_DIALECTS))}"
        ) from None
