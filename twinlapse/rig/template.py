"""A rig file written from a few answers; every line carries its key's own sentence."""

from __future__ import annotations

import math
import re
import tomllib
from collections.abc import Mapping
from dataclasses import MISSING, dataclass, fields
from typing import Any, get_args, get_type_hints

from twinlapse.optics.pose import pose_on_mount
from twinlapse.rig.camera import Camera
from twinlapse.rig.housing_check import reach_mm
from twinlapse.rig.model import Rig
from twinlapse.rig.printer import Printer
from twinlapse.rig.reader import rig_from_mapping
from twinlapse.rig.reference import sections
from twinlapse.rig.schema import Key, declared, default_of, key_name, toml_value

__all__ = ["QUESTIONS", "SIDES", "Question", "checked_answer", "every_key_text", "read_back", "rig_text"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Question:
    """One question, its standard answer and what may be answered."""

    key: str
    text: str
    default: Any
    options: tuple[str, ...] = ()
    size: int = 1  # numbers in the answer
    only_if: tuple[str, Any] | None = None

    @property
    def default_text(self) -> str:
        """The standard answer as a person would type it."""
        if isinstance(self.default, bool):
            return "yes" if self.default else "no"
        if isinstance(self.default, tuple):
            return " ".join(f"{number:g}" for number in self.default)
        return f"{self.default:g}" if isinstance(self.default, float) else str(self.default)

    def applies(self, answers: Mapping[str, Any]) -> bool:
        """Return whether it must be asked after these answers."""
        return self.only_if is None or answers.get(self.only_if[0]) == self.only_if[1]


def _of_schema(record: type, key: str, text: str) -> Question:
    """Return a question whose default and options are those of a key of the rig file."""
    item = next(item for item in fields(record) if item.name == key)
    options = get_args(get_type_hints(record)[key])
    return Question(key=key, text=text, default=default_of(item), options=options)


# straight beside the nozzle a camera surveys three times as much of a layer at once as from a corner; 28 mm
# away and 34 mm up it looks down at about 57 degrees (common practice, no source)
SIDES: dict[str, tuple[int, int]] = {"front": (0, -1), "back": (0, 1), "left": (-1, 0), "right": (1, 0)}
_LOOK_SHARE = 6 / 28  # of the way to the camera: it aims before the tip, which hides what is behind it
QUESTIONS = (
    Question(key="bed_mm", text="Bed: width and depth in mm", default=(220.0, 220.0), size=2),
    Question(key="height_mm", text="Height that can be printed, in mm", default=250.0),
    _of_schema(
        Printer,
        "kinematics",
        "What moves the bed: bed-moves-y (it slides), bed-moves-z (it sinks), bed-fixed (nothing does)",
    ),
    _of_schema(Printer, "bed_shape", "Shape of the bed: rectangle or round"),
    _of_schema(Printer, "origin", "Where X0 Y0 is: corner or center of the bed"),
    _of_schema(Printer, "firmware", "Firmware: marlin, klipper or reprapfirmware"),
    _of_schema(Printer, "nozzle_mm", "Nozzle diameter in mm"),
    Question(key="wide", text="Is there a camera that sees the whole print (yes or no)", default=True),
    Question(
        key="wide_source",
        text="Its source (http://..., v4l2:/dev/v4l/by-path/..., rtsp://..., folder:...)",
        default="http://camera.local/stream",
        only_if=("wide", True),
    ),
    Question(
        key="wide_px",
        text="Its picture: width and height in pixels",
        default=(1280.0, 720.0),
        size=2,
        only_if=("wide", True),
    ),
    Question(
        key="wide_deg", text="The angle in degrees across its picture", default=75.0, only_if=("wide", True)
    ),
    Question(key="nozzle", text="Is there a camera that rides with the nozzle (yes or no)", default=True),
    Question(
        key="nozzle_source",
        text="Its source",
        default="v4l2:/dev/v4l/by-path/nozzle-camera",
        only_if=("nozzle", True),
    ),
    Question(
        key="nozzle_px",
        text="Its picture: width and height in pixels",
        default=(640.0, 480.0),
        size=2,
        only_if=("nozzle", True),
    ),
    Question(
        key="nozzle_deg",
        text="The angle in degrees across its picture",
        default=60.0,
        only_if=("nozzle", True),
    ),
    Question(
        key="nozzle_side",
        text="Where it sits, seen from the nozzle: front, back, left or right",
        default="front",
        options=tuple(SIDES),
        only_if=("nozzle", True),
    ),
    Question(
        key="nozzle_at_mm",
        text="How far beside the tip its lens is, and how high above it, in mm",
        default=(28.0, 34.0),
        size=2,
        only_if=("nozzle", True),
    ),
    Question(
        key="nozzle_body_mm", text="Diameter of its housing in mm", default=8.0, only_if=("nozzle", True)
    ),
)


_TIMES = re.compile(r"(?<=\d)\s*[xX\u00d7]\s*(?=\d)")  # 1280x720


def checked_answer(question: Question, text: str) -> Any:
    """Return what an answer means.

    Raises
    ------
    ValueError
        when it is none of the options, or not so many numbers.
    """
    words = _TIMES.sub(" ", str(text).replace(",", " ")).split()
    if isinstance(question.default, bool):
        if text.strip().lower() not in ("yes", "no", "y", "n"):
            raise ValueError("answer yes or no")
        return text.strip().lower().startswith("y")
    if question.options:
        if text.strip() not in question.options:
            raise ValueError(f"answer one of {', '.join(question.options)}")
        return text.strip()
    if isinstance(question.default, str):
        return text.strip()
    try:
        numbers = tuple(float(word) for word in words)
    except ValueError:
        raise ValueError("answer with numbers") from None
    if len(numbers) != question.size or min(numbers) <= 0:
        raise ValueError(f"answer with {question.size} number{'s' if question.size > 1 else ''} above 0")
    return numbers if question.size > 1 else numbers[0]


def rig_text(answers: Mapping[str, Any]) -> str:
    """Return the text of a rig file; it reads back without a fault.

    Raises
    ------
    RigError
        when the answers make no rig: no camera at all, say.
    """
    given = {question.key: question.default for question in QUESTIONS} | dict(answers)
    text = _assembled(given, radius_mm=40)
    rig = read_back(text)
    last = rig.cameras[-1]
    if last.mount == "toolhead":  # the camera is part of the toolhead: objects beside must clear it too
        reach = math.ceil(reach_mm(last, pose_on_mount(last, rig.printer)))
        text = _assembled(given, radius_mm=max(40, reach))
    return text


def read_back(text: str) -> Rig:
    """Return the rig that a text describes."""
    return rig_from_mapping(tomllib.loads(text), text=text)


def every_key_text() -> str:
    """Return a rig file with every key there is; those that may be left out stand in comments."""
    parts = [_HEAD]
    for name, record in sections().items():
        many = name in ("camera", "printer.keep_out")
        title = f"[[{name}]]" if many else f"[{name}]"
        needed = [key for item, key in declared(record) if default_of(item) is MISSING]
        optional = "." in name and (many or not needed)
        parts.append(f"\n{'# ' if optional else ''}{title}\n")
        for item, key in declared(record):
            if key.record is None:
                written = default_of(item) is MISSING and not optional
                default = default_of(item)
                plain = default in (MISSING, None, (), "") or default == math.inf
                value = key.example if plain and key.example else "" if plain else toml_value(default)
                parts.append(_line(key_name(item), value or '""', key, commented=not written))
    return "".join(parts)


def _assembled(answers: Mapping[str, Any], radius_mm: int) -> str:
    toolhead = {"radius_mm": radius_mm, "height_mm": 40, "gantry_mm": 60}
    names = ("bed_mm", "height_mm", "kinematics", "bed_shape", "origin", "firmware", "nozzle_mm")
    printer = {name: answers[name] for name in names} | {
        "travel_mm_s": 150,
        "accel_mm_s2": 1500,
        "toolhead": toolhead,
    }
    text = _HEAD + "\n[printer]\n" + _lines(Printer, printer, ("keep_out",))
    if answers["wide"]:
        wide = {
            "name": "wide",
            "mount": "frame",
            "source": answers["wide_source"],
            "stance": "clear",
            "lens": _lens(answers["wide_px"], answers["wide_deg"]),
        }
        text += "\n[[camera]]\n" + _lines(Camera, wide, ("every", "place_mm", "look_mm", "park_mm"))
    if answers["nozzle"]:
        x, y = SIDES[answers["nozzle_side"]]
        away, up = answers["nozzle_at_mm"]
        nozzle = {
            "name": "nozzle",
            "mount": "toolhead",
            "source": answers["nozzle_source"],
            "stance": "over",
            "lens": _lens(answers["nozzle_px"], answers["nozzle_deg"]),
            "body_mm": (answers["nozzle_body_mm"], 40),
            "place_mm": (x * away, y * away, up),
            "look_mm": (round(x * away * _LOOK_SHARE, 1), round(y * away * _LOOK_SHARE, 1), 0),
        }
        text += "\n[[camera]]\n" + _lines(Camera, nozzle, ("every",))
    return text


def _lens(size_px: tuple[float, float], across_deg: float) -> dict[str, float]:
    return {"width_px": size_px[0], "height_px": size_px[1], "across_deg": across_deg}


def _lines(record: type, values: Mapping[str, Any], shown: tuple[str, ...]) -> str:
    """Return the lines of a section: `values` as they are, and the keys `shown` as examples in comments."""
    keys = {key_name(item): key for item, key in declared(record)}
    defaults = {key_name(item): default_of(item) for item, _ in declared(record)}
    examples = {name: keys[name].example or toml_value(defaults[name]) for name in shown}
    return "".join(_line(name, toml_value(value), keys[name]) for name, value in values.items()) + "".join(
        _line(name, value, keys[name], commented=True) for name, value in examples.items()
    )


def _line(name: str, value: str, key: Key, *, commented: bool = False) -> str:
    written = f"{'# ' if commented else ''}{name} = {value}"
    plain = re.sub("`", "", key.sentence)
    choices = re.sub("`", "", key.values) if key.values.startswith('`"') else ""
    remark = f"{plain} ({choices})" if choices and len(choices) < 60 else plain
    return f"{written:<38} # {remark}\n"


_HEAD = """\
# The printer and its cameras. The end of a name is its unit: mm, s, deg (degrees), px (pixels).
# Every key and its meaning: twinlapse rig keys. Check this file with: twinlapse rig check
"""
