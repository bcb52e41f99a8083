"""Corner visits and the wait for a person after a survey: planned, written, proven, refused elsewhere."""

from __future__ import annotations

import itertools
import json
import math
import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner

from twinlapse.cli.plan import command
from twinlapse.errors import PlanError, RigError
from twinlapse.gcode import find_layers, read_toolpath
from twinlapse.inject import prove
from twinlapse.inject.dryrun import write_dry_run
from twinlapse.inject.writing import inject_file
from twinlapse.motion import time_toolpath
from twinlapse.optics.window import RISE_MM, window_of
from twinlapse.plan import work_out
from twinlapse.plan.waits import AWAY_MM, hold_place
from twinlapse.plan.where.survey_grid import layer_points
from twinlapse.rig import rig_from_mapping
from twinlapse.shots import CORNER, SURVEY, Plan, plan_from_json, plan_to_json

NOZZLE = {"name": "nozzle", "mount": "toolhead", "place_mm": [0, -28, 34], "look_mm": [0, -6, 0]}
WAITS = {
    "marlin": "M0 S1800 Look at layer 1, then go on",
    "klipper": "PAUSE",
    "reprapfirmware": 'M291 P"Look at layer 1, then go on" R"twinlapse" S2',
}


def _rig(firmware: str = "marlin", **plan: Any) -> dict[str, Any]:
    printer = {"bed_mm": [220, 220], "height_mm": 250, "firmware": firmware}
    return {"printer": printer, "camera": [NOZZLE], "plan": plan}


