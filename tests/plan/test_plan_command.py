"""``twinlapse plan``: the table, the files, the reasons, the refusals."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from twinlapse.cli.plan import command
from twinlapse.shots import read_plan

RIG = """
[printer]
bed_mm = [220, 220]
height_mm = 250

[[camera]]
name = "wide"
mount = "frame"
every = "layer"

[[camera]]
name = "nozzle"
mount = "toolhead"
every = "layer"
"""


@pytest.fixture
def rig(tmp_path: Path) -> Path:
    path = tmp_path / "rig.toml"
    path.write_text(RIG)
    return path


def run(*arguments: object) -> Result:
    return CliRunner().invoke(command, [str(argument) for argument in arguments], catch_exceptions=False)


def test_the_table_has_eleven_lines_and_warnings_go_elsewhere(sliced_folder: Path, rig: Path) -> None:
    result = run(sliced_folder / "cube_abs.gcode", "--rig", rig)
    assert result.exit_code == 0
    rows = [line for line in result.stdout.splitlines() if line]
    assert len(rows) == 11
    assert rows[0].startswith("Shots") and "100 in 100 layers, 200 stops" in rows[0]
    assert "% to the print time" in result.stderr


def test_plan_and_chart_are_written(sliced_folder: Path, rig: Path, tmp_path: Path) -> None:
    out, chart = tmp_path / "plan.json", tmp_path / "plan.svg"
    run(sliced_folder / "cube_abs.gcode", "--rig", rig, "-o", out, "--drawing", chart, "--quiet")
    assert len(read_plan(out).shots) == 100
    assert chart.read_text().startswith("<?xml")


def test_json_is_one_object_with_what_the_format_promises(sliced_folder: Path, rig: Path) -> None:
    result = run(sliced_folder / "cube_abs.gcode", "--rig", rig, "--json", "--quiet")
    found = json.loads(result.stdout)
    assert {"schema", "original_sha256", "rig", "shots", "cost_s", "print_s", "film_s", "warnings"} <= set(
        found
    )
    shot = found["shots"][0]
    assert {
        "number", "after_line", "byte", "layer", "z_mm", "at_s", "cost_s", "retract", "stops",
    } <= set(shot)  # fmt: skip
    assert {"cameras", "x_mm", "y_mm", "z_mm", "dwell_s", "stance"} <= set(shot["stops"][0])


def test_why_names_the_moment_the_stops_and_what_was_turned_down(sliced_folder: Path, rig: Path) -> None:
    result = run(sliced_folder / "cube_abs.gcode", "--rig", rig, "--why", 57)
    said = result.stdout
    for part in (
        "Shot 57: after line",
        "layer 57 of 100",
        "The moment:",
        "Stop 1",
        "Stop 2",
        "It costs",
        "Rejected:",
    ):
        assert part in said


def test_why_of_a_shot_that_is_not_there(sliced_folder: Path, rig: Path) -> None:
    with pytest.raises(Exception, match="there is no shot 999; name one of 1 to 100"):
        run(sliced_folder / "cube_abs.gcode", "--rig", rig, "--why", 999)


def test_a_fault_in_the_rig_is_one_line_and_exit_2(sliced_folder: Path, tmp_path: Path) -> None:
    bad = tmp_path / "rig.toml"
    bad.write_text(RIG.replace('mount = "toolhead"', 'mount = "toolhead"\nheigth_mm = 3'))
    done = subprocess.run(
        [sys.executable, "-m", "twinlapse", "plan", str(sliced_folder / "cube_abs.gcode"), "--rig", str(bad)],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 2
    assert done.stderr.count("\n") == 1
    assert "heigth_mm" in done.stderr and "height_mm" in done.stderr
