"""Objects that M486 names one after the other, without S-1 between, and what is left when one is cancelled.

The judge is a machine of the test's own that skips as Marlin 2.1 does: while a cancelled object is current,
X, Y and Z of a move keep where they are, and E is counted and not fed; all else is done, cues too
(cancel_object.cpp, M486.cpp, `get_destination_from_command` in gcode.cpp, planner.cpp).
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

from twinlapse.inject import inject_file, prove

PRINTER = {"bed_mm": [220, 220], "height_mm": 250}
WIDE = {"name": "wide", "mount": "frame", "stance": "clear"}
POTS = (40, 90, 140)


def three_pots(layers: int = 5, *, relative: bool = False) -> str:
    """Return three outlines a layer, each said by its number alone; heights are said for each of them."""
    lines = ["G28", "G90", "M83", "M486 T3", "G1 Z5 F600"]
    for layer in range(layers):
        z = 0.2 * (layer + 1)
        lines += [f";LAYER:{layer}"]
        for k, x in enumerate(POTS):
            lines += [f"M486 S{k}", f"G1 Z{z + 0.4:.1f} F600", f"G1 X{x} Y80 F9000", f"G1 Z{z:.1f} F600"]
            lines += ["G1 E1 F2400"]
            places = ((x + 25, 80), (x + 25, 105), (x, 105), (x, 80), (x + 24, 81))
            at = (x, 80)
            lines += ["G91"] if relative else []
            for a, b in places:
                there = (a - at[0], b - at[1]) if relative else (a, b)
                lines += [f"G1 X{there[0]} Y{there[1]} E1 F1800"]
                at = (a, b)
            lines += ["G1 E-1 F2400"]
            lines += ["G1 X1 Y1 F9000", "G90"] if relative else []
    return "\n".join([*lines, "M486 S-1", "M84"]) + "\n"


@dataclass
class Machine:
    """A machine that may have an object cancelled before one of its lines."""

    place_mm: list[float] = field(default_factory=lambda: [0.0, 0.0, 0.0])
    current: int = -1
    cancelled: set[int] = field(default_factory=set)
    relative: bool = False
    top_mm: float = 0.0
    cues: list[tuple[str, tuple[float, ...]]] = field(default_factory=list)
    laid: list[tuple[int, tuple[float, ...], tuple[float, ...]]] = field(default_factory=list)
    lowest_travel_mm: float = 99.0  # in a shot, above what is printed by then

    def run(self, line: str, *, in_shot: bool) -> None:
        command = line.split(";")[0].strip()
        if cue := re.search(r"twinlapse cue (\S+)", line):
            self.cues.append((cue[1], tuple(self.place_mm)))
        if mark := re.fullmatch(r"M486 S(-?\d+)", command):
            self.current = int(mark[1])
        elif command in ("G90", "G91"):
            self.relative = command == "G91"
        elif command.startswith("G1 "):
            self._move(dict(re.findall(r"([XYZEF])(-?[\d.]+)", command)), in_shot)

    def _move(self, words: dict[str, str], in_shot: bool) -> None:
        if self.current in self.cancelled:
            return
        before = tuple(self.place_mm)
        for axis, letter in enumerate("XYZ"):
            if letter in words:
                self.place_mm[axis] = float(words[letter]) + (self.place_mm[axis] if self.relative else 0.0)
        flat = before[:2] != tuple(self.place_mm[:2])
        if flat and float(words.get("E", 0)) > 0:
            self.laid.append((self.current, before, tuple(self.place_mm)))
            self.top_mm = max(self.top_mm, self.place_mm[2])
        elif flat and in_shot:
            self.lowest_travel_mm = min(self.lowest_travel_mm, self.place_mm[2] - self.top_mm)


def run(lines: list[str], cancel: int, at: int) -> Machine:
    """Run a file; object `cancel` is cancelled before the `at`-th line that stands outside the shots."""
    machine, outside, in_shot = Machine(), 0, False
    for line in lines:
        if re.match(r"; twinlapse (shot|header|run|job)\b.* begin", line):
            in_shot = True
        if not in_shot:
            if outside == at:
                machine.cancelled.add(cancel)
            outside += 1
        machine.run(line, in_shot=in_shot)
        if re.match(r"; twinlapse (shot|header|run|job)\b.* end", line):
            in_shot = False
    return machine


def stated(lines: list[str]) -> dict[str, tuple[float, ...]]:
    """Return where each stop says that it stands."""
    found = [re.match(r"; stop (\S+): \S+ at X(\S+) Y(\S+) Z(\S+)", line) for line in lines]
    return {stop[1]: (float(stop[2]), float(stop[3]), float(stop[4])) for stop in found if stop}


def misplaced(lines: list[str], machine: Machine) -> int:
    """Return how many cues were sent elsewhere than their stops say."""
    places = stated(lines)
    return sum(
        max(abs(a - b) for a, b in zip(place, places[name], strict=True)) > 1e-6
        for name, place in machine.cues
    )


@pytest.fixture
def film(
    tmp_path: Path, make_rig: Callable[..., Any], plan_file: Callable[..., Any]
) -> Callable[..., tuple[list[str], Any, Any]]:
    """Plan, write and prove a text; return the written lines, the plan and the proof."""

    made: list[Path] = []

    def make(text: str, firmware: str = "marlin", every: Any = "layer", **printer: Any) -> Any:
        file, out = tmp_path / f"pots {len(made)}.gcode", tmp_path / "filmed.gcode"
        made.append(file)
        file.write_text(text)
        rig = make_rig({**PRINTER, "firmware": firmware, **printer}, {**WIDE, "every": every})
        plan = plan_file(file, rig).planning.plan
        return file, out, plan, inject_file(file, plan, out).proof

    return make


@pytest.mark.parametrize("every", ["layer", {"s": 2}])
@pytest.mark.parametrize("firmware", ["marlin", "reprapfirmware"])
def test_every_picture_is_taken_at_its_stop_whichever_object_is_cancelled(
    film: Callable[..., Any], firmware: str, every: Any
) -> None:
    file, out, plan, proof = film(three_pots(), firmware, every)
    original, written = file.read_text().splitlines(), out.read_text().splitlines()
    assert proof.holds and len(plan.shots) >= 5
    assert any(shot.leaves_object is not None for shot in plan.shots)
    lost = 0
    for cancel in range(len(POTS)):
        for at in range(3, len(original), 19):
            machine, alone = run(written, cancel, at), run(original, cancel, at)
            assert len(machine.cues) == len(plan.shots)
            assert misplaced(written, machine) == 0, (cancel, at)
            assert machine.lowest_travel_mm > 0.1
            assert [x[1:] for x in machine.laid if x[0] != cancel] == [
                x[1:] for x in alone.laid if x[0] != cancel
            ]
            lost += misplaced(written, run(without_leaving(written), cancel, at))
    assert lost > 0, "the judge sees shots that are skipped"


def without_leaving(lines: list[str]) -> list[str]:
    """Return a written file whose shots stay in the object in which they stand."""
    kept, inside = [], False
    for line in lines:
        inside = inside or bool(re.match(r"; twinlapse shot \d+ begin", line))
        if not (inside and line.startswith("M486")):
            kept.append(line)
        inside = inside and not re.match(r"; twinlapse shot \d+ end", line)
    return kept


def test_a_shot_stays_in_its_object_where_leaving_it_would_not_be_safe(film: Callable[..., Any]) -> None:
    """Beside a keep-out, a finished tower or in relative places the way from elsewhere is unknown."""
    keep_out = [{"x_mm": [0, 5], "y_mm": [0, 5], "z_mm": 3}]
    towers = three_pots(30).split("M84")[0]
    low_row = re.sub(r"Y(\d+)", lambda y: f"Y{int(y[1]) + 60}", three_pots(5)).split("M486 T3\n")[1]
    for text, printer in ((three_pots(), {"keep_out": keep_out}), (towers + low_row, {})):
        _, _, plan, proof = film(text, **printer)
        low = [shot for shot in plan.shots if shot.at_s > plan.print_s * 0.9] if not printer else plan.shots
        assert low and all(shot.leaves_object is None for shot in low)
        path = next(check.detail for check in proof.checks if check.name == "path")
        assert "inside an object: do not cancel it" in path
    _, _, plan, proof = film(three_pots(relative=True), every={"s": 2})
    assert proof.holds


ATTACKS: tuple[tuple[str, Callable[[list[str]], list[str]], str, str], ...] = (
    ("not left", lambda b: [x for x in b if x != "M486 S-1"], "commands", "has left none"),
    ("not taken up", lambda b: [x for x in b if not re.match(r"M486 S\d", x)], "commands", "none again"),
    (
        "another taken up",
        lambda b: [re.sub(r"M486 S(\d)", lambda m: f"M486 S{int(m[1]) + 1}", x) for x in b],
        "commands",
        "takes up object",
    ),
    ("left late", lambda b: [b[0], b[2], b[1], *b[3:]], "commands", "no place here"),
    ("left twice", lambda b: [*b[:2], *b[1:]], "commands", "no place here"),
    ("cancelled", lambda b: [*b[:2], "M486 P1", *b[2:]], "commands", "no place"),
    ("more behind it", lambda b: [*b[:-1], "G1 F1800", b[-1]], "commands", "no place here"),
    ("no hop", lambda b: [x for x in b if not x.startswith("G1 Z")], "clearance", "it has named a height"),
)  # fmt: skip


@pytest.mark.parametrize(("edit", "check", "words"), [a[1:] for a in ATTACKS], ids=[a[0] for a in ATTACKS])
def test_a_block_that_leaves_its_object_otherwise_is_refused(
    film: Callable[..., Any], tmp_path: Path, edit: Callable[[list[str]], list[str]], check: str, words: str
) -> None:
    file, out, plan, _ = film(three_pots())
    number = next(shot.number for shot in plan.shots if shot.leaves_object is not None)
    lines = out.read_text().splitlines()
    begin = next(i for i, x in enumerate(lines) if x.startswith(f"; twinlapse shot {number} begin"))
    end = lines.index(f"; twinlapse shot {number} end") + 1
    edited = tmp_path / "edited.gcode"
    edited.write_text("\n".join([*lines[:begin], *edit(lines[begin:end]), *lines[end:]]) + "\n")
    failed = {found.name: found.detail for found in prove(file, edited).checks if not found.holds}
    assert words in failed[check]


def test_a_shot_that_leaves_where_no_object_is_current_is_refused(
    film: Callable[..., Any], tmp_path: Path
) -> None:
    file, out, _, _ = film(three_pots().replace("G1 E-1 F2400\n", "G1 E-1 F2400\nM486 S-1\n"))
    text = out.read_text()
    assert "begin" in text and without_leaving(text.splitlines()) == text.splitlines()
    edited = tmp_path / "edited.gcode"
    edited.write_text(re.sub(r"(; twinlapse shot 2 begin.*\n)", r"\1M486 S-1\n", text).replace(
        "; twinlapse shot 2 end", "M486 S1\n; twinlapse shot 2 end"
    ))  # fmt: skip
    failed = {found.name: found.detail for found in prove(file, edited).checks if not found.holds}
    assert "has made no object current" in failed["commands"]


def test_a_shot_is_refused_where_something_printed_stands_higher(
    film: Callable[..., Any], tmp_path: Path
) -> None:
    """A tower finished before, and a low pot beside it: written by hand, since no plan would leave there."""
    tower = three_pots(60).replace("M486 S-1\nM84\n", "")
    low = re.sub(r"Y(\d+)", lambda y: f"Y{int(y[1]) + 60}", three_pots(3)).split("M486 T3\n")[1]
    file, out, plan, proof = film(tower + low.replace("G1 Z5 F600\n", "G1 Z40 F600\nG1 X40 Y140 F9000\n"))
    assert proof.holds
    said = next(check.detail for check in proof.checks if check.name == "path")
    assert "go lower than what stands finished: cancel no object before it has begun" in said
    number = plan.shots[-2].number
    assert plan.shots[-2].leaves_object is None
    text = out.read_text()
    head, block = text.split(f"; twinlapse shot {number} begin", 1)
    current = re.findall(r"(?m)^M486 S(\d+)", head)[-1]
    first, rest = block.split("\n", 1)
    rest = rest.replace(f"; twinlapse shot {number} end", f"M486 S{current}\n; twinlapse shot {number} end")
    edited = tmp_path / "edited.gcode"
    edited.write_text(f"{head}; twinlapse shot {number} begin{first}\nM486 S-1\n{rest}")
    failed = {found.name: found.detail for found in prove(file, edited).checks if not found.holds}
    assert list(failed) == ["clearance"] and "mm higher than it goes" in failed["clearance"]
