"""Files that a macro homes, tool changes, and the reasons for shots that are not there."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from twinlapse.cli.root import cli
from twinlapse.errors import PlanError
from twinlapse.inject import inject_file
from twinlapse.plan.explanation import explain_layer
from twinlapse.plan.left_out import LeftOut, by_reason
from twinlapse.rig import Rig

MakeRig = Callable[..., Rig]
WIDE = {"name": "wide", "mount": "frame", "stance": "clear"}


def printer(firmware: str, **more: object) -> dict[str, object]:
    """Return a printer's table."""
    return {"bed_mm": [220, 220], "height_mm": 250, "firmware": firmware, **more}


@pytest.fixture
def macro_file(tmp_path: Path, boxes: Callable[..., str]) -> Path:
    """A box whose start macro homes."""
    file = tmp_path / "pot.gcode"
    file.write_text(boxes(head="START_PRINT BED=60 EXTRUDER=205\nG90\nM83\nG1 Z5 F600\n"))
    return file


@pytest.mark.parametrize("firmware", ["klipper", "reprapfirmware"])
def test_a_start_macro_that_must_home_is_believed_with_a_warning(
    macro_file: Path, make_rig: MakeRig, plan_file: Callable[..., Any], firmware: str
) -> None:
    if firmware == "reprapfirmware":
        macro_file.write_text(
            macro_file.read_text().replace("START_PRINT BED=60 EXTRUDER=205", 'M98 P"start.g"')
        )
    worked = plan_file(macro_file, make_rig(printer(firmware), WIDE))
    plan = worked.planning.plan
    assert [shot.layer for shot in plan.shots] == list(range(6))
    assert plan.warnings[0].startswith("the file does not home the machine; the command in line 1")
    report = inject_file(macro_file, plan, macro_file.with_name("filmed.gcode"))
    assert report.proof.holds


def test_the_rig_says_that_a_macro_homes(
    macro_file: Path, make_rig: MakeRig, plan_file: Callable[..., Any]
) -> None:
    worked = plan_file(macro_file, make_rig(printer("marlin", homes="macro"), WIDE))
    assert len(worked.planning.plan.shots) == 6
    assert not any("home" in warning for warning in worked.planning.plan.warnings)
    report = inject_file(macro_file, worked.planning.plan, macro_file.with_name("filmed.gcode"))
    assert report.proof.holds


def test_the_first_shot_waits_for_the_first_finished_layer(
    macro_file: Path, make_rig: MakeRig, plan_file: Callable[..., Any]
) -> None:
    camera = {**WIDE, "every": {"s": 0.5}, "dwell_s": 0.1}
    plan = plan_file(macro_file, make_rig(printer("klipper", homes="macro"), camera)).planning.plan
    first_layer_ends = macro_file.read_text().split(";LAYER:1")[0].count("\n") - 2  # retracted, then a travel
    assert plan.shots[0].after_line >= first_layer_ends


@pytest.mark.parametrize(
    ("firmware", "homes", "head"),
    [
        ("marlin", "guess", "START_PRINT\nG90\nM83\nG1 Z5 F600\n"),  # moves without being homed
        ("klipper", "guess", "G90\nM83\nG1 Z5 F600\n"),  # nothing is called
        ("klipper", "file", "START_PRINT\nG90\nM83\nG1 Z5 F600\n"),
    ],
)
def test_what_is_not_homed_is_refused_with_layers_reason_and_remedy(
    tmp_path: Path,
    boxes: Callable[..., str],
    make_rig: MakeRig,
    plan_file: Callable[..., Any],
    firmware: str,
    homes: str,
    head: str,
) -> None:
    file = tmp_path / "label.gcode"
    file.write_text(boxes(head=head))
    with pytest.raises(PlanError) as refusal:
        plan_file(file, make_rig(printer(firmware, homes=homes), WIDE))
    assert "layers 1 to 6: the file has homed no axis by then" in str(refusal.value)
    assert 'homes = "macro"' in str(refusal.value)


def test_no_feed_rate_and_one_line_are_reasons_of_their_own(
    tmp_path: Path, boxes: Callable[..., str], make_rig: MakeRig, plan_file: Callable[..., Any]
) -> None:
    file = tmp_path / "label.gcode"
    text = boxes(head="G28\nG90\nM83\n")
    file.write_text("".join(line.split(" F")[0] + "\n" for line in text.splitlines()))
    with pytest.raises(PlanError, match="layers 1 to 6: the file has set no feed rate by then"):
        plan_file(file, make_rig(printer("marlin"), WIDE))


