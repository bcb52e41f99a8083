"""A print that waits for a person: since when, until when, and what it may be told.

Sources of the firmwares' own commands. Marlin, marlinfw.org/docs/gcode: M108 breaks out of a wait (while M0
waits it is heard only with EMERGENCY_PARSER), M112 is the emergency stop. Klipper, G-Codes.md: RESUME,
CANCEL_PRINT ([pause_resume]; it leaves the heaters on) and TURN_OFF_HEATERS. RepRapFirmware, G-code
dictionary: M292 acknowledges the box of M291; a box with one button knows no "no" and M0 wants a pause first,
so that M112 is left, the emergency stop. After M112 the machine wants a reset.
"""

from __future__ import annotations

import time
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal

from twinlapse.rig.model import Rig
from twinlapse.shots import Plan, Shot

__all__ = ["Choice", "Wait", "lines_of", "otherwise", "to_json", "wait_at", "wait_behind"]

Choice = Literal["go-on", "stop"]
_LINES: dict[str, dict[Choice, tuple[str, ...]]] = {
    "marlin": {"go-on": ("M108",), "stop": ("M112",)},
    "klipper": {"go-on": ("RESUME",), "stop": ("CANCEL_PRINT", "TURN_OFF_HEATERS")},
    "reprapfirmware": {"go-on": ("M292 P0",), "stop": ("M112",)},
}
_OTHERWISE = {
    "marlin": "it goes on by itself",
    "klipper": "heaters and motors are switched off and the print is lost",
    "reprapfirmware": "it waits on, hot",
}
_GOES_S = 30.0  # after "go on" the machine moves again within this time (common practice, no source)


@dataclass(frozen=True, slots=True, kw_only=True)
class Wait:
    """The machine stands beside the print until a person answers."""

    shot: int
    layer: int  # from 0
    since_s: float  # seconds since the epoch
    until_s: float  # 0: without end
    answered: Choice | Literal[""] = ""
    answered_s: float = 0.0

    def answer(self, choice: Choice, now_s: float) -> Wait:
        """Return the wait with what the machine was told."""
        return replace(self, answered=choice, answered_s=now_s)

    def is_over(self, now_s: float) -> bool:
        """Return whether it has ended by its own limit, or by what the machine was told."""
        told = self.answered == "go-on" and now_s - self.answered_s > _GOES_S
        return told or 0 < self.until_s < now_s


def wait_at(plan: Plan, rig: Rig, shot: int, stop: int, cued_s: float) -> Wait | None:
    """Return the wait that follows a cue, None where it is not the last one of a shot that waits.

    Parameters
    ----------
    cued_s : float
        Seconds since the epoch at which the cue came.
    """
    found = next((one for one in plan.shots if one.number == shot), None)
    if found is None or found.hold_mm is None or stop < len(found.stops):
        return None
    return _wait(found, rig, cued_s)


def wait_behind(plan: Plan, rig: Rig, done: int, now_s: float) -> Wait | None:
    """Return the wait in which a print may stand whose first `done` shots are answered."""
    if not 0 < done <= len(plan.shots) or plan.shots[done - 1].hold_mm is None:
        return None
    return _wait(plan.shots[done - 1], rig, now_s)


def _wait(shot: Shot, rig: Rig, cued_s: float) -> Wait:
    since_s = cued_s + shot.stops[-1].dwell_s
    endless = rig.printer.firmware == "reprapfirmware"
    until_s = 0.0 if endless else since_s + rig.plan.hold_max_s
    return Wait(shot=shot.number, layer=shot.layer, since_s=since_s, until_s=until_s)


def lines_of(rig: Rig, choice: Choice) -> tuple[str, ...]:
    """Return what is sent to the machine: the rig's own lines, else the firmware's."""
    own = rig.capture.answers.go_on if choice == "go-on" else rig.capture.answers.stop
    return own or _LINES[rig.printer.firmware][choice]


def otherwise(rig: Rig) -> str:
    """Return in words what happens when nobody answers."""
    return _OTHERWISE[rig.printer.firmware]


def to_json(wait: Wait | None, rig: Rig | None, ways: Sequence[str]) -> dict[str, Any] | None:
    """Return what the page shows, None where nothing waits."""
    if wait is None or rig is None or wait.is_over(time.time()):
        return None
    why = "" if ways else "lines come from a log, a broker or HTTP alone: nothing can be sent to the machine"
    return {
        "shot": wait.shot,
        "layer": wait.layer + 1,
        "since_s": wait.since_s,
        "until_s": wait.until_s,
        "otherwise": otherwise(rig),
        "can_send": bool(ways),
        "why": why,
        "go_on": "\n".join(lines_of(rig, "go-on")),
        "stop": "\n".join(lines_of(rig, "stop")),
        "default": "stop",
        "answered": wait.answered,
    }
