"""The records both halves share: shots, stops, the plan and its JSON, and the words of a cue."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from twinlapse.errors import PlanError
from twinlapse.files import read_json, write_json
from twinlapse.names import CAMERA_NAME
from twinlapse.records import ArrayRecord

__all__ = [
    "BARE_BED",
    "CORNER",
    "SURVEY",
    "Cue",
    "Plan",
    "Shot",
    "ShotKey",
    "Stop",
    "arm_text",
    "cue_text",
    "find_arm",
    "find_cue",
    "find_run",
    "job_code",
    "plan_from_json",
    "plan_to_json",
    "read_plan",
    "run_text",
    "write_plan",
]

_SCHEMA = "twinlapse.plan/2"  # /1 counted layers from 0
_MAKE_ONE = "make one with 'twinlapse plan'"
_FORMER_SCHEMAS = ("twinlapse.plan/1",)
SURVEY = "survey"  # stance of the stops that show a whole layer between them
BARE_BED = "bare bed"  # of the same stops before anything is printed
CORNER = "corner"  # and of those that each show an outermost corner of the print

_ARM = re.compile(r"twinlapse arm (\d{1,9})(?! begin| end|\d)")
_CUE = re.compile(
    rf"twinlapse cue (\d{{1,9}})\.(\d{{1,3}}) ({CAMERA_NAME.pattern}(?:\+{CAMERA_NAME.pattern})*)"
    r"(?: ([0-9a-f]{6})\b)?"
)
_RUN = re.compile(r"twinlapse (begin|end) ([0-9a-f]{6})\b")


@dataclass(frozen=True, slots=True, kw_only=True)
class Stop:
    """One standing place of the nozzle in a shot, in G-code coordinates."""

    cameras: tuple[str, ...]
    x_mm: float
    y_mm: float
    z_mm: float
    dwell_s: float
    stance: str  # "clear", "over", "tour", "last", "still", "survey", "bare bed", "corner"
    via_mm: tuple[tuple[float, float], ...] = ()  # places passed at the height of travel on the way here


@dataclass(frozen=True, slots=True, kw_only=True)
class Shot:
    """One planned interruption after a line of the original file."""

    number: int  # from 1, never renumbered
    after_line: int  # 1-based line of the original after which the block is woven in
    byte: int  # offset of the first byte that follows that line
    layer: int  # index of the layer just finished, from 0
    z_mm: float  # top of that layer
    at_s: float  # print time of the original at this moment
    cost_s: float  # seconds that the shot adds
    retract: str  # "already", "own" (plain E move), "firmware" (G10/G11), "none"
    retract_mm: float  # pulled back and primed by the block when `retract` is "own"
    retract_mm_s: float
    lift_mm: float  # the block rises this far before it travels
    stops: tuple[Stop, ...]
    back_mm: tuple[tuple[float, float], ...] = ()  # places passed on the way back to the print
    hold_mm: tuple[float, float] | None = None  # after the last stop it waits here for a person
    leaves_object: int | None = None  # the object that M486 has made current; current again behind the block


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class Plan(ArrayRecord):
    """All shots of a job."""

    original_sha256: str  # of the sliced file
    rig: Mapping[str, Any]  # the rig file as read, so that a plan stands alone
    shots: tuple[Shot, ...]
    print_s: float  # of the original
    cost_s: float  # added by all shots
    film_s: float  # length of the film at its frame rate
    layer_count: int
    schema: str = _SCHEMA
    warnings: tuple[str, ...] = field(default=())


@dataclass(frozen=True, slots=True, kw_only=True)
class ShotKey:
    """What makes a frame the one and only answer to a cue."""

    job: str  # sha256 of the original G-code
    run: int  # 1 for the first print of this job
    shot: int
    stop: int  # from 1 within the shot
    camera: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Cue:
    """What one cue line asks for."""

    shot: int
    stop: int
    cameras: tuple[str, ...]
    job: str = ""  # code of the job, see `job_code`; files of former versions have none


def job_code(sha256: str) -> str:
    """Return the short name of a job in cues: the first six hex digits of its original's SHA-256."""
    return sha256[:6]


