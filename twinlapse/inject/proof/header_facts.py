"""The facts in the header of a written file, and the rig that they describe."""

from __future__ import annotations

import math
import re
from dataclasses import fields
from typing import Any, get_args

from twinlapse.errors import InjectError
from twinlapse.inject.proof.fences import FencedFile
from twinlapse.rig.camera import Camera
from twinlapse.rig.limits import Limits
from twinlapse.rig.model import CueSettings, PlanSettings, Rig
from twinlapse.rig.printer import BedShape, Cornering, Firmware, KeepOut, Kinematics, Printer, Toolhead

__all__ = ["facts_of", "rig_of"]

_FACT = re.compile(r"; ([a-z_0-9]+) (\S.*)")
# facts of files that were written earlier -> their names now
_FORMER = {"head": "toolhead", "corner": "cornering", "lift_mm_s": "travel_z_mm_s"}
_NUMBERS = (
    "height_mm", "travel_mm_s", "travel_z_mm_s", "accel_mm_s2", "accel_z_mm_s2", "retract_mm", "retract_mm_s",
    "prime_extra_mm", "wipe_mm",
)  # fmt: skip


def facts_of(fenced: FencedFile) -> dict[str, str]:
    """Return the header's facts, those that come several times joined by line feeds."""
    facts: dict[str, str] = {}
    if fenced.header is not None:
        for line in fenced.header.text.decode("utf-8", "replace").splitlines():
            if found := _FACT.fullmatch(line.strip()):
                key, value = _FORMER.get(found[1], found[1]), found[2].strip()
                facts[key] = f"{facts[key]}\n{value}" if key in facts else value
    return facts


def rig_of(facts: dict[str, str], path: Any = None) -> Rig:
    """Return the rig that a header describes, as far as the proof needs it.

    Raises
    ------
    InjectError
        when the header is missing or a fact in it cannot be read.
    """
    try:
        x, y = _floats(facts["x_mm"]), _floats(facts["y_mm"])
        printer = Printer(
            bed_mm=(x[1] - x[0], y[1] - y[0]),
            origin="center" if x[0] < 0 else "corner",
            bed_shape=facts["bed_shape"],  # type: ignore[arg-type]
            kinematics=facts["kinematics"],  # type: ignore[arg-type]
            firmware=facts["firmware"],  # type: ignore[arg-type]
            cornering=Cornering(**_named(facts["cornering"])),
            toolhead=Toolhead(**_named(facts["toolhead"])),
            keep_out=tuple(_box(line) for line in facts.get("keep_out", "").splitlines()),
            limits=Limits(**_named(facts.get("limit", ""))),
            homes="guess",  # no check of the proof asks
            ringing=None,  # waits stand in the blocks
            **{name: float(facts[name]) for name in _NUMBERS},
        )
        _refuse_impossible(printer)
        cameras = tuple(_camera(line) for line in facts["camera"].splitlines())
    except (KeyError, ValueError, IndexError, TypeError) as error:
        raise InjectError(
            f"the header does not describe the machine ({error})", "name the rig file with --rig", path=path
        ) from None
    macro = facts.get("macro", "")
    cue = CueSettings(kind="macro", text=macro) if macro else CueSettings()
    return Rig(printer=printer, cameras=cameras, cue=cue, plan=PlanSettings(hold="hold" in facts))


def _refuse_impossible(printer: Printer) -> None:
    """Raise a ValueError for a machine without room or speed."""
    for name, kinds in (("firmware", Firmware), ("kinematics", Kinematics), ("bed_shape", BedShape)):
        if getattr(printer, name) not in get_args(kinds):
            raise ValueError(f"{name} is {getattr(printer, name)!r}")
    above = ("height_mm", "travel_mm_s", "travel_z_mm_s", "accel_mm_s2", "accel_z_mm_s2", "retract_mm_s")
    some = {name: getattr(printer, name) for name in above}
    some |= {"x_mm": printer.bed_mm[0], "y_mm": printer.bed_mm[1]}
    least = {name: getattr(printer, name) for name in ("retract_mm", "prime_extra_mm", "wipe_mm")}
    for part in (printer.toolhead, printer.cornering, printer.limits):
        least |= {f.name: getattr(part, f.name) for f in fields(part) if getattr(part, f.name) is not None}
    for name, value in (least | some).items():
        if not math.isfinite(value) or value < 0 or (name in some and value == 0):
            raise ValueError(f"{name} is {value:g}")


def _floats(text: str) -> list[float]:
    return [float(word) for word in text.split()]


def _named(lines: str) -> dict[str, Any]:
    return {name: float(value) for name, value in (line.split() for line in lines.splitlines())}


def _box(line: str) -> KeepOut:
    x0, x1, y0, y1, z = _floats(line)
    return KeepOut(x_mm=(x0, x1), y_mm=(y0, y1), z_mm=z if math.isfinite(z) else math.inf)


def _camera(line: str) -> Camera:
    name, _, settle, _, dwell = line.split()
    return Camera(name=name, mount="frame", settle_s=float(settle), dwell_s=float(dwell))
