"""How the film is made: the ``[film]`` table of a rig file and the ``film`` table of each camera."""

from __future__ import annotations

import re
from dataclasses import dataclass
from fractions import Fraction
from typing import Any, Literal

from twinlapse.rig.toml_fields import Table

LayoutName = Literal["inset", "side", "stack", "single", "story"]
Corner = Literal["top-left", "top-right", "bottom-left", "bottom-right"]
Box = tuple[float, float, float, float]

SHAPES = {"16:9": (16, 9), "9:16": (9, 16), "1:1": (1, 1), "4:5": (4, 5), "4:3": (4, 3)}
OVERLAYS = ("layer", "height", "elapsed", "remaining", "progress", "names", "plan")
_SIZE = re.compile(r"(\d{2,5})\s*x\s*(\d{2,5})")
_COLOUR = re.compile(r"#([0-9a-fA-F]{6})")


@dataclass(frozen=True, slots=True, kw_only=True)
class Filming:
    """The film as a whole."""

    layout: LayoutName = "side"
    shape: str = "16:9"  # or "1600x900"
    height_px: int = 720  # of the longer side's partner: 720 gives 1280x720 and 720x1280
    main: str = ""  # camera in the large pane; empty: the first
    corner: Corner = "top-right"
    inset: float = 0.3  # width of the inset over the width of the film
    fit: Literal["fill", "fit"] = "fill"
    background: str = "#0e1216"
    accent: str = "#7fd6a4"
    gap_px: int = 12
    fps: Fraction = Fraction(30)
    seconds: float = 0.0  # length of the pictures' part; 0: one film frame a shot
    first_s: float = 0.0  # the first picture stands this long
    last_s: float = 1.5
    ease: float = 0.0  # 0 to 0.9: how much slower the first layers go
    loop: bool = False  # forward and back
    between: Literal["cut", "fade"] = "cut"
    gap: Literal["hold", "blend"] = "hold"
    overlay: tuple[str, ...] = OVERLAYS[:6]
    title: str = ""
    title_s: float = 0.0
    end_s: float = 0.0
    font: str = ""  # a TTF or OTF file; empty: the fonts that come along
    fine: bool = False  # Lanczos resampling
    codec: Literal["auto", "h264", "h265", "vp9", "av1"] = "auto"  # auto: by the file's suffix
    quality: int = 18  # as H.264 counts: 0 the best, 18 as good as the source, 30 small
    careful: bool = False  # H.264 at a slower, smaller setting


@dataclass(frozen=True, slots=True, kw_only=True)
class CameraFilming:
    """How the frames of one camera are treated."""

    hold: Literal["auto", "surroundings", "print", "off"] = "auto"
    model: Literal["shift", "rotation", "scale"] = "scale"
    light: Literal["constant", "flicker", "off"] = "constant"
    crop: Box | Literal["auto"] = "auto"  # x, y, width, height as shares of the upright picture
    focus: tuple[float, float] = (0.5, 0.5)  # what filling a pane keeps, as shares
    region: Box | None = None  # only here is the picture compared
    ignore: tuple[Box, ...] = ()  # never here: the nozzle in its own picture
    label: str = ""  # empty: the camera's name
    straighten: bool = True  # take the lens's distortion out


def read_filming(table: Table | None) -> Filming:
    """Return the checked ``[film]`` table."""
    if table is None:
        return Filming()
    standard = Filming()
    filming = Filming(
        layout=table.choice("layout", standard.layout, ("inset", "side", "stack", "single", "story")),
        shape=table.parsed("shape", standard.shape, read_shape),
        height_px=table.whole("height_px", standard.height_px, low=96, high=4320),
        main=table.text("main", standard.main),
        corner=table.choice(
            "corner", standard.corner, ("top-left", "top-right", "bottom-left", "bottom-right")
        ),
        inset=table.number("inset", standard.inset, low=0.1, high=0.6),
        fit=table.choice("fit", standard.fit, ("fill", "fit")),
        background=table.parsed("background", standard.background, read_colour),
        accent=table.parsed("accent", standard.accent, read_colour),
        gap_px=table.whole("gap_px", standard.gap_px, low=0, high=200),
        fps=table.parsed("fps", standard.fps, read_rate),
        seconds=table.number("seconds", standard.seconds, low=0, high=3600),
        first_s=table.number("first_s", standard.first_s, low=0, high=60),
        last_s=table.number("last_s", standard.last_s, low=0, high=60),
        ease=table.number("ease", standard.ease, low=0, high=0.9),
        loop=table.flag("loop", standard.loop),
        between=table.choice("between", standard.between, ("cut", "fade")),
        gap=table.choice("gap", standard.gap, ("hold", "blend")),
        overlay=table.parsed("overlay", list(standard.overlay), read_overlay),
        title=table.text("title", standard.title),
        title_s=table.number("title_s", standard.title_s, low=0, high=60),
        end_s=table.number("end_s", standard.end_s, low=0, high=60),
        font=table.text("font", standard.font),
        fine=table.flag("fine", standard.fine),
        codec=table.choice("codec", standard.codec, ("auto", "h264", "h265", "vp9", "av1")),
        quality=table.whole("quality", standard.quality, low=0, high=48),
        careful=table.flag("careful", standard.careful),
    )
    table.close()
    return filming


