"""Every extruder that is analysed can be written: other letters, tools by other commands, M101 and M103."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from twinlapse.errors import NotAPrintError
from twinlapse.gcode import find_layers, read_toolpath
from twinlapse.inject import inject_file, remove_shots
from twinlapse.motion import time_toolpath
from twinlapse.plan import make_plan
from twinlapse.rig import rig_from_mapping

RIG = rig_from_mapping(
    {
        "printer": {"bed_mm": [220, 220], "height_mm": 200},
        "camera": [{"name": "wide", "mount": "frame", "every": "layer"}],
    }
)
LAYERS = 6
HOMED = ["G28"]
REPLICATED = ["G162 Z F500", "G161 X Y F2500", "G161 Z F100", "G92 X0 Y0 Z0 A0 B0"]


def program(
    letters: str, *, tool: str = "", homing: list[str] = HOMED, heat: bool = True, running: bool = False
) -> str:
    """Return a few outlines, each fed by the letter of its tool, in positions that count on."""
    lines = [*(["M104 S200"] if heat else []), *homing, "G90", "G1 F1800"]
    fed = [0.0, 0.0]
    for layer in range(LAYERS):
        which = layer % len(letters) if letters else 0
        lines += [f";LAYER:{layer}", *([tool.format(which)] if tool else [])]
        lines += [f"G0 X80 Y80 Z{0.2 * (layer + 1):.1f} F9000", *(["M101"] if running else [])]
        for x, y in ((120, 80), (120, 110), (80, 110), (80, 80)):
            fed[which] += 1.6
            lines.append(
                f"G1 X{x} Y{y}" + (f" {letters[which]}{fed[which]:.3f}" if letters else "") + " F1800"
            )
        lines += [*(["M103"] if running else []), "G0 X85 Y85 F9000"]
    return "\n".join([*lines, "M84"]) + "\n"


CASES = {
    "A": program("A"),
    "B alone": program("B"),
    "U": program("U"),
    "A and B without a tool command": program("AB"),
    "A and B by M135": program("AB", tool="M135 T{}"),
    "A and B by M108": program("AB", tool="M108 T{}"),
    "A and B by T": program("AB", tool="T{}"),
    "A, heated by a macro": program("A", heat=False),
    "U, heated by a macro": program("U", heat=False),
    "homed by G161 and G162": program("A", homing=REPLICATED),
    "M101 and M103": program("", running=True),
}


@pytest.mark.parametrize("name", CASES)
def test_what_is_analysed_is_planned_written_proven_and_taken_out(tmp_path: Path, name: str) -> None:
    file, out, back = (tmp_path / part for part in ("pot.gcode", "filmed.gcode", "back.gcode"))
    file.write_text(CASES[name])
    path = read_toolpath(file, firmware="marlin")
    layers = find_layers(path)
    assert len(layers) == LAYERS
    if "M101" not in name:
        assert layers.extruded_mm == pytest.approx(6.4, abs=0.01)
    plan = make_plan(path, layers, time_toolpath(path, RIG.printer), RIG)
    assert [shot.layer for shot in plan.shots] == list(range(LAYERS))
    assert inject_file(file, plan, out, toolpath=path).proof.holds
    added = [line for line in out.read_text().splitlines() if line not in CASES[name].splitlines()]
    feeding = {
        line.split()[1][0] for line in added if line.startswith("G1 ") and line.split()[1][0] in "ABEU"
    }
    used = {letter for letter in "ABU" if re.search(rf"(?m)^G1 .* {letter}\d", CASES[name])}
    assert feeding == used  # by the letters of the file, never by E; M101 feeds by none
    assert remove_shots(out, back).exact


@pytest.mark.parametrize("letter", "AU")
def test_a_rotary_axis_or_a_spindle_is_no_extruder(tmp_path: Path, letter: str) -> None:
    file = tmp_path / "label.gcode"
    turns = [f"G1 X{10 * (k % 2)} Y{k} {letter}{90 * (-1) ** k} F300" for k in range(60)]
    file.write_text("\n".join(["G90", *turns]) + "\n")
    with pytest.raises(NotAPrintError):
        read_toolpath(file)
    file.write_text("M3 S9000\n" + program(letter, heat=False))
    with pytest.raises(NotAPrintError):
        read_toolpath(file)


def test_m101_prints_every_move_one_nozzle_wide(tmp_path: Path) -> None:
    from twinlapse.gcode.segments import line_sizes, segments_of

    file = tmp_path / "pot.gcode"
    file.write_text(CASES["M101 and M103"])
    path = read_toolpath(file)
    cut = segments_of(path)
    assert len(cut) == 4 * LAYERS
    width, _ = line_sizes(path, find_layers(path), cut.row, filament_mm=1.75, nozzle_mm=0.4)
    assert (width == 0.4).all()