def run_text(what: str, code: str) -> str:
    """Return the words that say that a print begins or ends, such as ``twinlapse begin a1b2c3``."""
    return f"twinlapse {what} {code}"


def find_run(line: str) -> tuple[str, str] | None:
    """Return ("begin" or "end", code of the job) that a line says, wherever in it."""
    found = _RUN.search(line)
    return None if found is None else (found[1], found[2])


def cue_text(cue: Cue) -> str:
    """Return the words by which the written file asks for frames: ``twinlapse cue 12.1 wide a1b2c3``.

    They hold no character that firmware or a shell gives a meaning to.
    """
    words = f"twinlapse cue {cue.shot}.{cue.stop} {'+'.join(cue.cameras)}"
    return f"{words} {cue.job}" if cue.job else words


def find_cue(line: str) -> Cue | None:
    """Return the cue that a line of G-code, of a log or of the serial port holds, wherever in it."""
    found = _CUE.search(line)
    if found is None:
        return None
    return Cue(shot=int(found[1]), stop=int(found[2]), cameras=tuple(found[3].split("+")), job=found[4] or "")


def arm_text(shot: int) -> str:
    """Return the words that say some seconds ahead that a shot comes: ``twinlapse arm 12``."""
    return f"twinlapse arm {shot}"


def find_arm(line: str) -> int | None:
    """Return the shot that a line arms for, wherever in it; fences around such a line arm for nothing."""
    found = _ARM.search(line)
    return None if found is None else int(found[1])


def plan_to_json(plan: Plan) -> dict[str, Any]:
    """Return the plan as plain values (see docs/formats.md)."""
    return {**_values(plan), "rig": dict(plan.rig), "shots": [_shot_to_json(shot) for shot in plan.shots]}


def plan_from_json(value: Any, path: Path | None = None) -> Plan:
    """Return the plan that `plan_to_json` wrote.

    Raises
    ------
    PlanError
        when a field is missing or of the wrong kind.
    """
    if isinstance(value, dict) and value.get("schema") in _FORMER_SCHEMAS:
        raise PlanError("an earlier version of twinlapse wrote this plan", "make it again", path=path)
    if not isinstance(value, dict) or value.get("schema") != _SCHEMA:
        raise PlanError("this is not a plan of twinlapse", _MAKE_ONE, path=path)
    try:
        shots = tuple(_shot_from_json(shot) for shot in value["shots"])
        return Plan(**{**value, "shots": shots, "warnings": tuple(value.get("warnings", ()))})
    except (KeyError, TypeError, ValueError) as error:
        raise PlanError(
            f"a field of the plan is missing or wrong: {error}", "make the plan again", path=path
        ) from None


def read_plan(path: Path) -> Plan:
    """Read ``plan.json``."""
    return plan_from_json(read_json(path, "plan", _MAKE_ONE), path)


def write_plan(path: Path, plan: Plan) -> None:
    """Write ``plan.json``, whole or not at all."""
    write_json(path, plan_to_json(plan))


def _shot_from_json(shot: Mapping[str, Any]) -> Shot:
    stops = tuple(
        Stop(**{**stop, "cameras": tuple(stop["cameras"]), "via_mm": _places(stop.get("via_mm", ()))})
        for stop in shot["stops"]
    )
    hold = shot.get("hold_mm")
    places = {"back_mm": _places(shot.get("back_mm", ())), "hold_mm": _places([hold])[0] if hold else None}
    return Shot(**{**shot, "layer": shot["layer"] - 1, "stops": stops, **places})


def _places(value: Any) -> tuple[tuple[float, float], ...]:
    return tuple((float(x), float(y)) for x, y in value)


def _shot_to_json(shot: Shot) -> dict[str, Any]:
    stops = [{**_values(stop), "cameras": list(stop.cameras)} for stop in shot.stops]
    return {**_values(shot), "layer": shot.layer + 1, "stops": stops}


def _values(record: Plan | Shot | Stop) -> dict[str, Any]:
    return {name: getattr(record, name) for name in record.__dataclass_fields__}
