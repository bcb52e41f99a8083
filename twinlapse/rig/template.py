"""A rig file written from a few answers, every line explained."""

from __future__ import annotations

import math
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from twinlapse.optics.pose import pose_on_mount
from twinlapse.rig.checking import reach_mm
from twinlapse.rig.model import Rig
from twinlapse.rig.reader import rig_from_mapping


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


QUESTIONS = (
    Question(key="bed_mm", text="Width and depth of the bed in mm", default=(220.0, 220.0), size=2),
    Question(key="height_mm", text="Height of the build volume in mm", default=250.0),
    Question(
        key="kinematics",
        text="What moves the bed: bed-moves-y (it slides), bed-moves-z (it sinks), bed-fixed (nothing does)",
        default="bed-moves-y",
        options=("bed-moves-y", "bed-moves-z", "bed-fixed"),
    ),
    Question(
        key="bed_shape",
        text="Shape of the bed: rectangle or round",
        default="rectangle",
        options=("rectangle", "round"),
    ),
    Question(
        key="origin",
        text="Where X0 Y0 is: corner or center of the bed",
        default="corner",
        options=("corner", "center"),
    ),
    Question(
        key="firmware",
        text="Firmware: marlin, klipper or reprapfirmware",
        default="marlin",
        options=("marlin", "klipper", "reprapfirmware"),
    ),
    Question(key="nozzle_mm", text="Diameter of the nozzle in mm", default=0.4),
    Question(key="wide", text="Is there a camera that sees the whole print (yes or no)", default=True),
    Question(
        key="wide_source",
        text="Its source (http://..., v4l2:/dev/v4l/by-path/..., rtsp://..., folder:...)",
        default="http://127.0.0.1:8081/stream",
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
        key="nozzle_body_mm", text="Diameter of its housing in mm", default=8.0, only_if=("nozzle", True)
    ),
)


def checked_answer(question: Question, text: str) -> Any:
    """Return what an answer means.

    Raises
    ------
    ValueError
        when it is none of the options, or not so many numbers.
    """
    words = str(text).replace(",", " ").replace(" x ", " ").split()
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
    if last.mount == "head":  # the camera is part of the head: objects beside must clear it too
        reach = math.ceil(reach_mm(last, pose_on_mount(last, rig.printer)))
        text = _assembled(given, radius_mm=max(40, reach))
    return text


def _assembled(answers: Mapping[str, Any], radius_mm: int) -> str:
    words = _quoted(answers) | {"radius_mm": str(radius_mm)}
    cameras = [text for name, text in (("wide", _WIDE), ("nozzle", _NOZZLE)) if answers[name]]
    return "".join(text.format(**words) for text in (_PRINTER, *cameras))


def read_back(text: str) -> Rig:
    """Return the rig that a text describes."""
    return rig_from_mapping(tomllib.loads(text), text=text)


def _quoted(answers: Mapping[str, Any]) -> dict[str, str]:
    return {key: _toml(value) for key, value in answers.items()} | {
        f"{name}_{side}": f"{answers[f'{name}_px'][index]:.0f}"
        for name in ("wide", "nozzle")
        for index, side in enumerate(("width", "height"))
    }


def _toml(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, tuple):
        return "[" + ", ".join(_toml(item) for item in value) + "]"
    if isinstance(value, float):
        return f"{value:g}"
    escaped = str(value).replace("\\", "\\\\").replace('"', '\\"')
    return '"' + "".join(c if c.isprintable() else f"\\u{ord(c):04x}" for c in escaped) + '"'


_PRINTER = """\
# The printer and its cameras. Lengths in mm, times in s, angles in degrees.
# Every key and its meaning: docs/rig.md. Check it with: twinlapse rig check rig.toml

[printer]
bed_mm = {bed_mm}
height_mm = {height_mm}
kinematics = {kinematics}    # "bed-moves-y", "bed-moves-z", "bed-fixed"
bed_shape = {bed_shape}
origin = {origin}            # where X0 Y0 is
firmware = {firmware}        # decides how shots are written
nozzle_mm = {nozzle_mm}
travel_mm_s = 150                # speed on the way to a shot and back
accel_mm_s2 = 1500
# what must not touch a finished object: seen from above, from the nozzle's tip upward
head = {{ radius_mm = {radius_mm}, height_mm = 40, gantry_mm = 60 }}
# keep_out = [{{ x_mm = [0, 20], y_mm = [200, 220], z_mm = 12 }}]   # a clip, a wiper
"""

_WIDE = """
[[camera]]
name = "wide"
mount = "frame"                  # bolted to "frame", "head", "gantry" or "bed"
source = {wide_source}
stance = "clear"                 # the head goes aside, the bed to one place
every = "layer"                  # or {{ layers = 3 }}, {{ mm = 0.6 }}, {{ s = 45 }}
lens = {{ width_px = {wide_width}, height_px = {wide_height}, across_deg = {wide_deg} }}
# place_mm = [20, -180, 220]     # where its lens is; left out: far enough to see all
# look_mm = [110, 110, 20]       # a point in the middle of its picture
# park_mm = [5, 215]             # where the nozzle goes meanwhile; left out: chosen
"""

_NOZZLE = """
[[camera]]
name = "nozzle"
mount = "head"
source = {nozzle_source}
stance = "over"                  # over one point of the print; "tour": along its outline; "last": no move
every = "layer"
lens = {{ width_px = {nozzle_width}, height_px = {nozzle_height}, across_deg = {nozzle_deg} }}
body_mm = [{nozzle_body_mm}, 40] # diameter and length of the housing
place_mm = [23, -19, 25]         # where its lens is, from the nozzle's tip; measure it, or use rig aim
look_mm = [0, 0, 0]              # it looks at the tip
"""
