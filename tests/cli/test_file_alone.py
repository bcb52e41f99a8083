"""A written file is enough: its job folder is made beside it; the proof restores the sliced file from it."""

from __future__ import annotations

import hashlib
import json
import shutil
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

import twinlapse
from twinlapse.cli.root import cli
from twinlapse.errors import FileProblemError, TwinlapseError
from twinlapse.written_job import job_beside

RIG = """
[printer]
bed_mm = [220, 220]
height_mm = 250
[[camera]]
name = "wide"
mount = "frame"
every = { layers = 20 }
"""


def run(*words: object) -> tuple[int, dict[str, Any], str]:
    result = CliRunner().invoke(cli, [*map(str, words), "--json"])
    if isinstance(result.exception, TwinlapseError):  # the entry point makes exit status 2 of it
        return 2, {}, str(result.exception)
    lines = [line for line in result.stdout.splitlines() if line.startswith("{")]
    return result.exit_code, json.loads(lines[-1]) if lines else {}, result.output


@pytest.fixture(scope="module")
def pair(sliced_folder: Path, tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """A sliced file and what was written of it."""
    folder = tmp_path_factory.mktemp("alone")
    rig, written = folder / "rig.toml", folder / "label.gcode"
    rig.write_text(RIG)
    sliced = sliced_folder / "cube_abs.gcode"
    twinlapse.inject(sliced, twinlapse.plan(sliced, rig), written)
    return sliced, written


def test_the_proof_needs_the_written_file_alone(pair: tuple[Path, Path], tmp_path: Path) -> None:
    sliced, written = pair
    status, told, _ = run("prove", written)
    assert status == 0 and told["holds"]
    assert told["checks"][0]["name"] == "original"
    _, both, _ = run("prove", sliced, written)
    assert {c["name"]: c["holds"] for c in told["checks"][1:]} == {
        c["name"]: c["holds"] for c in both["checks"]
    }
    # a move of the print itself is left out, changed or added
    lines = written.read_bytes().splitlines(keepends=True)
    at = next(k for k, line in enumerate(lines) if k > len(lines) // 2 and line.startswith(b"G1 X"))
    old = lines[at]
    changed = tmp_path / "changed.gcode"
    for new in (b"; G1" + old[2:], old.replace(b"X1", b"X2", 1).replace(b"X9", b"X8", 1), b"G1 X1\n" + old):
        if new == old:
            continue
        changed.write_bytes(b"".join([*lines[:at], new, *lines[at + 1 :]]))
        status, told, _ = run("prove", changed)
        assert status == 1 and not told["checks"][0]["holds"]
    status, _, said = run("prove", sliced)
    assert status == 2 and "no shots" in said


def test_a_file_stands_for_the_job_folder_beside_it(pair: tuple[Path, Path], tmp_path: Path) -> None:
    sliced, written = pair
    file = tmp_path / "plant label.gcode"
    file.write_bytes(written.read_bytes())
    folder = job_beside(file)
    assert folder == tmp_path / "plant label.job"
    restored = (folder / "original.gcode").read_bytes()
    assert hashlib.sha256(restored).hexdigest() == hashlib.sha256(sliced.read_bytes()).hexdigest()
    before = (folder / "plan.json").stat().st_mtime_ns
    assert job_beside(file) == folder and (folder / "plan.json").stat().st_mtime_ns == before
    assert job_beside(folder) == folder and job_beside(sliced) == sliced
    status, told, _ = run("capture", file, "--unit")
    assert status == 0 and "plant" in told["unit"] and "label.job" in told["unit"]
    status, _, said = run("render", file, "-o", tmp_path / "film.mp4")
    assert status == 2 and "frames" in said and "Traceback" not in said
    status, _, said = run("capture", sliced, "--check")
    assert status == 2 and "or name a file that" in said


def test_frames_of_another_plan_are_not_mixed(pair: tuple[Path, Path], tmp_path: Path) -> None:
    sliced, written = pair
    file = tmp_path / "label.gcode"
    file.write_bytes(written.read_bytes())
    folder = job_beside(file)
    before = shutil.copytree(folder, tmp_path / "before")
    rig = tmp_path / "rig.toml"
    rig.write_text(RIG.replace("20", "30"))
    twinlapse.inject(sliced, twinlapse.plan(sliced, rig), file)
    assert job_beside(file) == folder  # no frame yet: it is made anew
    planned = [len(twinlapse.load_plan(one / "plan.json").shots) for one in (folder, before)]
    assert planned[0] < planned[1]
    (folder / "journal.db").touch()
    file.write_bytes(written.read_bytes())
    with pytest.raises(FileProblemError, match="another file or plan"):
        job_beside(file)
