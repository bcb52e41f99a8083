"""The machine: its axes, limits, head and what stands in the way.

A field's metadata declares its key in the rig file (see `twinlapse.rig.schema`).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from typing import Literal

from twinlapse.rig.limits import Limits
from twinlapse.rig.schema import choice, number, part, parts, point
from twinlapse.rig.toml_fields import Table

__all__ = [
    "SQUARE_CORNER_MM_S",
    "BedShape",
    "Cornering",
    "Firmware",
    "Homes",
    "KeepOut",
    "Kinematics",
    "Origin",
    "Pair",
    "Printer",
    "Ringing",
    "Toolhead",
    "Triple",
    "check_printer",
]


Kinematics = Literal["bed-moves-y", "bed-moves-z", "bed-fixed"]
Firmware = Literal["marlin", "klipper", "reprapfirmware"]
Homes = Literal["guess", "file", "macro"]
BedShape = Literal["rectangle", "round"]
Origin = Literal["corner", "center"]
SQUARE_CORNER_MM_S = 5.0  # Klipper's default (docs/Config_Reference.md, square_corner_velocity)
Pair = tuple[float, float]
# machine types by their usual names (letters only) -> the kinematics that nearly all of them have
_KINEMATICS = {
    "cartesian": "bed-moves-y",
    "bedslinger": "bed-moves-y",
    "corexy": "bed-moves-z",
    "hbot": "bed-moves-z",
    "corexz": "bed-moves-y",
    "delta": "bed-fixed",
}
Triple = tuple[float, float, float]


def _check_cornering(made: Cornering, table: Table) -> Cornering:
    names = ("junction_deviation_mm", "square_corner_mm_s", "jerk_mm_s")
    given = [name for name in names if getattr(made, name) is not None]
    if len(given) > 1:
        table.fail(given[1], "two corner rules exclude each other", f"keep one of {', '.join(names)}")
    if not given:
        table.fail("", "it is empty", f"write one of {', '.join(names)}")
    return made


def check_printer(made: Printer, table: Table) -> Printer:
    """Give a machine with Klipper the rule for corners that this firmware has."""
    if made.firmware == "klipper" and "cornering" not in table.values:
        return replace(made, cornering=Cornering(square_corner_mm_s=SQUARE_CORNER_MM_S))
    return made


def _check_toolhead(made: Toolhead, table: Table) -> Toolhead:
    if made.nozzle_radius_mm > made.radius_mm:
        table.fail("nozzle_radius_mm", "the nozzle is wider than the toolhead", "write less than radius_mm")
    return made


def _check_keep_out(made: KeepOut, table: Table) -> KeepOut:
    for key, (low, high) in {"x_mm": made.x_mm, "y_mm": made.y_mm}.items():
        if low >= high:
            table.fail(key, f"[{low:g}, {high:g}] is empty", "write the smaller number first")
    return made


@dataclass(frozen=True, slots=True, kw_only=True)
class Cornering:
    """How fast the machine takes a corner; exactly one of the three is not None."""

    junction_deviation_mm: float | None = field(
        default=None, metadata=number("junction deviation", above=0, high=1000, example="0.02")
    )
    square_corner_mm_s: float | None = field(
        default=None, metadata=number("speed through a corner of 90 degrees", above=0, high=1000, example="5")
    )
    jerk_mm_s: float | None = field(
        default=None,
        metadata=number("speed that an axis may change at once", above=0, high=1000, example="8"),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Ringing:
    """How the machine swings after a stop, as a test print or an accelerometer shows it."""

    frequency_hz: float = field(
        default=40.0,
        metadata=number(
            "frequency of the ringing, of the slower axis; 40 is common practice, no source",
            above=1,
            high=500,
        ),
    )
    damping: float = field(
        default=0.06,
        metadata=number("damping ratio; 0.06 is common practice, no source", above=0.001, high=0.9),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Toolhead:
    """The toolhead as two discs above the nozzle tip, for clearance."""

    radius_mm: float = field(
        default=35.0,
        metadata=number("widest reach of anything on it seen from above, a camera included", low=0, high=500),
    )
    height_mm: float = field(default=40.0, metadata=number("from the nozzle tip to its top", low=0, high=500))
    gantry_mm: float = field(
        default=60.0, metadata=number("from the nozzle tip to the underside of the gantry", low=0, high=500)
    )
    nozzle_radius_mm: float = field(
        default=4.0, metadata=number("radius of the nozzle below the heater block", low=0, high=500)
    )
    nozzle_length_mm: float = field(
        default=4.0, metadata=number("how far the nozzle tip is below the heater block", low=0, high=500)
    )
    block_radius_mm: float = field(
        default=3.0,
        metadata=number("reach of the heater block from the nozzle's axis on the camera's side", low=0),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class KeepOut:
    """A box above the bed where the nozzle must not go: a clip, a wiper."""

    x_mm: Pair = field(metadata=point("from and to", 2, example="[0, 20]"))
    y_mm: Pair = field(metadata=point("from and to", 2, example="[200, 220]"))
    z_mm: float = field(
        default=math.inf,
        metadata=number(
            "height of the box above the bed", above=0, without="as high as the machine", example="12"
        ),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Printer:
    """What the machine is and how it moves."""

    bed_mm: Pair = field(metadata=point("width and depth of the bed", 2, above=0, example="[220, 220]"))
    height_mm: float = field(metadata=number("height of the build volume", above=0, example="250"))
    kinematics: Kinematics = field(
        default="bed-moves-y",
        metadata=choice(
            Kinematics, "what moves the bed: it slides, it sinks, nothing does", others=_KINEMATICS
        ),
    )
    firmware: Firmware = field(
        default="marlin", metadata=choice(Firmware, "the firmware that the shots are written for")
    )
    homes: Homes = field(
        default="guess",
        metadata=choice(
            Homes, "who homes the machine: G28 in the file, a start macro, or whatever the file lets expect"
        ),
    )
    travel_mm_s: float = field(
        default=150.0, metadata=number("speed of the path to a shot and back", above=0, high=2000)
    )
    travel_z_mm_s: float = field(
        default=10.0, metadata=number("speed of Z", above=0, high=500, former=("lift_mm_s",))
    )
    accel_mm_s2: float = field(
        default=1500.0, metadata=number("acceleration in X and Y", above=0, high=100_000)
    )
    accel_z_mm_s2: float = field(default=100.0, metadata=number("acceleration of Z", above=0, high=100_000))
    cornering: Cornering = field(
        default=Cornering(junction_deviation_mm=0.02),
        metadata=part(
            Cornering,
            "how fast corners are taken",
            former=("corner",),
            check=_check_cornering,
            without="junction_deviation_mm = 0.02; with Klipper square_corner_mm_s = 5",
        ),
    )
    limits: Limits = field(
        default=Limits(),
        metadata=part(Limits, "what the firmware allows, and what it needs for a stop"),
    )
    toolhead: Toolhead = field(
        default=Toolhead(),
        metadata=part(Toolhead, "what must clear finished objects", former=("head",), check=_check_toolhead),
    )
    keep_out: tuple[KeepOut, ...] = field(
        default=(),
        metadata=parts(
            KeepOut,
            "boxes where the nozzle must not go: a clip, a wiper",
            check=_check_keep_out,
            example="[{ x_mm = [0, 20], y_mm = [200, 220], z_mm = 12 }]",
        ),
    )
    bed_shape: BedShape = field(default="rectangle", metadata=choice(BedShape, "shape of the bed"))
    origin: Origin = field(
        default="corner", metadata=choice(Origin, "where X0 Y0 is: the front left corner, or the center")
    )
    nozzle_mm: float = field(default=0.4, metadata=number("nozzle diameter", above=0, high=5))
    filament_mm: float = field(default=1.75, metadata=number("filament diameter", above=0, high=10))
    ringing: Ringing | None = field(
        default=None,
        metadata=part(Ringing, "how it swings after a stop: a shorter `settle_s` follows from it"),
    )
    retract_mm: float = field(
        default=1.0,
        metadata=number("retraction length, where the file shows none of its own", low=0, high=20),
    )
    retract_mm_s: float = field(
        default=35.0, metadata=number("retraction speed, where the file shows none", above=0, high=200)
    )
    prime_extra_mm: float = field(
        default=0.0,
        metadata=number("extra filament after every shot, for what has oozed out", low=0, high=2),
    )
    wipe_mm: float = field(
        default=0.0,
        metadata=number(
            "a shot returns this far before the point where it left, and wipes over the printed line",
            low=0,
            high=10,
        ),
    )

    @property
    def x_range_mm(self) -> Pair:
        """Lowest and highest X on the bed."""
        return _range(self.bed_mm[0], self.origin)

    @property
    def y_range_mm(self) -> Pair:
        """Lowest and highest Y on the bed."""
        return _range(self.bed_mm[1], self.origin)


def _range(length_mm: float, origin: str) -> Pair:
    return (-length_mm / 2, length_mm / 2) if origin == "center" else (0.0, length_mm)
