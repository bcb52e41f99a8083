"""The commands inject and prove, from outside."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

from twinlapse.cli.root import cli
from twinlapse.errors import TwinlapseError
from twinlapse.shots import write_plan

RIG = """
[printer]
bed_mm = [220, 220]
height_mm = 250
[[camera]]
name = "wide"
mount = "frame"
every = { layers = 10 }
[[camera]]
name = "nozzle"
mount = "toolhead"
every = { layers = 10 }
"""


def run(*arguments: str | Path) -> Result:
    return CliRunner().invoke(cli, [str(a) for a in arguments])


@pytest.fixture
def rig(tmp_path: Path) -> Path:
    path = tmp_path / "rig.toml"
    path.write_text(RIG)
    return path


def test_write_prove_take_out(rig: Path, sliced_folder: Path, tmp_path: Path) -> None:
    source, out, back = sliced_folder / "cube_abs.gcode", tmp_path / "filmed.gcode", tmp_path / "back.gcode"
    written = run("inject", source, "--rig", rig, "-o", out, "--json")
    assert written.exit_code == 0, written.output
    told = json.loads(written.stdout)
    assert told["proof"]["holds"] is True
    assert told["shot_count"] >= 9
    assert told["cautions"]
    proven = run("prove", source, out, "--json")
    assert proven.exit_code == 0
    checks = json.loads(proven.stdout)["checks"]
    assert {"name", "holds", "line", "detail"} == set(checks[0])
    assert run("prove", source, out, "--rig", rig).exit_code == 0
    taken = run("inject", "--remove", out, "-o", back, "--json")
    assert taken.exit_code == 0
    assert json.loads(taken.stdout)["exact"] is True
    assert back.read_bytes() == source.read_bytes()


def test_the_terminal_says_the_cautions(rig: Path, sliced_folder: Path, tmp_path: Path) -> None:
    written = run("inject", sliced_folder / "cube_abs.gcode", "--rig", rig, "-o", tmp_path / "o.gcode", "-v")
    for said in (written.output, (tmp_path / "o.gcode").read_text()):
        for caution in ("bed clear, a hand on the stop", "hot and moving parts", "Do not print unattended"):
            assert caution in said
        assert "Mains wiring" in said and "licensed electrician under the local code" in said


def test_an_edit_that_breaks_something_is_exit_1(rig: Path, sliced_folder: Path, tmp_path: Path) -> None:
    source, out = sliced_folder / "cube_abs.gcode", tmp_path / "filmed.gcode"
    run("inject", source, "--rig", rig, "-o", out)
    lines = out.read_text().split("\n")
    at = next(i for i, line in enumerate(lines) if line == "M107")
    del lines[at]
    out.write_text("\n".join(lines))
    proven = run("prove", source, out)
    assert proven.exit_code == 1
    assert re.search(r"FAILS\s+original kept.*M107", proven.output)
    taken = run("inject", "--remove", out, "-o", tmp_path / "back.gcode")
    assert taken.exit_code == 1
    assert "not the original byte for byte" in taken.output


@pytest.mark.parametrize("firmware", ["marlin", "klipper", "reprapfirmware"])
def test_a_dry_run_heats_and_feeds_nothing(
    firmware: str, rig: Path, sliced_folder: Path, tmp_path: Path
) -> None:
    rig.write_text(RIG.replace("height_mm", f'firmware = "{firmware}"\nheight_mm'))
    dry = tmp_path / "dry.gcode"
    done = run("inject", sliced_folder / "cube_abs.gcode", "--rig", rig, "--dry-run", dry)
    assert done.exit_code == 0, done.output
    text = dry.read_text()
    commands = [line.split(";")[0].strip() for line in text.splitlines()]
    commands = [line for line in commands if line]
    assert commands[:3] == ["G21", "G90", "G28"]
    assert commands[3].startswith("G1 Z10 ")  # up before anything else
    assert {line.split()[0] for line in commands} <= {"G21", "G90", "G28", "G1", "G4", "M400", "M117"}
    assert not any(re.search(r"\bE", line) for line in commands if line.startswith("G1"))
    assert "CAUTION" in text
    assert text.count("M400") > 10


@pytest.mark.parametrize(
    ("arguments", "word"),
    [
        (["inject", "FILE", "-o", "OUT"], "either --rig or --plan"),
        (["inject", "FILE", "--rig", "RIG"], "-o"),
        (["inject", "FILE", "--remove", "--rig", "RIG", "-o", "OUT"], "--remove"),
    ],
)
def test_bad_usage_is_exit_2(
    arguments: list[str], word: str, rig: Path, sliced_folder: Path, tmp_path: Path
) -> None:
    named = {"FILE": sliced_folder / "cube_abs.gcode", "RIG": rig, "OUT": tmp_path / "o.gcode"}
    done = run(*[named.get(a, a) for a in arguments])
    assert done.exit_code == 2
    assert word in done.output
    assert not (tmp_path / "o.gcode").exists()


def _refused(*arguments: str | Path) -> str:
    done = run(*arguments)
    assert isinstance(done.exception, TwinlapseError)  # `main` makes it one line and exit status 2
    return str(done.exception)


def test_bad_input_is_one_line(
    rig: Path, sliced_folder: Path, hand_plan: Callable[..., Any], tmp_path: Path
) -> None:
    source, out = sliced_folder / "cube_abs.gcode", tmp_path / "filmed.gcode"
    assert "no such" in _refused("inject", tmp_path / "none.gcode", "--rig", rig, "-o", out)
    assert "nothing of twinlapse" in _refused("inject", "--remove", source, "-o", out)
    _, plan = hand_plan(sliced_folder / "cube_bare.gcode")
    write_plan(tmp_path / "plan.json", plan)
    assert "another file" in _refused("inject", source, "--plan", tmp_path / "plan.json", "-o", out)
    assert "replace the original" in _refused("inject", source, "--rig", rig, "-o", source)
    assert not out.exists()
    assert run("inject", source, "--rig", rig, "-o", out).exit_code == 0
    again = _refused("inject", out, "--rig", rig, "-o", tmp_path / "twice.gcode")
    assert "holds shots already" in again
    assert "--remove" in again
    assert "there are no shots in this file" in _refused("prove", source, source)
    assert sorted(p.name for p in tmp_path.iterdir()) == ["filmed.gcode", "plan.json", "rig.toml"]


@pytest.mark.parametrize("stances", [("still", "last"), ("clear", "tour")])
def test_wipes_and_stops_at_one_place_are_proven(
    stances: tuple[str, str], rig: Path, sliced_folder: Path, tmp_path: Path
) -> None:
    """Two stops without a move between them; wipes of paths that short travels interrupt."""
    text = RIG.replace("height_mm", "wipe_mm = 2\nprime_extra_mm = 0.05\nheight_mm")
    for name, stance in zip(("wide", "nozzle"), stances, strict=True):
        text = text.replace(f'name = "{name}"', f'name = "{name}"\nstance = "{stance}"')
    rig.write_text(text.replace("layers = 10", "layers = 3") + "[cue]\nearly_notice_s = 6\n")
    done = run("inject", sliced_folder / "cube_abs.gcode", "--rig", rig, "-o", tmp_path / "o.gcode", "--json")
    assert done.exit_code == 0, done.output
    assert json.loads(done.stdout)["proof"]["holds"] is True