@pytest.fixture(scope="module")
def slab(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Three layers of 60 x 40 mm, the first with a skirt 8 mm around."""
    lines = ["G28", "G90", "M83", "M204 S1500"]
    for layer in range(3):
        lines += [f";LAYER:{layer}", f"G0 Z{0.2 * (layer + 1):.1f} F600"]
        if not layer:
            lines += ["G0 X72 Y72 F9000", *(f"G1 X{x} Y{y} E2 F1800" for x, y in
                      ((148, 72), (148, 128), (72, 128), (72, 72)))]  # fmt: skip
        lines.append("G0 X80 Y80 F9000")
        for k in range(40):
            lines += [f"G1 X{(140, 80)[k % 2]} E2.2 F1800", f"G1 Y{81 + k} E0.04"]
    path = tmp_path_factory.mktemp("looks") / "slab.gcode"
    path.write_text("\n".join([*lines, "M84"]) + "\n")
    return path


def _planned(slab: Path, values: dict[str, Any]) -> Plan:
    rig = rig_from_mapping(values)
    toolpath = read_toolpath(slab, firmware=rig.printer.firmware)
    return work_out(toolpath, find_layers(toolpath), time_toolpath(toolpath, rig.printer), rig).plan


def test_the_corners_of_the_print_are_visited_not_those_of_its_skirt(slab: Path) -> None:
    values = _rig(corner_layers=[1, 2, 3])
    plan, rig = _planned(slab, values), rig_from_mapping(values)
    middle = window_of(rig.cameras[0], rig.printer, RISE_MM).middle_mm
    for layer in range(3):
        stops = [stop for stop in plan.shots[layer].stops if stop.stance == CORNER]
        seen = sorted((round(s.x_mm + middle[0]), round(s.y_mm + middle[1])) for s in stops)
        assert seen == [(80, 80), (80, 120), (140, 80), (140, 119)]  # its last line ends at the left
        assert all(stop.z_mm == pytest.approx(0.2 * (layer + 1) + RISE_MM) for stop in stops)
        ways = [math.dist((a.x_mm, a.y_mm), (b.x_mm, b.y_mm)) for a, b in itertools.pairwise(stops)]
        assert max(ways) < 62  # around, not across
    assert [w for w in plan.warnings if w.startswith("corners of layer 2: 4 of 4 visited")]
    bare = _planned(slab, _rig())
    assert plan.cost_s == pytest.approx(sum(shot.cost_s for shot in plan.shots), abs=0.01)
    assert plan.cost_s > bare.cost_s + 12 * 1.3  # each dwells and settles


@pytest.mark.parametrize("firmware", sorted(WAITS))
def test_a_hold_is_written_and_proven_only_where_it_was_asked_for(
    slab: Path, tmp_path: Path, firmware: str
) -> None:
    values = _rig(firmware, survey_layers=[1], hold=True)
    plan, rig = _planned(slab, values), rig_from_mapping(values)
    assert [shot.hold_mm is not None for shot in plan.shots] == [True, False, False]
    assert plan_from_json(json.loads(json.dumps(plan_to_json(plan)))) == plan
    out = tmp_path / "filmed.gcode"
    proof = inject_file(slab, plan, out).proof  # keeps the file only if the proof holds
    detail = next(check.detail for check in proof.checks if check.name == "commands")
    assert "1 wait for a person" in detail
    lines = out.read_text().splitlines()
    wait = WAITS[firmware]
    assert lines.count(wait) == 1
    at = lines.index(wait)
    assert lines[:at].count("; twinlapse shot 1 begin (layer 1, z 0.20)") == 1
    assert "; twinlapse shot 1 end" in lines[at:]
    x, y = plan.shots[0].hold_mm or (0, 0)
    before = [line for line in lines[:at] if line.startswith("G1")][-1]
    assert before.startswith(f"G1 X{x:g} Y{y:g}") and "M400" in lines[at - 4 : at]
    # the firmware's own limit of standing is raised before the wait, and set back behind it
    raised, restored = {
        "marlin": ("M84 S1860", "M84 S120"),
        "klipper": ("SET_IDLE_TIMEOUT TIMEOUT=1800", "SET_IDLE_TIMEOUT TIMEOUT=600"),
        "reprapfirmware": ("M400", "; twinlapse shot 1 end"),  # its motors keep their place
    }[firmware]
    assert raised in lines[at - 3 : at] and restored in lines[at + 1 :]
    assert prove(slab, out).holds  # by the header alone

    def fault(changed: list[str], by: Any = rig) -> str:
        other = tmp_path / "changed.gcode"
        other.write_text("\n".join(changed) + "\n")
        checks = prove(slab, other, by).checks
        return "; ".join(f"{check.name}: {check.detail}" for check in checks if not check.holds)

    assert "commands: " in fault(lines, replace(rig, plan=replace(rig.plan, hold=False)))
    second = next(k for k, line in enumerate(lines) if line.startswith("; twinlapse shot 2 end"))
    assert "commands: " in fault([*lines[:second], wait, *lines[second:]])
    assert "commands: " in fault([*lines[: at + 1], wait, *lines[at + 1 :]])
    cue = next(k for k, line in enumerate(lines) if "twinlapse cue 1.2" in line)
    assert "commands: " in fault([*lines[:cue], wait, *lines[cue:at], *lines[at + 1 :]])
    early = [*lines[: at - 4], *(line for line in lines[at - 4 : at] if line != "M400"), *lines[at:]]
    assert "commands: " in fault(early)
    other = {"marlin": "M0", "klipper": "M0", "reprapfirmware": "M226"}[firmware]
    assert "commands: " in fault([*lines[:at], other, *lines[at + 1 :]])


def test_a_dry_run_goes_to_the_place_of_the_hold_and_does_not_wait(slab: Path, tmp_path: Path) -> None:
    plan = _planned(slab, _rig(survey_layers=[1], hold=True))
    out = tmp_path / "dry.gcode"
    write_dry_run(plan, read_toolpath(slab), out)
    x, y = plan.shots[0].hold_mm or (0, 0)
    assert re.search(rf"G1 X{x:g} Y{y:g} ", out.read_text())
    assert "M0 " not in out.read_text()


def test_a_hold_stands_beside_the_print_and_behind_no_keep_out(slab: Path) -> None:
    values = _rig(survey_layers=[1], hold=True)
    plan = _planned(slab, values)
    toolpath = read_toolpath(slab)
    points = layer_points(toolpath, find_layers(toolpath), 0)
    place = plan.shots[0].hold_mm
    assert place is not None and np.hypot(*(points - np.array(place)).T).min() >= AWAY_MM
    everywhere = np.stack(np.meshgrid(np.arange(0.0, 221, 5), np.arange(0.0, 221, 5)), -1).reshape(-1, 2)
    with pytest.raises(PlanError, match="no place on the bed"):
        hold_place(plan.shots[0], everywhere, (100.0, 100.0), rig_from_mapping(values).printer)


@pytest.mark.parametrize(
    ("plan", "words"),
    [
        ({"hold": True}, "the machine waits after a survey, and there is none"),
        ({"survey_layers": [0]}, "names a layer that cannot be"),
        ({"corner_layers": "one"}, "is no list of layers"),
        ({"corner_layers": [1.5]}, "is no list of layers"),
        ({"surveys": [1]}, "survey_layers"),
    ],
)
def test_a_rig_that_asks_amiss(plan: dict[str, Any], words: str) -> None:
    with pytest.raises(RigError, match=words):
        rig_from_mapping(_rig(**plan))


def test_the_command_line_asks_instead_of_the_rig(slab: Path, tmp_path: Path) -> None:
    rig = tmp_path / "rig.toml"
    rig.write_text(
        "[printer]\nbed_mm = [220, 220]\nheight_mm = 250\n[plan]\nsurvey_layers = [1]\n"
        '[[camera]]\nname = "nozzle"\nmount = "toolhead"\nplace_mm = [0, -28, 34]\nlook_mm = [0, -6, 0]\n'
    )
    for options, survey, corners in (
        ([], {1}, set()),
        (["--survey-layers", "2", "--corner-layers", "1,3"], {2}, {1, 3}),
    ):
        run = CliRunner().invoke(command, [str(slab), "--rig", str(rig), "--json", *options])
        assert run.exit_code == 0, run.output
        shots = json.loads(run.stdout)["shots"]
        for stance, layers in ((SURVEY, survey), (CORNER, corners)):
            assert {s["layer"] for s in shots for stop in s["stops"] if stop["stance"] == stance} == layers
    run = CliRunner().invoke(command, [str(slab), "--rig", str(rig), "--corner-layers", "first"])
    assert run.exit_code == 2 and "write 1 or 1,2,3" in run.output
