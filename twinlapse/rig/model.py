"""The printer and its cameras as frozen records; every field has its unit in its name.

A field's metadata declares its key in the rig file (see `twinlapse.rig.schema`).
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any, Literal

from twinlapse.names import CAMERA_NAME
from twinlapse.records import ArrayRecord
from twinlapse.rig.camera_controls import Controls
from twinlapse.rig.capture_settings import Capture, Light, Power, check_capture, check_switched
from twinlapse.rig.film_settings import CameraFilming, Filming
from twinlapse.rig.limits import Limits
from twinlapse.rig.notations import read_amount, read_every, read_first_layers, read_layers, read_source
from twinlapse.rig.schema import choice, flag, number, numbers, parsed, part, parts, point, text, whole
from twinlapse.rig.toml_fields import InvalidValueError, Table

__all__ = [
    "SQUARE_CORNER_MM_S",
    "BedShape",
    "Camera",
    "Cornering",
    "CueKind",
    "CueSettings",
    "Firmware",
    "Homes",
    "KeepOut",
    "Kinematics",
    "Lens",
    "LensKind",
    "Mount",
    "Origin",
    "Pair",
    "PlanSettings",
    "Printer",
    "Rig",
    "Ringing",
    "Stance",
    "Toolhead",
    "Triple",
    "Turn",
    "read_camera_name",
]

Kinematics = Literal["bed-moves-y", "bed-moves-z", "bed-fixed"]
Firmware = Literal["marlin", "klipper", "reprapfirmware"]
Homes = Literal["guess", "file", "macro"]
BedShape = Literal["rectangle", "round"]
Origin = Literal["corner", "center"]
Mount = Literal["frame", "toolhead", "gantry", "bed"]
Stance = Literal["clear", "over", "tour", "last", "still"]
Turn = Literal[0, 90, 180, 270]
LensKind = Literal["pinhole", "fisheye"]
CueKind = Literal["host", "display", "pin", "macro", "comment", "none"]
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


def read_camera_name(value: Any) -> str:
    """Return a checked name of a camera."""
    if isinstance(value, str) and CAMERA_NAME.fullmatch(value):
        return value
    if not isinstance(value, str):
        raise InvalidValueError(f"{value!r} is not text", 'write it in quotes, such as "wide"')
    raise InvalidValueError(f"{value!r} cannot be a name", "use letters, digits, '-' and '_', 32 at most")


def _check_cornering(made: Cornering, table: Table) -> Cornering:
    names = ("junction_deviation_mm", "square_corner_mm_s", "jerk_mm_s")
    given = [name for name in names if getattr(made, name) is not None]
    if len(given) > 1:
        table.fail(given[1], "two corner rules exclude each other", f"keep one of {', '.join(names)}")
    if not given:
        table.fail("", "it is empty", f"write one of {', '.join(names)}")
    return made


def _check_printer(made: Printer, table: Table) -> Printer:
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


def _check_lens(made: Lens, table: Table) -> Lens:
    if made.kind == "pinhole" and made.across_deg >= 180:
        table.fail("across_deg", "a pinhole sees less than 180 degrees", 'write less, or kind = "fisheye"')
    most, terms = (4, "k1 k2 k3 k4") if made.kind == "fisheye" else (5, "k1 k2 p1 p2 k3")
    if len(made.distortion) > most:
        table.fail("distortion", f"a {made.kind} has {most} terms at most", f"write {terms}")
    return made


def _check_camera(made: Camera, table: Table) -> Camera:
    if made.look_mm is not None and made.look_mm == made.place_mm:
        table.fail(
            "look_mm", "the camera looks at its own place", "name a point in the middle of its picture"
        )
    if made.mount == "toolhead" and "stance" not in table.values:
        return replace(made, stance="over")
    return made


def _check_plan(made: PlanSettings, table: Table) -> PlanSettings:
    if made.hold and not made.survey_layers:
        table.fail("hold", "the machine waits after a survey, and there is none", "add survey_layers = [1]")
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


@dataclass(frozen=True, slots=True, kw_only=True)
class Lens:
    """What the camera sees: a picture size and the angle across its width."""

    width_px: int = field(
        default=640, metadata=whole("width of the picture as the camera gives it", low=16, high=20_000)
    )
    height_px: int = field(default=480, metadata=whole("height of that picture", low=16, high=20_000))
    across_deg: float = field(default=60.0, metadata=number("angle across its width", above=0, high=220))
    kind: LensKind = field(default="pinhole", metadata=choice(LensKind, "the lens model"))
    distortion: tuple[float, ...] = field(
        default=(),
        metadata=numbers(
            "OpenCV's k1 k2 p1 p2 k3 (pinhole), k1 k2 k3 k4 (fisheye); `rig lens` measures them",
            example="[-0.3, 0.1]",
        ),
    )
    centre_px: Pair | None = field(
        default=None,
        metadata=point(
            "where the optical axis meets the picture", 2, without="the middle", example="[319.5, 239.5]"
        ),
    )
    focus_mm: float = field(
        default=0.0, metadata=number("distance at which it is sharp; 0: focused on what it looks at", low=0)
    )
    f_number: float = field(
        default=2.8, metadata=number("f-number, for the depth of field", above=0, high=100)
    )
    pixel_um: float = field(
        default=2.2,
        metadata=number(
            "size of a pixel on the sensor, from its data sheet, for the depth of field", above=0, high=50
        ),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Camera:
    """One camera: where it is bolted, what it looks at, how it stands, when it shoots.

    ``place_mm`` (its entrance pupil) and ``look_mm`` (a point in the middle of its picture) are in the frame
    of what carries the camera: for ``frame`` and ``bed`` in G-code coordinates with the bed at its place (the
    nozzle at ``park_mm``), for ``head`` and ``gantry`` relative to the nozzle tip.
    """

    name: str = field(
        metadata=parsed(read_camera_name, "letters, digits, `-`, `_`", "its name", example='"wide"')
    )
    mount: Mount = field(metadata=choice(Mount, "what it is bolted to", example='"frame"'))
    source: str = field(
        default="",
        metadata=parsed(
            read_source,
            "`http://`, `https://`, `still:http://`, `rtsp://`, `v4l2:`, `folder:`, `video:`",
            "where its pictures come from",
            example='"http://camera.local/stream"',
        ),
    )
    stance: Stance = field(
        default="clear",
        metadata=choice(
            Stance, "how the place of the toolhead is chosen", without='`"clear"`; on the toolhead `"over"`'
        ),
    )
    every: str | Mapping[str, Any] = field(
        default="auto",
        metadata=parsed(
            read_every,
            '`"auto"`, `"layer"`, `{ layers = 3 }`, `{ mm = 0.6 }`, `{ s = 45 }`, '
            "`{ film_s = 20, fps = 30 }`",
            'when it takes a shot; `"auto"`: as often as a tenth of the print time buys',
        ),
    )
    first_layers: Mapping[str, Any] | None = field(
        default=None,
        metadata=parsed(
            read_first_layers,
            "`{ layers = 3, s = 10 }`",
            "another schedule for the first layers",
            example="{ layers = 3, s = 10 }",
        ),
    )
    dwell_s: float = field(
        default=1.0,
        metadata=number(
            "how long the machine stands still for the picture",
            low=0,
            high=120,
            without="`age_s` and 0.15 s where `age_s` is written, else 1",
        ),
    )
    settle_s: float = field(
        default=0.3,
        metadata=number(
            "how long it stands before that, so that nothing swings",
            low=0,
            high=60,
            without="from `ringing` where the printer has it, else 0.3",
        ),
    )
    login_file: str = field(
        default="",
        metadata=text(
            "a file with `name:password` of the camera on one line, which its owner alone can read"
        ),
    )
    controls: Controls = field(
        default=Controls(), metadata=part(Controls, "what a USB camera must not choose by itself")
    )
    age_s: float | None = field(
        default=None,
        metadata=number(
            "the oldest frame that the camera may deliver, plus one frame interval; `rig check --cameras` "
            "measures it",
            low=0,
            high=60,
            without="unknown: frames are taken as if it were 0.25 s, and marked",
            example="0.25",
        ),
    )
    place_mm: Triple | None = field(
        default=None,
        metadata=point(
            "position of its lens; on toolhead and gantry from the nozzle tip",
            3,
            without="chosen",
            example="[20, -180, 220]",
        ),
    )
    look_mm: Triple | None = field(
        default=None,
        metadata=point("a point in the middle of its picture", 3, without="chosen", example="[110, 110, 20]"),
    )
    roll_deg: float = field(
        default=0.0,
        metadata=number("turned clockwise about its own axis, seen from behind", low=-360, high=360),
    )
    place_error_mm: float = field(
        default=0.0,
        metadata=number("standard uncertainty of the position; `rig aim --write` writes it", low=0),
    )
    turn_error_deg: float = field(
        default=0.0, metadata=number("standard uncertainty of the direction", low=0, high=180)
    )
    lens: Lens = field(
        default=Lens(), metadata=part(Lens, "picture size and angle of view", check=_check_lens)
    )
    body_mm: Pair = field(
        default=(8.0, 40.0), metadata=point("diameter and length of the housing, for clearance", 2, above=0)
    )
    park_mm: Pair | None = field(
        default=None,
        metadata=point("where the nozzle goes for stance `clear`", 2, without="chosen", example="[5, 195]"),
    )
    nozzle_height_mm: float = field(
        default=0.0,
        metadata=number(
            "nozzle above the printed layer during the shot", low=0, high=500, former=("height_mm",)
        ),
    )
    over_mm: Pair | None = field(
        default=None,
        metadata=point("the point that stance `over` looks at", 2, without="chosen", example="[110, 110]"),
    )
    rotate_deg: Turn = field(default=0, metadata=choice(Turn, "turns the picture upright, clockwise"))
    mirror: bool = field(default=False, metadata=flag("mirrors the picture"))
    film: CameraFilming = field(
        default_factory=CameraFilming, metadata=part(CameraFilming, "how its frames are treated in the film")
    )
    light: Light | None = field(
        default=None, metadata=part(Light, "commands around its shots", check=check_switched)
    )
    power: Power | None = field(
        default=None, metadata=part(Power, "commands around the whole print", check=check_switched)
    )


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

    printer: Printer = field(metadata=part(Printer, "the machine", check=_check_printer))
    cameras: tuple[Camera, ...] = field(
        metadata=parts(Camera, "one section a camera", name="camera", check=_check_camera)
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


def _range(length_mm: float, origin: str) -> Pair:
    return (-length_mm / 2, length_mm / 2) if origin == "center" else (0.0, length_mm)
