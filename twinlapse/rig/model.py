"""The printer and its cameras as one frozen record; every field has its unit in its name.

A field's metadata declares its key in the rig file (see `twinlapse.rig.schema`).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

from twinlapse.records import ArrayRecord
from twinlapse.rig.camera import Camera, check_camera
from twinlapse.rig.capture_settings import Capture, check_capture
from twinlapse.rig.film_settings import Filming
from twinlapse.rig.notations import read_amount, read_layers
from twinlapse.rig.printer import Printer, check_printer
from twinlapse.rig.schema import choice, flag, number, parsed, part, parts, text
from twinlapse.rig.toml_fields import Table

__all__ = ["CueKind", "CueSettings", "PlanSettings", "Rig"]


CueKind = Literal["host", "display", "pin", "macro", "comment", "none"]


def _check_plan(made: PlanSettings, table: Table) -> PlanSettings:
    if made.hold and not made.survey_layers:
        table.fail("hold", "the machine waits after a survey, and there is none", "add survey_layers = [1]")
    return made


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanSettings:
    """What limits a plan, and which layers are looked at whole."""

    min_gap_s: float = field(default=0.0, metadata=number("least time between two shots", low=0))
    max_added: str = field(
        default="",
        metadata=parsed(
            read_amount,
            '`"5%"`, `"90 s"`, `"12min"`, `"1h"`',
            "the most that the shots may add to the print; surveys and corner visits do not count",
            without="no limit",
            example='"10%"',
        ),
    )
    survey_layers: tuple[int, ...] = field(  # from 0; the file counts from 1
        default=(),
        metadata=parsed(
            read_layers,
            "list of layers from 1",
            "layers that the nozzle camera surveys, in frames side by side",
            former=("survey",),
            example="[1]",
        ),
    )
    bare_bed: bool = field(
        default=True,
        metadata=flag("a survey also photographs the bare bed at the same stops before anything is printed"),
    )
    corner_layers: tuple[int, ...] = field(  # from 0; the file counts from 1
        default=(),
        metadata=parsed(
            read_layers,
            "list of layers from 1",
            "layers after which it visits the outermost corners of the print",
            former=("corners",),
            example="[1, 2, 3]",
        ),
    )
    hold: bool = field(
        default=False, metadata=flag("after a survey the machine waits, hot, until you let it go on")
    )
    hold_max_s: float = field(
        default=1800.0,
        metadata=number(
            "the longest such wait: Marlin then goes on by itself, Klipper switches heaters and motors off",
            low=60,
            high=43_200,
        ),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class CueSettings:
    """How the written file speaks to the capture service."""

    kind: CueKind = field(default="host", metadata=choice(CueKind, "how the written file asks for a picture"))
    text: str = field(
        default="",
        metadata=text(
            "template with `{shot}`, `{stop}`, `{layer}`, `{cameras}`", without="the standard words"
        ),
    )
    early_notice_s: float = field(
        default=0.0,
        metadata=number(
            "a line announces a shot this long ahead, for lights that need time; 0: none",
            low=0,
            high=600,
            former=("arm_s",),
        ),
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class Rig(ArrayRecord):
    """A printer and its cameras, as a rig file describes them."""

    printer: Printer = field(metadata=part(Printer, "the machine", check=check_printer))
    cameras: tuple[Camera, ...] = field(
        metadata=parts(Camera, "one section a camera", name="camera", check=check_camera)
    )
    cue: CueSettings = field(
        default=CueSettings(), metadata=part(CueSettings, "how the written file asks for a picture")
    )
    plan: PlanSettings = field(
        default=PlanSettings(), metadata=part(PlanSettings, "limits of the plan", check=_check_plan)
    )
    film: Filming = field(default_factory=Filming, metadata=part(Filming, "the film as a whole"))
    capture: Capture = field(
        default_factory=Capture, metadata=part(Capture, "the capture service", check=check_capture)
    )
    raw: Mapping[str, Any] = field(default_factory=dict)  # the file as read, for plan.json

    def camera(self, name: str) -> Camera | None:
        """Return the camera of that name, if there is one."""
        return next((camera for camera in self.cameras if camera.name == name), None)
