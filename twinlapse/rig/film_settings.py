"""How the film is made: the ``[film]`` table of a rig file and the ``film`` table of each camera."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from fractions import Fraction
from typing import Any, Literal

from twinlapse.rig.schema import choice, flag, number, parsed, point, text, whole
from twinlapse.rig.toml_fields import InvalidValueError, is_number

__all__ = [
    "OVERLAYS",
    "SHAPES",
    "Between",
    "Box",
    "CameraFilming",
    "CodecName",
    "Evening",
    "Filming",
    "Fit",
    "Gap",
    "Hold",
    "InsetCorner",
    "LayoutName",
    "Model",
    "film_size",
    "read_box",
    "read_boxes",
    "read_colour",
    "read_crop",
    "read_ease",
    "read_overlay",
    "read_rate",
    "read_shape",
]

LayoutName = Literal["inset", "side", "stack", "single", "near-far"]
InsetCorner = Literal["auto", "top-left", "top-right", "bottom-left", "bottom-right"]
Fit = Literal["fill", "fit", "cut"]
Between = Literal["cut", "fade"]
Gap = Literal["hold", "blend"]
CodecName = Literal["auto", "h264", "h265", "vp9", "av1"]
Hold = Literal["auto", "surroundings", "print", "off"]
Model = Literal["shift", "rotation", "scale"]
Evening = Literal["constant", "flicker", "off"]
Box = tuple[float, float, float, float]

SHAPES = {"16:9": (16, 9), "9:16": (9, 16), "1:1": (1, 1), "4:5": (4, 5), "4:3": (4, 3)}
OVERLAYS = ("layer", "height", "elapsed", "remaining", "progress", "names", "plan")
_SIZE = re.compile(r"(\d{2,5})\s*x\s*(\d{2,5})")
_COLOUR = re.compile(r"#([0-9a-fA-F]{6})")


def read_shape(value: Any) -> str:
    """Return a checked shape: "16:9" and its like, or a size such as "1600x900"."""
    if isinstance(value, str) and value in SHAPES:
        return value
    found = _SIZE.fullmatch(value) if isinstance(value, str) else None
    if found and all(96 <= int(side) <= 7680 for side in found.groups()):
        return str(value)
    raise InvalidValueError(
        f"{value!r} is no shape of a film", f'write {", ".join(SHAPES)} or a size such as "1600x900"'
    )


def read_rate(value: Any) -> Fraction:
    """Return exact frames a second: 25, 29.97 (as 30000/1001) or "24000/1001"."""
    try:
        if isinstance(value, bool):
            raise TypeError
        rate = Fraction(str(value) if isinstance(value, float) else value)
        for whole in (24, 30, 60, 120):  # the rates of colour television
            if abs(rate - Fraction(whole * 1000, 1001)) < Fraction(1, 100) and rate.denominator > 1:
                rate = Fraction(whole * 1000, 1001)
    except (ValueError, ZeroDivisionError, TypeError):
        raise InvalidValueError(f"{value!r} is no frame rate", 'write 30, 25 or "30000/1001"') from None
    if not 1 <= rate <= 240:
        raise InvalidValueError(f"{value} frames a second is out of range", "write a rate from 1 to 240")
    return rate


def read_overlay(value: Any) -> tuple[str, ...]:
    """Return what is drawn over the pictures: "all", "none", or a list of names."""
    if value in ("none", "all"):
        return OVERLAYS if value == "all" else ()
    names = value.split(",") if isinstance(value, str) else value
    if not isinstance(names, list | tuple) or not all(name in OVERLAYS for name in names):
        raise InvalidValueError(
            f"{value!r} is no overlay", f'write "all", "none", or a list out of {", ".join(OVERLAYS)}'
        )
    return tuple(names)


def read_colour(value: Any) -> str:
    """Return a checked colour such as "#0e1216"."""
    if isinstance(value, str) and _COLOUR.fullmatch(value):
        return value
    raise InvalidValueError(f"{value!r} is no colour", 'write six hex digits, such as "#0e1216"')


def read_box(value: Any) -> Box:
    """Return a checked part of a picture: x, y, width and height as shares of it."""
    parts = value if isinstance(value, list | tuple) else ()
    numbers = [part for part in parts if is_number(part)]
    if (
        len(numbers) != 4
        or len(parts) != 4
        or min(numbers) < 0
        or min(numbers[2:]) <= 0
        or numbers[0] + numbers[2] > 1 + 1e-9
        or numbers[1] + numbers[3] > 1 + 1e-9
    ):
        raise InvalidValueError(
            f"{value!r} is no part of a picture", "write [x, y, width, height] as shares from 0 to 1"
        )
    return (float(numbers[0]), float(numbers[1]), float(numbers[2]), float(numbers[3]))


def read_ease(value: Any) -> float | Literal["auto"]:
    """Return "auto" or a checked share from 0 to 0.9."""
    if value == "auto":
        return "auto"
    try:
        share = float(value) if isinstance(value, str) or is_number(value) else -1.0
    except ValueError:
        raise InvalidValueError(f"{value!r} is no ease", 'write "auto" or a share from 0 to 0.9') from None
    if not 0 <= share <= 0.9:
        raise InvalidValueError(f"{value!r} is out of range", 'write "auto" or a share from 0 to 0.9')
    return share


def read_crop(value: Any) -> Box | Literal["auto"]:
    """Return "auto" or a checked part of a picture."""
    return "auto" if value == "auto" else read_box(value)


def read_boxes(value: Any) -> tuple[Box, ...]:
    """Return a checked list of parts of a picture."""
    if not isinstance(value, list | tuple):
        raise InvalidValueError(f"{value!r} is no list of boxes", "write [[x, y, width, height]]")
    return tuple(map(read_box, value))


def _listed(names: tuple[str, ...]) -> str:
    return ", ".join(f'`"{name}"`' for name in names)


@dataclass(frozen=True, slots=True, kw_only=True)
class Filming:
    """The film as a whole."""

    layout: LayoutName = field(
        default="side",
        metadata=choice(LayoutName, "how the cameras share the film; `near-far`: the nozzle's view first"),
    )
    shape: str = field(
        default="16:9",
        metadata=parsed(
            read_shape, f'{_listed(tuple(SHAPES))} or a size such as `"1600x900"`', "shape of the film"
        ),
    )
    height_px: int = field(
        default=720, metadata=whole("short side: 720 gives 1280x720 and 720x1280", low=96, high=4320)
    )
    main: str = field(default="", metadata=text("camera in the large pane", without="the first camera"))
    inset_corner: InsetCorner = field(
        default="auto",
        metadata=choice(
            InsetCorner, "corner that the inset is in; `auto`: where it covers least", former=("corner",)
        ),
    )
    inset: float = field(
        default=0.3, metadata=number("width of the inset over the width of the film", low=0.1, high=0.6)
    )
    fit: Fit = field(
        default="fill",
        metadata=choice(
            Fit,
            "`fill` cuts a picture to its pane, but never the print; `fit` cuts nothing; `cut` always fills",
        ),
    )
    background: str = field(
        default="#0e1216", metadata=parsed(read_colour, "colour", "colour of the background")
    )
    accent: str = field(default="#7fd6a4", metadata=parsed(read_colour, "colour", "colour of marks and bars"))
    gap_px: int = field(default=12, metadata=whole("space between panes", low=0, high=200))
    fps: Fraction = field(
        default=Fraction(30),
        metadata=parsed(read_rate, "1 to 240", "frames a second, exact: 29.97 becomes 30000/1001"),
    )
    length_s: float = field(
        default=0.0,
        metadata=number(
            "length, of both ways in a loop; 0: one film frame a shot", low=0, high=3600, former=("seconds",)
        ),
    )
    first_s: float = field(default=0.0, metadata=number("how long the first picture is held", low=0, high=60))
    last_s: float = field(default=1.5, metadata=number("how long the last picture is held", low=0, high=60))
    ease: float | Literal["auto"] = field(
        default="auto",
        metadata=parsed(
            read_ease,
            '`"auto"` or 0 to 0.9',
            "how much slower the first layers go; `auto`: 0.35 where the film is longer than 6 s",
        ),
    )
    loop: bool = field(default=False, metadata=flag("play forward, then back"))
    between: Between = field(default="cut", metadata=choice(Between, "from shot to shot"))
    gap: Gap = field(
        default="hold", metadata=choice(Gap, "where frames are missing: hold the last one, or blend")
    )
    overlay: tuple[str, ...] = field(
        default=OVERLAYS[:6],
        metadata=parsed(
            read_overlay,
            f'list out of {_listed(OVERLAYS)}; `"all"`, `"none"`',
            "what is drawn over the pictures",
        ),
    )
    title: str = field(default="", metadata=text("title of the film"))
    title_s: float = field(default=0.0, metadata=number("how long the title card is shown", low=0, high=60))
    end_s: float = field(
        default=0.0, metadata=number("how long the end card is shown: what the print took", low=0, high=60)
    )
    captions: bool = field(
        default=True,
        metadata=flag("say what happened: filament changed, layer 1 without defects or with some"),
    )
    moments: bool = field(
        default=False,
        metadata=flag("zoom to the nozzle's view for layer 1, filament changes and defects"),
    )
    sound: str = field(
        default="",
        metadata=text("sound file, as long as the film by cutting or repeating, faded in and out"),
    )
    font: str = field(
        default="",
        metadata=text("a TTF or OTF file, where the fonts that come along lack a letter", without="built in"),
    )
    fine: bool = field(default=False, metadata=flag("Lanczos resampling: sharper, slower"))
    codec: CodecName = field(
        default="auto", metadata=choice(CodecName, "how the film is encoded; `auto`: by the file's suffix")
    )
    quality: int = field(
        default=18, metadata=whole("0 the best, 18 as good as the source, 30 small", low=0, high=48)
    )
    careful: bool = field(default=False, metadata=flag("H.264 with more effort, for a smaller file"))


@dataclass(frozen=True, slots=True, kw_only=True)
class CameraFilming:
    """How the frames of one camera are treated."""

    hold: Hold = field(default="auto", metadata=choice(Hold, "what is held still"))
    model: Model = field(
        default="scale",
        metadata=choice(Model, "how a frame may differ from the reference, each including the one before"),
    )
    light: Evening = field(
        default="constant",
        metadata=choice(Evening, "`constant`: all frames alike; `flicker`: daylight may change slowly"),
    )
    crop: Box | Literal["auto"] = field(
        default="auto",
        metadata=parsed(
            read_crop,
            '`"auto"` or a box',
            "part of the upright picture: `auto` closes in on what changes",
        ),
    )
    focus: tuple[float, float] = field(
        default=(0.5, 0.5),
        metadata=point("which part stays when a pane is filled by cutting", 2, low=0, high=1),
    )
    region: Box | None = field(
        default=None,
        metadata=parsed(
            read_box,
            "a box",
            "the picture is compared only here",
            without="everywhere",
            example="[0, 0, 1, 0.5]",
        ),
    )
    ignore: tuple[Box, ...] = field(
        default=(),
        metadata=parsed(
            read_boxes,
            "list of boxes",
            "never here: the nozzle in its own picture",
            example="[[0.4, 0.6, 0.2, 0.4]]",
        ),
    )
    label: str = field(default="", metadata=text("the name in its pane", without="the camera's name"))
    straighten: bool = field(
        default=True, metadata=flag("remove the lens distortion, where `lens` describes it")
    )


def film_size(filming: Filming) -> tuple[int, int]:
    """Return width and height in pixels, both even as 4:2:0 colour needs them."""
    if found := _SIZE.fullmatch(filming.shape):
        width, height = int(found[1]), int(found[2])
    else:
        across, down = SHAPES[filming.shape]
        unit = filming.height_px / min(across, down)
        width, height = round(across * unit), round(down * unit)
    return width // 2 * 2, height // 2 * 2
