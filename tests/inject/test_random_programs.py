"""Random programs with random plans: the proof holds, and taking the shots out gives the source back."""

from __future__ import annotations

import tempfile
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from twinlapse.inject import inject_file, remove_shots

pytestmark = pytest.mark.usefixtures("both_ways")

FIRMWARES = ("marlin", "klipper", "reprapfirmware")


@dataclass
class Writer:
    """Writes a small print in one of the many ways of writing it."""

    inch: bool
    relative_xyz: bool
    relative_e: bool
    volumetric: bool
    firmware_retraction: bool
    hop: bool
    lines: list[str] = field(default_factory=list)
    moments: list[int] = field(default_factory=list)
    at: dict[str, float] = field(default_factory=lambda: {"X": 0.0, "Y": 0.0, "Z": 0.0, "E": 0.0})

    def say(self, line: str) -> None:
        self.lines.append(line)

    def word(self, axis: str, value: float) -> str:
        """Write a word so that the axis ends at `value`, in the file's own unit."""
        digits = 5 if axis == "E" or self.inch else 3
        relative = self.relative_e if axis == "E" else self.relative_xyz
        said = round(value - self.at[axis] if relative else value, digits)
        self.at[axis] = round(self.at[axis] + said, digits) if relative else said
        return f"{axis}{said:.{digits}f}"

    def unit(self, value_mm: float) -> float:
        return value_mm / 25.4 if self.inch else value_mm

    def filament(self, value_mm: float) -> float:
        return self.unit(value_mm) * (2.405281875 if self.volumetric else 1.0)  # 1.75 mm across

    def feed(self, speed_mm_s: float) -> str:
        return f"F{self.unit(speed_mm_s * 60):.3f}"

    def move(
        self,
        *,
        x: float | None = None,
        y: float | None = None,
        z: float | None = None,
        e: float = 0.0,
        speed: float = 50.0,
        command: str = "G1",
        tail: str = "",
    ) -> None:
        words = [
            self.word(axis, self.unit(value))
            for axis, value in zip("XYZ", (x, y, z), strict=True)
            if value is not None
        ]
        if e:
            words.append(self.word("E", self.at["E"] + self.filament(e)))
        self.say(" ".join([command, *words, self.feed(speed)]) + tail)

    def arc(self, radius: float, *, clockwise: bool) -> None:
        """Half a turn from here along X, feeding."""
        r = round(self.unit(radius), 4)
        words = [self.word("X", self.at["X"] + 2 * r), self.word("Y", self.at["Y"]), f"I{r:.4f}", "J0"]
        fed = self.word("E", self.at["E"] + self.filament(0.4))
        self.say(" ".join(["G2" if clockwise else "G3", *words, fed]))

    def pull(self) -> None:
        if self.firmware_retraction:
            self.say("G10")
        else:
            self.move(e=-1.5, speed=40)

    def prime(self) -> None:
        if self.firmware_retraction:
            self.say("G11")
        else:
            self.move(e=1.5, speed=40)

    def moment(self) -> None:
        self.moments.append(len(self.lines))


POINT = st.tuples(st.integers(0, 25).map(lambda k: 60 + 4 * k + 0.123), st.floats(60, 160))


@st.composite
def prints(draw: st.DrawFn) -> tuple[Writer, str, str, bool]:
    """Draw a print, the firmware it is for, its line ends and whether the last line has one."""
    firmware = draw(st.sampled_from(FIRMWARES))
    pen = Writer(
        inch=draw(st.booleans()) and firmware != "klipper",  # which stops the print at G20
        relative_xyz=draw(st.booleans()),
        relative_e=draw(st.booleans()),
        volumetric=draw(st.booleans()) and firmware == "marlin",
        firmware_retraction=draw(st.booleans()),
        hop=draw(st.booleans()),
    )
    for line in ("; a pot for seedlings", "M109 S200", "G28", "G20" if pen.inch else "G21", "G90"):
        pen.say(line)
    pen.say("G91" if pen.relative_xyz else "G90")
    pen.say("M83" if pen.relative_e else "M82")
    if pen.volumetric:
        pen.say("M200 D1.75")
    pen.say("G92 E0")
    if draw(st.booleans()):
        pen.say(f"M204 S{draw(st.integers(500, 3000))}")
    pen.move(x=80, y=80, z=0.3)
    if draw(st.booleans()):  # the origin of X and Y is moved once
        pen.say("G92 X1 Y2")
        pen.at["X"], pen.at["Y"] = 1.0, 2.0
        shift = (80 - (25.4 if pen.inch else 1.0), 80 - (50.8 if pen.inch else 2.0))
    else:
        shift = (0.0, 0.0)
    pen.pull()
    z = 0.3
    for _ in range(draw(st.integers(2, 4))):
        for path in draw(st.lists(st.lists(POINT, min_size=2, max_size=4), min_size=1, max_size=3)):
            places = [(x - shift[0] + 5 * (k % 2), y - shift[1]) for k, (x, y) in enumerate(path)]
            pen.moment()
            if pen.hop:
                pen.move(z=z + 0.4, speed=10)
            pen.move(x=places[0][0], y=places[0][1], command="G0", speed=120)
            if pen.hop:
                pen.move(z=z, speed=10)
            pen.moment()
            pen.prime()
            for x, y in places[1:]:
                pen.move(x=x, y=y, e=draw(st.floats(0.05, 3.0)), speed=draw(st.integers(10, 90)))
            if draw(st.booleans()) and not (firmware == "klipper" and pen.relative_xyz):
                pen.arc(draw(st.floats(0.5, 6.0)), clockwise=draw(st.booleans()))
            if draw(st.booleans()):
                pen.say("M106 S128")
            end = draw(st.sampled_from(("plain", "coast", "wipe")))
            here = pen.at["X"] * (25.4 if pen.inch else 1.0)
            if end == "coast":  # the rest of the path without feeding
                pen.move(x=here + 0.7, speed=40)
            if end == "wipe":
                pen.move(x=here + 0.7, e=-0.3, speed=40)
            else:
                pen.moment()  # not pulled back yet
            pen.pull()
            if end == "wipe":
                pen.move(e=0.3, speed=40)
            if draw(st.booleans()):
                pen.say("G92 E0")
                pen.at["E"] = 0.0
        z = round(z + draw(st.sampled_from((0.1, 0.2, 0.3))), 3)
        pen.move(z=z, speed=10)
    pen.say("M104 S0")
    pen.moment()
    return pen, firmware, draw(st.sampled_from(("\n", "\r\n"))), draw(st.booleans())


@settings(
    max_examples=50,
    phases=[Phase.generate],
    deadline=None,
    derandomize=True,
    suppress_health_check=list(HealthCheck),
    database=None,
)
@given(drawn=prints(), data=st.data())
def test_random_print_is_proven_and_comes_back(
    drawn: tuple[Writer, str, str, bool], data: st.DataObject, shots_at: Callable[..., Any]
) -> None:
    pen, firmware, eol, ends = drawn
    lines = sorted(data.draw(st.sets(st.sampled_from(pen.moments), min_size=1, max_size=6)))
    with tempfile.TemporaryDirectory() as folder:
        source, out, back = (Path(folder) / name for name in ("a.gcode", "b.gcode", "c.gcode"))
        source.write_bytes((eol.join(pen.lines) + (eol if ends else "")).encode())
        toolpath, plan = shots_at(source, lines, firmware=firmware)
        report = inject_file(source, plan, out, toolpath=toolpath)
        assert report.shots == len(lines)
        assert remove_shots(out, back).exact
        assert back.read_bytes() == source.read_bytes()
