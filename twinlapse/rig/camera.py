"""One camera: where it is bolted, its lens, how it stands and when it shoots.

A field's metadata declares its key in the rig file (see `twinlapse.rig.schema`).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any, Literal

from twinlapse.names import CAMERA_NAME
from twinlapse.rig.camera_controls import Controls
from twinlapse.rig.capture_settings import Light, Power, check_switched
from twinlapse.rig.film_settings import CameraFilming
from twinlapse.rig.notations import read_every, read_first_layers, read_source
from twinlapse.rig.printer import Pair, Triple
from twinlapse.rig.schema import choice, flag, number, numbers, parsed, part, point, text, whole
from twinlapse.rig.toml_fields import InvalidValueError, Table

__all__ = ["Camera", "Lens", "LensKind", "Mount", "Stance", "Turn", "check_camera", "read_camera_name"]


Mount = Literal["frame", "toolhead", "gantry", "bed"]
Stance = Literal["clear", "over", "tour", "last", "still"]
Turn = Literal[0, 90, 180, 270]
LensKind = Literal["pinhole", "fisheye"]


def read_camera_name(value: Any) -> str:
    """Return a checked name of a camera."""
    if isinstance(value, str) and CAMERA_NAME.fullmatch(value):
        return value
    if not isinstance(value, str):
        raise InvalidValueError(f"{value!r} is not text", 'write it in quotes, such as "wide"')
    hint = "use letters, digits, '-' and '_', 32 at most, and no device of Windows such as con or nul"
    raise InvalidValueError(f"{value!r} cannot be a name", hint)


def _check_lens(made: Lens, table: Table) -> Lens:
    if made.kind == "pinhole" and made.across_deg >= 180:
        table.fail("across_deg", "a pinhole sees less than 180 degrees", 'write less, or kind = "fisheye"')
    most, terms = (4, "k1 k2 k3 k4") if made.kind == "fisheye" else (5, "k1 k2 p1 p2 k3")
    if len(made.distortion) > most:
        table.fail("distortion", f"a {made.kind} has {most} terms at most", f"write {terms}")
    return made


def check_camera(made: Camera, table: Table) -> Camera:
    """Refuse a camera that looks at itself; one on the head hovers unless told otherwise."""
    if made.look_mm is not None and made.look_mm == made.place_mm:
        table.fail(
            "look_mm", "the camera looks at its own place", "name a point in the middle of its picture"
        )
    if made.mount == "toolhead" and "stance" not in table.values:
        return replace(made, stance="over")
    return made


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
        hash=False,  # a mapping; cameras are keys of caches
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
        hash=False,
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
