"""Objects that can be cancelled, objects named twice, and objects printed one after the other."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from twinlapse.gcode import find_layers, read_toolpath
from twinlapse.inject import inject_file
from twinlapse.rig import Rig

WIDE = {"name": "wide", "mount": "frame", "stance": "clear"}
BRACKETS = {
    "klipper": ("EXCLUDE_OBJECT_START NAME=pot_{k}", "EXCLUDE_OBJECT_END"),
    "marlin": ("M486 S{k}", "M486 S-1"),
}


def two_pots(firmware: str, *, comments: bool = False, layers: int = 4) -> str:
    """Return two outlines a layer, each in the brackets of its object, its travels included."""
    begin, end = BRACKETS[firmware]
    lines = ["G28", "G90", "M83", "G1 Z5 F600"]
    for layer in range(layers):
        lines += [f";LAYER:{layer}", f"G1 Z{0.2 * (layer + 1):.1f} F600"]
        for k, x in enumerate((60, 120)):
            lines += [f"; printing object pot {k}"] if comments else []
            lines += [begin.format(k=k), f"G1 X{x} Y80 F9000", "G1 E1 F2400"]
            lines += [
                f"G1 X{a} Y{b} E1 F1800"
                for a, b in ((x + 25, 80), (x + 25, 105), (x, 105), (x, 80), (x + 24, 81))
            ]
            lines += ["G1 E-1 F2400", end]
    return "\n".join([*lines, "M84"]) + "\n"


@pytest.mark.parametrize("firmware", BRACKETS)
@pytest.mark.parametrize("every", ["layer", {"s": 3}])
def test_shots_stand_outside_the_brackets_of_single_objects(
    tmp_path: Path,
    make_rig: Callable[..., Rig],
    plan_file: Callable[..., Any],
    firmware: str,
    every: Any,
) -> None:
    file = tmp_path / "pots.gcode"
    file.write_text(two_pots(firmware))
    printer = {"bed_mm": [220, 220], "height_mm": 250, "firmware": firmware}
    plan = plan_file(file, make_rig(printer, {**WIDE, "every": every})).planning.plan
    out = tmp_path / "filmed.gcode"
    assert inject_file(file, plan, out).proof.holds
    begin, end = (words.split("{")[0] for words in BRACKETS[firmware])
    inside, shots = False, 0
    for line in out.read_text().splitlines():
        if line.startswith(end):
            inside = False
        elif line.startswith(begin):
            inside = True
        elif line.startswith("; twinlapse shot") and " begin" in line:
            shots += 1
            assert not inside
    assert shots == len(plan.shots) >= 4


def test_an_object_named_by_comment_and_by_command_counts_once(tmp_path: Path) -> None:
    file = tmp_path / "pots.gcode"
    file.write_text(two_pots("klipper", comments=True))
    assert find_layers(read_toolpath(file)).objects == ("pot 0", "pot 1")
    file.write_text(two_pots("klipper"))
    assert find_layers(read_toolpath(file)).objects == ("pot_0", "pot_1")


def towers(heights: tuple[int, ...]) -> str:
    """Return towers of so many layers, printed one after the other."""
    lines = ["G28", "G90", "M83", "G1 Z5 F600"]
    for k, count in enumerate(heights):
        x = 20 + 60 * k
        lines += ["G1 E-1 F2400", "G1 Z30 F600", f"G1 X{x} Y80 F9000", "G1 E1 F2400"]
        for layer in range(count):
            lines += [f";LAYER:{layer}", f"G1 Z{0.2 * (layer + 1):.1f} F600", f"G1 X{x} Y80 F9000"]
            lines += [f"G1 X{a} Y{b} E.8 F1800" for a, b in ((x + 20, 80), (x + 20, 100), (x, 100), (x, 80))]
            lines += ["G1 E-1 F2400", f"G1 X{x + 5} Y85 F9000", "G1 E1 F2400"]
    return "\n".join([*lines, "M84"]) + "\n"


@pytest.mark.parametrize(
    ("every", "shares"),
    [
        ({"film_s": 1.0, "fps": 24}, (12, 12)),  # two towers of one height have half of the film each
        ({"mm": 1.0}, (6, 6)),  # every fifth layer of both, of 30
    ],
)
def test_schedules_by_height_count_each_tower(
    tmp_path: Path,
    make_rig: Callable[..., Rig],
    plan_file: Callable[..., Any],
    every: dict[str, float],
    shares: tuple[int, int],
) -> None:
    file = tmp_path / "towers.gcode"
    file.write_text(towers((30, 30)))
    worked = plan_file(file, make_rig({"bed_mm": [220, 220], "height_mm": 250}, {**WIDE, "every": every}))
    assert worked.layers.sequential
    owners = worked.layers.object[[shot.layer for shot in worked.planning.plan.shots]]
    assert np.bincount(owners).tolist() == list(shares)
