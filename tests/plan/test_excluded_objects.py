"""Objects in EXCLUDE_OBJECT brackets: whichever is cancelled, and when, no picture of the others is lost.

The judge is a machine of the test's own that skips as Klipper does: moves in the brackets of an excluded
object are not made but counted, so that the next move outside goes to where it would have gone; all else is
done, cues too (klippy/extras/exclude_object.py).
"""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest

from twinlapse.gcode import find_layers, read_toolpath
from twinlapse.inject import inject_file
from twinlapse.motion import time_toolpath
from twinlapse.plan import make_plan
from twinlapse.rig import rig_from_mapping

POTS = (40, 90, 140)
LAYERS = 3
Place = tuple[float, ...]


def pots(style: str, *, towers: bool, comments: bool) -> str:
    """Return three outlines, layer by layer or one after the other; `style` says what the brackets hold."""
    lines = ["G28", "G90", "M83", *(f"EXCLUDE_OBJECT_DEFINE NAME=p{k}" for k in range(3)), "G1 Z5 F600"]
    order = [(layer, k) for layer in range(LAYERS) for k in range(3)]
    for layer, k in sorted(order, key=lambda pair: pair[1]) if towers else order:
        z, x = 0.2 * (layer + 1), POTS[k]
        travel = [f"G1 Z{z + 0.4:.1f} F600", f"G1 X{x} Y80 F9000", f"G1 Z{z:.1f} F600", "G1 E1 F2400"]
        places = ((x + 25, 80), (x + 25, 105), (x, 105), (x, 80), (x + 24, 81))
        walls = [f"G1 X{a} Y{b} E1 F1800" for a, b in places]
        begin, end = [f"EXCLUDE_OBJECT_START NAME=p{k}"], [f"EXCLUDE_OBJECT_END NAME=p{k}"]
        if comments:
            begin, end = [f"; printing object p{k}", *begin], [*end, f"; stop printing object p{k}"]
        lines += [f";LAYER:{layer}"] if towers or k == 0 else []
        if style == "all inside":
            lines += [*begin, *travel, *walls, "G1 E-1 F2400", *end]
        elif style == "walls inside":
            lines += [*travel, *begin, *walls, *end, "G1 E-1 F2400"]
        elif style == "never pulled back":
            lines += [*begin, *travel, *walls, *end]
        else:  # the end is not named
            lines += [*travel, *begin, *walls, "G1 E-1 F2400", "EXCLUDE_OBJECT_END"]
    return "\n".join([*lines, "M84"]) + "\n"


def run(lines: list[str], cancel: str, at: int) -> tuple[list[tuple[str, Place]], list[tuple[Any, ...]]]:
    """Run a file, an object cancelled before the `at`-th line outside shots; return cues and what is laid."""
    place, meant, current, outside, ours = (0.0, 0.0, 0.0), [0.0, 0.0, 0.0], "", 0, False
    cues: list[tuple[str, Place]] = []
    laid: list[tuple[Any, ...]] = []
    for line in lines:
        ours = ours or bool(re.match(r"; twinlapse (shot|header|run|job)\b.* begin", line))
        outside += not ours
        if cue := re.search(r"twinlapse cue (\S+)", line):
            cues.append((cue[1], place))
        command = line.split(";")[0].strip()
        if command.startswith("EXCLUDE_OBJECT_START"):
            current = command.split("NAME=")[1]
        elif command.startswith("EXCLUDE_OBJECT_END"):
            current = ""
        elif command.startswith("G1 "):
            words = dict(re.findall(r"([XYZEF])(-?[\d.]+)", command))
            for axis, letter in enumerate("XYZ"):
                meant[axis] = float(words.get(letter, meant[axis]))
            if current != cancel or outside < at:
                if float(words.get("E", 0)) > 0 and "X" in words:
                    laid.append((current, place, tuple(meant)))
                place = (meant[0], meant[1], meant[2])
        ours = ours and not re.match(r"; twinlapse (shot|header|run|job)\b.* end", line)
    return cues, laid


def lost(written: list[str], cues: list[tuple[str, Place]]) -> int:
    """Return how many pictures are taken elsewhere than at their stops, or not at all."""
    found = [re.match(r"; stop (\S+): \S+ at X(\S+) Y(\S+) Z(\S+)", line) for line in written]
    stops = {stop[1]: [float(stop[k]) for k in (2, 3, 4)] for stop in found if stop}
    assert stops
    right = {name for name, place in cues if place == pytest.approx(stops[name], abs=1e-6)}
    return len(stops) - len(right)


@pytest.mark.parametrize(
    ("style", "towers", "comments"),
    [
        ("all inside", True, True),
        ("all inside", False, False),
        ("walls inside", True, False),
        ("walls inside", False, True),
        ("never pulled back", False, True),
        ("end unnamed", True, False),
    ],
)
def test_no_picture_is_lost_whichever_object_is_excluded(
    style: str, towers: bool, comments: bool, tmp_path: Path
) -> None:
    file, out = tmp_path / "pots.gcode", tmp_path / "filmed.gcode"
    file.write_text(pots(style, towers=towers, comments=comments))
    path = read_toolpath(file, firmware="klipper")
    layers = find_layers(path)
    original = file.read_text().splitlines()
    seen = 0
    for every in ("layer", {"s": 3}):
        printer = {"bed_mm": [220, 220], "height_mm": 250, "firmware": "klipper"}
        camera = {"name": "wide", "mount": "frame", "every": every}
        rig = rig_from_mapping({"printer": printer, "camera": [camera]})
        inject_file(file, make_plan(path, layers, time_toolpath(path, rig.printer), rig), out)
        written = out.read_text().splitlines()
        for k in range(3):
            name = f"p{k}"
            starts = [i for i, line in enumerate(original) if line == f"EXCLUDE_OBJECT_START NAME={name}"]
            for at in (4, starts[1] + 4, starts[-1] + 4):  # not begun yet, in the middle, nearly done
                cues, laid = run(written, name, at)
                assert lost(written, cues) == 0
                others = [piece for piece in run(original, name, at)[1] if piece[0] != name]
                assert [piece for piece in laid if piece[0] != name] == others
                seen += lost(written, run(brackets_around_shots(written), name, at)[0])
    assert len(layers.objects) == 3
    assert seen > 0, "the judge sees shots that are skipped"


def brackets_around_shots(lines: list[str]) -> list[str]:
    """Return a written file whose objects end behind the shot that follows them, not before it."""
    kept: list[str] = []
    held: list[str] = []
    for line in lines:
        if line.startswith("EXCLUDE_OBJECT_END"):
            held.append(line)
        elif held and line.startswith(("; twinlapse shot", "EXCLUDE_OBJECT_START")) and "begin" not in line:
            kept += [*([line] if line.startswith(";") else []), *held]
            kept += [] if line.startswith(";") else [line]
            held = []
        else:
            kept.append(line)
    return kept