def test_a_tool_change_bars_no_moment_before_it(
    sliced_folder: Path, make_rig: MakeRig, plan_file: Callable[..., Any]
) -> None:
    """Two tools change at every layer: 51 of its 120 layers were filmed while that barred the whole gap."""
    file = sliced_folder / "towers_two_tools.gcode"
    worked = plan_file(file, make_rig("bed moves y", WIDE))
    plan = worked.planning.plan
    assert {shot.layer for shot in plan.shots} == set(range(len(worked.layers)))
    lines = file.read_text().splitlines()
    for shot in plan.shots:  # the tool that printed is still in force: T comes later
        tools = [k for k, line in enumerate(lines[: shot.after_line]) if line.startswith("T")]
        laid = max(
            k for k, line in enumerate(lines[: shot.after_line]) if line.startswith("G1") and "E" in line
        )
        assert not tools or tools[-1] < laid


@pytest.mark.parametrize("between", ["T1", "G28 X", "G4 P500", "M109 S190", "M600", "M0"])
def test_a_shot_stands_before_somebody_elses_sequence(
    tmp_path: Path,
    boxes: Callable[..., str],
    make_rig: MakeRig,
    plan_file: Callable[..., Any],
    between: str,
) -> None:
    file = tmp_path / "pot.gcode"
    file.write_text(boxes().replace(";LAYER:3\n", f"{between}\n;LAYER:3\n"))
    at = file.read_text().splitlines().index(between) + 1
    plan = plan_file(file, make_rig("bed moves y", WIDE)).planning.plan
    assert len(plan.shots) == 6
    third = next(shot for shot in plan.shots if shot.layer == 2)
    assert at - 3 <= third.after_line < at


def test_layers_without_a_shot_say_why(
    tmp_path: Path, boxes: Callable[..., str], make_rig: MakeRig, plan_file: Callable[..., Any]
) -> None:
    file = tmp_path / "pot.gcode"
    file.write_text(boxes())
    sparse = plan_file(file, make_rig("bed moves y", {**WIDE, "every": {"layers": 3}}))
    assert explain_layer(sparse.planning, sparse.layers, sparse.rig, 0) == [
        "No camera's every asks for a shot at layer 1."
    ]
    near = plan_file(file, make_rig("bed moves y", WIDE, min_gap_s=5.0))
    missing = next(shot for shot in near.planning.unmet)
    text = explain_layer(near.planning, near.layers, near.rig, missing.layer)
    assert text == [f"Left out at 0:00:{round(missing.at_s):02}, for wide: {missing.why}."]
    assert "nearer than min_gap_s = 5" in missing.why
    assert any("nearer than min_gap_s = 5" in warning for warning in near.planning.plan.warnings)
    with pytest.raises(PlanError, match="there is no layer 7"):
        explain_layer(near.planning, near.layers, near.rig, 6)


def test_why_takes_a_layer_on_the_command_line(tmp_path: Path, boxes: Callable[..., str]) -> None:
    file, rig = tmp_path / "pot.gcode", tmp_path / "rig.toml"
    file.write_text(boxes())
    rig.write_text(
        "[printer]\nbed_mm = [220, 220]\nheight_mm = 250\n"
        '[[camera]]\nname = "wide"\nmount = "frame"\nevery = { layers = 2 }\n'
    )
    asked = ["plan", str(file), "--rig", str(rig), "--json", "--why"]
    said = CliRunner().invoke(cli, [*asked, "layer:1"])
    assert json.loads(said.stdout)["why"] == ["No camera's every asks for a shot at layer 1."]
    assert json.loads(CliRunner().invoke(cli, [*asked, "layer:2"]).stdout)["why"][0].startswith("Shot 1: ")
    assert CliRunner().invoke(cli, [*asked, "row:2"]).exit_code == 2


def test_reasons_are_grouped_by_layers() -> None:
    shots = [LeftOut(layer=k, at_s=1.0 * k, cameras=("wide",), why="a") for k in (0, 1, 2, 6)]
    shots.append(LeftOut(layer=4, at_s=4.0, cameras=("wide",), why="b"))
    assert by_reason(shots) == ["layers 1 to 3, 7: a", "layer 5: b"]
