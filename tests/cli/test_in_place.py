"""``inject --in-place``: what a slicer's post-processing script must do."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner

from twinlapse.cli.root import cli
from twinlapse.errors import TwinlapseError
from twinlapse.inject import remove_shots

RIG = """
[printer]
bed_mm = [220, 220]
height_mm = 250
[[camera]]
name = "wide"
mount = "frame"
every = {{ layers = {step} }}
"""


def run(*words: object) -> tuple[int, dict[str, object], str]:
    result = CliRunner().invoke(cli, ["inject", *map(str, words), "--json"])
    if isinstance(result.exception, TwinlapseError):  # the entry point makes exit status 2 of it
        return 2, {}, str(result.exception)
    return result.exit_code, json.loads(result.stdout) if result.stdout else {}, result.stderr


@pytest.fixture
def sliced(sliced_folder: Path, tmp_path: Path) -> Path:
    path = tmp_path / "raft.gcode"
    path.write_bytes((sliced_folder / "cube_raft.gcode").read_bytes())
    path.chmod(0o640)
    return path


@pytest.fixture
def rig(tmp_path: Path) -> Path:
    path = tmp_path / "rig.toml"
    path.write_text(RIG.format(step=20))
    return path


def test_a_second_run_changes_nothing_and_another_rig_does(
    sliced: Path, rig: Path, sliced_folder: Path, tmp_path: Path
) -> None:
    code, told, _ = run(sliced, "--in-place", "--rig", rig)
    assert (code, told["changed"]) == (0, True)
    assert sliced.stat().st_mode & 0o777 == 0o640
    first = sliced.read_bytes()
    before = sliced.stat().st_mtime_ns
    code, told, _ = run(sliced, "--in-place", "--rig", rig)
    assert (code, told["changed"]) == (0, False)
    assert sliced.stat().st_mtime_ns == before
    rig.write_text(RIG.format(step=30))
    code, told, _ = run(sliced, "--in-place", "--rig", rig)
    assert (code, told["changed"]) == (0, True) and sliced.read_bytes() != first
    assert remove_shots(sliced, tmp_path / "back.gcode").exact
    assert (tmp_path / "back.gcode").read_bytes() == (sliced_folder / "cube_raft.gcode").read_bytes()
    assert sorted(path.name for path in tmp_path.iterdir()) == ["back.gcode", "raft.gcode", "rig.toml"]


def test_what_cannot_be_written_stays_as_it_is(sliced: Path, rig: Path, tmp_path: Path) -> None:
    before = sliced.read_bytes()
    rig.write_text(RIG.format(step=20).replace("220, 220", "22, 22"))
    code, _, said = run(sliced, "--in-place", "--rig", rig)
    assert code == 2 and said
    assert sliced.read_bytes() == before
    assert sorted(path.name for path in tmp_path.iterdir()) == ["raft.gcode", "rig.toml"]


def test_it_goes_with_a_rig_alone(sliced: Path, rig: Path, tmp_path: Path) -> None:
    assert run(sliced, "--in-place")[0] == 2
    assert run(sliced, "--in-place", "--rig", rig, "-o", tmp_path / "x.gcode")[0] == 2
