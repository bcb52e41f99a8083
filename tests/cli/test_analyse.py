"""`twinlapse analyse` as a whole command."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from twinlapse.cli.root import cli


def run(*words: str) -> Any:
    return CliRunner().invoke(cli, ["analyse", *words], catch_exceptions=False)


def test_json_is_one_object(sliced: Path, truth: dict[str, dict[str, Any]]) -> None:
    done = run("--json", str(sliced))
    assert done.exit_code == 0
    found = json.loads(done.output)
    facts = truth[sliced.name]
    assert found["layer_count"] == facts["n_layers"] + facts.get("n_raft_layers", 0) == len(found["layers"])
    assert 0 < found["layers"][0]["end_s"] <= found["layers"][-1]["end_s"] <= found["print_s"]


def test_layers_left_out(sliced_folder: Path) -> None:
    found = json.loads(run("--json", "--no-layers", str(sliced_folder / "cube_bare.gcode")).output)
    assert "layers" not in found and found["layer_count"] == 100


def test_words_for_people(sliced_folder: Path) -> None:
    text = run(str(sliced_folder / "towers_one_at_a_time.gcode")).output
    assert "165 (marked by comments, sequential)" in text
    assert "0.330 m by tool 0" in text
    assert "... 154 more" in text
    assert max(map(len, text.splitlines()[1:])) <= 110


def test_quiet_says_nothing(sliced_folder: Path) -> None:
    assert run("--quiet", str(sliced_folder / "cube_bare.gcode")).output == ""


def test_a_chosen_firmware(sliced_folder: Path) -> None:
    found = json.loads(run("--json", "--firmware", "klipper", str(sliced_folder / "cube_bare.gcode")).output)
    assert found["firmware"] == "klipper"
    assert "firmware-guessed" not in [warning["code"] for warning in found["warnings"]]


@pytest.mark.parametrize("content", [None, b"", b"G0 X1\nM3 S1000\nG1 Z-1\nG1 Z-2\nG1 Z-3\n", bytes(4000)])
def test_bad_input_is_one_line_and_status_2(content: bytes | None, tmp_path: Path) -> None:
    file = tmp_path / "pot.gcode"
    if content is not None:
        file.write_bytes(content)
    done = subprocess.run(
        [sys.executable, "-m", "twinlapse", "analyse", "--json", str(file)],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 2 and done.stdout == ""
    assert done.stderr.count("\n") == 1 and "pot.gcode" in done.stderr
    assert "Traceback" not in done.stderr
