"""Small prints to attack: walls, arcs, helices, slopes, objects one after the other, three kinematics.

They are printed in layers of 1 mm, so that a few hundred lines are as high as a toolhead.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

TOOLHEAD = {
    "radius_mm": 12.0,
    "nozzle_radius_mm": 3.0,
    "nozzle_length_mm": 4.0,
    "gantry_mm": 40.0,
    "height_mm": 40.0,
}


@dataclass(frozen=True)
class Print:
    """A program and the machine that it is for."""

    name: str
    lines: list[str]
    firmware: str
    kinematics: str
    printer: dict[str, Any] = field(default_factory=dict)
    every: tuple[int, int] = (4, 6)  # layers, of the camera on the frame and of that on the toolhead

    @property
    def rig(self) -> dict[str, Any]:
        """The rig as it is written down."""
        printer = {
            "bed_mm": [120, 120], "height_mm": 120, "firmware": self.firmware, "kinematics": self.kinematics,
            "toolhead": TOOLHEAD, "retract_mm": 1.0, **self.printer,
        }  # fmt: skip
        wide = {
            "name": "wide",
            "mount": "frame",
            "settle_s": 0.2,
            "dwell_s": 0.5,
            "every": {"layers": self.every[0]},
        }
        nozzle = {
            "name": "nozzle",
            "mount": "toolhead",
            "settle_s": 0.2,
            "dwell_s": 0.5,
            "every": {"layers": self.every[1]},
        }
        return {"printer": printer, "camera": [wide, nozzle]}


def layers(count: int, *paths: tuple[str, ...], first: int = 0) -> list[str]:
    """Layers of 1 mm; of each path the first move is a travel, and it ends pulled back."""
    lines = []
    for z in range(1, count + 1):
        lines += [f";LAYER:{first + z - 1}", f"G0 Z{z} F600"]
        for travel, *laid in paths:
            lines += [travel, "G1 E1 F1800", *laid, "G1 E-1 F1800"]
    return lines


def square(x: float, y: float, side: float) -> tuple[str, ...]:
    """The outline of a square."""
    return (
        f"G0 X{x:g} Y{y:g} F6000", f"G1 X{x + side:g} E1 F1800", f"G1 Y{y + side:g} E1", f"G1 X{x:g} E1",
        f"G1 Y{y:g} E1",
    )  # fmt: skip


def started(lines: list[str], *, unit: str = "G21") -> list[str]:
    """A whole program."""
    return [
        "G28",
        "M109 S200",
        unit,
        "G90",
        "M83",
        "G1 F1800",
        "G1 E-1",
        *lines,
        ";end",
        "M104 S0",
        "G0 X1 Y1",
    ]


def ring(x: float, y: float, r: float, turn: str = "G2") -> tuple[str, ...]:
    """A full circle that begins at its left."""
    return (f"G0 X{x - r:g} Y{y:g} F6000", f"{turn} X{x - r:g} Y{y:g} I{r:g} J0 E5 F1800")


def halves(x: float, y: float, r: float) -> tuple[str, ...]:
    """A circle of two halves by radius."""
    return (
        f"G0 X{x - r:g} Y{y:g} F6000", f"G3 X{x + r:g} Y{y:g} R{r:g} E3 F1800",
        f"G3 X{x - r:g} Y{y:g} R{r:g} E3",
    )  # fmt: skip


def helix() -> list[str]:
    """A vase of one helix; it is marked as layers so that shots have a place."""
    lines = []
    for z in range(1, 25):
        lines += [f";LAYER:{z - 1}", "G0 X20 Y60 F6000", "G1 E1 F1800"]
        lines += [f"G3 X20 Y60 Z{z} I15 J0 E5 F1800", "G1 E-1 F1800"]
    return ["G0 Z0.2 F600", *lines]


def slopes(up: bool) -> list[str]:
    """Two strokes a layer that fall, or rise, along their way, the higher end in the middle of the bed."""
    lines = []
    for z in range(1, 16):
        first, last = (f"X15 Y60 Z{z}", f"X55 Y60 Z{2 * z}")
        if not up:
            first, last = last, first
        lines += [
            f";LAYER:{z - 1}", f"G0 Z{2 * z:g} F600", f"G0 {first[:-len(first.split()[-1])]}F6000",
            f"G0 {first.split()[-1]} F600", "G1 E1 F1800", f"G1 {last} E4 F1800", "G1 E-1 F1800",
            f"G0 Z{2 * z:g} F600",
        ]  # fmt: skip
    return lines


def arches() -> list[str]:
    """Arches along X, one beside the other, on a plate."""
    lines = layers(2, square(15, 50, 40))
    for k in range(5):
        lines += [
            f";LAYER:{k + 2}", "G0 Z32 F600", f"G0 X15 Y{52 + 3 * k} F6000", "G0 Z2 F600", "G18",
            "G1 E1 F1800", f"G3 X55 Y{52 + 3 * k} Z2 I20 K0 E5 F1800", "G1 E-1 F1800", "G17", "G0 Z32 F600",
        ]  # fmt: skip
    return lines


def in_inches(lines: list[str]) -> list[str]:
    """The same program in inches."""
    out = []
    for line in lines:
        words = line.split()
        if words and words[0] in ("G0", "G1", "G2", "G3"):
            said = [words[0]]
            said += [f"{w[0]}{float(w[1:]) / 25.4:.5f}" for w in words[1:]]
            line = " ".join(said)
        out.append("G20" if line == "G21" else line)
    return out


def relative(lines: list[str]) -> list[str]:
    """The same program in steps, after its first move."""
    at = {"X": 0.0, "Y": 0.0, "Z": 0.0}
    out: list[str] = []
    for line in lines:
        words = line.split()
        if words and words[0] in ("G0", "G1"):
            said = [words[0]]
            for w in words[1:]:
                if w[0] in at:
                    said.append(f"{w[0]}{float(w[1:]) - at[w[0]]:.4g}")
                    at[w[0]] = float(w[1:])
                else:
                    said.append(w)
            line = " ".join(said)
        out.append("G91" if line == "G90" else line)
    return out


def then_square(lines: list[str], top: int) -> list[str]:
    """A print, and a low square beside it that is printed when it is done: shots then pass it at its foot."""
    down = [f"G0 Z{top + 2} F600", "G0 X90 Y55 F6000", ";MESH:square"]
    return [";MESH:tall", *lines, *down, *layers(12, square(90, 55, 10))]


def one_at_a_time(*towers: tuple[float, float, int]) -> list[str]:
    """Towers one after the other; each place has the height of its tower."""
    lines = []
    for k, (x, y, height) in enumerate(towers):
        if k:
            lines += [f"G0 Z{max(t[2] for t in towers[:k]) + 2} F600", f"G0 X{x:g} Y{y:g} F6000"]
        lines += [f";MESH:tower {k + 1}", *layers(height, square(x, y, 10))]
    return lines


def beside_posts(x: float, y: float, *posts: tuple[float, float]) -> list[str]:
    """A low square printed after posts that are higher than the gantry: all its shots must mind them."""
    lines = []
    for k, post in enumerate(posts):
        lines += [f"G0 Z{72 if k else 2} F600", f"G0 X{post[0]:g} Y{post[1]:g} F6000", f";MESH:post {k + 1}"]
        for n, z in enumerate((1, 35, 70)):
            travel, *laid = square(*post, 6)
            lines += [f";LAYER:{n}", f"G0 Z{z} F600", travel, "G1 E1 F1800", *laid, "G1 E-1 F1800"]
    return [*lines, "G0 Z72 F600", f"G0 X{x:g} Y{y:g} F6000", ";MESH:low", *layers(16, square(x, y, 10))]


def numbered(*objects: list[str]) -> list[str]:
    """Objects that only M486 tells apart: behind one the next begins."""
    return [line for k, lines in enumerate(objects) for line in (f"M486 S{k}", *lines)]


def in_turn(count: int, *places: tuple[float, float]) -> list[str]:
    """Layers of 1 mm, in each of them a square at every place, said by its number."""
    lines = []
    for z in range(1, count + 1):
        lines += [f";LAYER:{z - 1}"]
        for k, (x, y) in enumerate(places):
            travel, *laid = square(x, y, 14)
            lines += [f"M486 S{k}", f"G0 Z{z + 1} F600", travel, f"G0 Z{z} F600", "G1 E1 F1800", *laid]
            lines += ["G1 E-1 F1800"]
    return lines


def moved(lines: list[str], by: float) -> list[str]:
    """The same program with X and Y shifted."""

    def shift(word: str) -> str:
        return f"{word[0]}{float(word[1:]) + by:g}" if word[0] in "XY" else word

    return [
        " ".join(map(shift, line.split())) if line[:2] in ("G0", "G1", "G2", "G3") else line for line in lines
    ]


PRINTS = (
    Print("cube", started(layers(16, square(50, 50, 20))), "marlin", "bed-moves-y"),
    Print("ring", started(then_square(layers(24, ring(35, 60, 15)), 24)), "marlin", "bed-moves-z"),
    Print(
        "halves by radius", started(then_square(layers(24, halves(35, 60, 15)), 24)), "reprapfirmware",
        "bed-fixed",
    ),
    Print("helix", started(then_square(helix(), 24)), "klipper", "bed-moves-y"),
    Print("strokes that fall", started(then_square(slopes(False), 30)), "marlin", "bed-moves-y"),
    Print("strokes that rise", started(then_square(slopes(True), 30)), "reprapfirmware", "bed-moves-z"),
    Print("two towers", started(one_at_a_time((20, 55, 20), (80, 55, 20))), "marlin", "bed-fixed"),
    Print(
        "a tower above the gantry", started(one_at_a_time((20, 20, 50), (80, 80, 24))), "klipper",
        "bed-moves-z",
    ),
    Print(
        "low beside a post", started(beside_posts(75, 88, (20, 62))), "klipper", "bed-moves-z", every=(2, 3)
    ),
    Print(
        "low in the row of one of two posts", started(beside_posts(75, 88, (20, 55), (20, 88))), "marlin",
        "bed-moves-y", every=(2, 3),
    ),
    Print("arches", started(then_square(arches(), 30)), "marlin", "bed-fixed"),
    Print(
        "in steps", relative(started(layers(16, square(50, 50, 20), square(80, 50, 10)))), "reprapfirmware",
        "bed-moves-y",
    ),
    Print(
        "in inches, origin in the middle",
        in_inches(started(moved(then_square(layers(20, ring(35, 60, 15)), 20), -60))),
        "marlin", "bed-moves-y", {"origin": "center"},
    ),
    Print("objects by number", started(in_turn(16, (20, 40), (60, 40), (60, 80))), "marlin", "bed-moves-y"),
    Print(
        "towers by number",
        started(
            numbered(
                [";MESH:tower 1", *layers(20, square(20, 55, 10))],
                ["G0 Z22 F600", "G0 X80 Y55 F6000", ";MESH:tower 2", *layers(20, square(80, 55, 10))],
                ["G0 Z22 F600", "G0 X80 Y20 F6000", ";MESH:tower 3", *layers(8, square(80, 20, 10))],
            )
        ),
        "reprapfirmware", "bed-fixed",
    ),
    Print(
        "a box that is kept out", started(layers(20, square(55, 55, 15), ring(62, 62, 25))), "klipper",
        "bed-moves-z", {"keep_out": [{"x_mm": [0, 20], "y_mm": [100, 120], "z_mm": 30}]},
    ),
)  # fmt: skip