def read_camera_filming(table: Table | None) -> CameraFilming:
    """Return the checked ``film`` table of a camera."""
    if table is None:
        return CameraFilming()
    standard = CameraFilming()
    focus = table.point("focus", list(standard.focus), 2)
    assert focus is not None
    if not all(0 <= share <= 1 for share in focus):
        table.fail("focus", "a focus lies in the picture", "write two shares from 0 to 1, such as [0.5, 0.6]")
    filming = CameraFilming(
        hold=table.choice("hold", standard.hold, ("auto", "surroundings", "print", "off")),
        model=table.choice("model", standard.model, ("shift", "rotation", "scale")),
        light=table.choice("light", standard.light, ("constant", "flicker", "off")),
        crop=table.parsed("crop", standard.crop, lambda value: "auto" if value == "auto" else _box(value)),
        focus=(focus[0], focus[1]),
        region=table.parsed("region", None, _box),
        ignore=table.parsed("ignore", [], _boxes),
        label=table.text("label", standard.label),
        straighten=table.flag("straighten", standard.straighten),
    )
    table.close()
    return filming


def film_size(filming: Filming) -> tuple[int, int]:
    """Return width and height in pixels, both even as 4:2:0 colour needs them."""
    if found := _SIZE.fullmatch(filming.shape):
        width, height = int(found[1]), int(found[2])
    else:
        across, down = SHAPES[filming.shape]
        unit = filming.height_px / min(across, down)
        width, height = round(across * unit), round(down * unit)
    return width // 2 * 2, height // 2 * 2


def read_shape(value: Any) -> str:
    """Return a checked shape: "16:9" and its like, or a size such as "1600x900"."""
    if isinstance(value, str) and value in SHAPES:
        return value
    found = _SIZE.fullmatch(value) if isinstance(value, str) else None
    if found and all(96 <= int(side) <= 7680 for side in found.groups()):
        return str(value)
    raise ValueError(
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
        raise ValueError(f"{value!r} is no frame rate", 'write 30, 25 or "30000/1001"') from None
    if not 1 <= rate <= 240:
        raise ValueError(f"{value} frames a second is out of range", "write a rate from 1 to 240")
    return rate


def read_overlay(value: Any) -> tuple[str, ...]:
    """Return what is drawn over the pictures: "all", "none", or a list of names."""
    if value in ("none", "all"):
        return OVERLAYS if value == "all" else ()
    names = value.split(",") if isinstance(value, str) else value
    if not isinstance(names, list | tuple) or not all(name in OVERLAYS for name in names):
        raise ValueError(
            f"{value!r} is no overlay", f'write "all", "none", or a list out of {", ".join(OVERLAYS)}'
        )
    return tuple(names)


def read_colour(value: Any) -> str:
    """Return a checked colour such as "#0e1216"."""
    if isinstance(value, str) and _COLOUR.fullmatch(value):
        return value
    raise ValueError(f"{value!r} is no colour", 'write six hex digits, such as "#0e1216"')


def _box(value: Any) -> Box | None:
    if value is None:
        return None
    parts = value if isinstance(value, list | tuple) else ()
    numbers = [part for part in parts if isinstance(part, int | float) and not isinstance(part, bool)]
    if (
        len(numbers) != 4
        or len(parts) != 4
        or min(numbers) < 0
        or min(numbers[2:]) <= 0
        or numbers[0] + numbers[2] > 1 + 1e-9
        or numbers[1] + numbers[3] > 1 + 1e-9
    ):
        raise ValueError(
            f"{value!r} is no part of a picture", "write [x, y, width, height] as shares from 0 to 1"
        )
    return (float(numbers[0]), float(numbers[1]), float(numbers[2]), float(numbers[3]))


def _boxes(value: Any) -> tuple[Box, ...]:
    if not isinstance(value, list | tuple):
        raise ValueError(f"{value!r} is no list of boxes", "write [[x, y, width, height]]")
    return tuple(box for box in map(_box, value) if box is not None)
