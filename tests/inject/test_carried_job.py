"""A written file is enough: it carries its plan, names its job in every cue, says when it begins and ends."""

from __future__ import annotations

import base64
import re
import zlib
from pathlib import Path
from typing import Any

import pytest

import twinlapse
from twinlapse.errors import InjectError
from twinlapse.inject import inject_file, prove, remove_shots
from twinlapse.inject.carried_job import carried_plan
from twinlapse.rig import rig_from_mapping
from twinlapse.shots import Cue, Plan, cue_text, find_cue, find_run, job_code, plan_to_json

RIG = rig_from_mapping(
    {
        "printer": {"bed_mm": [220, 220], "height_mm": 250},
        "camera": [
            {"name": "wide", "mount": "frame", "every": {"layers": 10}},
            {"name": "nozzle", "mount": "toolhead", "every": {"layers": 10}},
        ],
    }
)


def plan_of(original: Path) -> Plan:
    return twinlapse.plan(twinlapse.read_sliced(original, RIG), RIG)


@pytest.fixture
def written(sliced_folder: Path, tmp_path: Path) -> tuple[Path, Any]:
    original = sliced_folder / "cube_raft.gcode"
    plan = plan_of(original)
    out = tmp_path / "filmed.gcode"
    inject_file(original, plan, out)
    return out, plan


def test_the_plan_comes_out_as_it_went_in(written: tuple[Path, Any]) -> None:
    path, plan = written
    assert plan_to_json(carried_plan(path)) == plan_to_json(plan)
    # independent of the reader: zlib and base64 of the lines between the marks
    lines = path.read_text().split("; twinlapse job begin\n")[1].split("; sha256")[0].split("\n")
    assert b'"shots"' in zlib.decompress(base64.b64decode("".join(line[2:] for line in lines)))


def test_it_is_small(written: tuple[Path, Any]) -> None:
    path, _ = written
    text = path.read_bytes()
    carried = len(text) - text.index(b"; twinlapse job begin")
    assert carried < max(300_000, 0.03 * len(text))
    assert max(len(line) for line in text.splitlines()[-20:]) <= 80


def test_every_cue_names_the_job_and_the_file_says_begin_and_end(written: tuple[Path, Any]) -> None:
    path, plan = written
    code = job_code(plan.original_sha256)
    lines = path.read_text().splitlines()
    commands = [line for line in lines if line and not line.startswith(";")]
    assert find_run(commands[0]) == ("begin", code)
    assert find_run(commands[-1]) == ("end", code)
    cues = [found for line in lines if (found := find_cue(line)) is not None]
    assert {cue.job for cue in cues} == {code}
    assert len(cues) == sum(len(shot.stops) for shot in plan.shots)


def test_a_damaged_plan_is_told(written: tuple[Path, Any]) -> None:
    path, _ = written
    text = path.read_text()
    place = text.index("; twinlapse job begin") + 60
    path.write_text(text[:place] + ("A" if text[place] != "A" else "B") + text[place + 1 :])
    with pytest.raises(InjectError, match="damaged"):
        carried_plan(path)


def test_a_sliced_file_carries_none(sliced_folder: Path) -> None:
    with pytest.raises(InjectError, match="carries no plan"):
        carried_plan(sliced_folder / "cube_raft.gcode")


@pytest.mark.parametrize("end", ["", "\n", "\r\n"])
def test_the_original_comes_back_whatever_its_last_line_ends_with(
    sliced_folder: Path, tmp_path: Path, end: str
) -> None:
    text = (sliced_folder / "cube_raft.gcode").read_bytes().rstrip(b"\r\n")
    original, out, back = (tmp_path / name for name in ("a.gcode", "b.gcode", "c.gcode"))
    original.write_bytes(text + end.encode())
    inject_file(original, plan_of(original), out)
    assert remove_shots(out, back).exact
    assert back.read_bytes() == original.read_bytes()


def test_a_cue_of_another_job_fails_the_proof(
    written: tuple[Path, Any], sliced_folder: Path, tmp_path: Path
) -> None:
    path, plan = written
    code = job_code(plan.original_sha256)
    other = tmp_path / "other.gcode"
    text = path.read_text()
    place = text.index(f"cue 3.1 wide {code}")
    other.write_text(text[:place] + text[place:].replace(code, "000000", 1))
    proof = prove(sliced_folder / "cube_raft.gcode", other)
    assert [check.name for check in proof.checks if not check.holds] == ["stands"]


@pytest.mark.parametrize("line", ["G1 X0", "M118 E1 twinlapse begin a1b2c3 x", "M104 S0"])
def test_nothing_else_hides_in_the_new_fences(
    written: tuple[Path, Any], sliced_folder: Path, tmp_path: Path, line: str
) -> None:
    path, _ = written
    other = tmp_path / "other.gcode"
    for fence in ("; twinlapse run 1 begin\n", "; twinlapse job begin\n"):
        other.write_text(path.read_text().replace(fence, f"{fence}{line}\n"))
        assert not prove(sliced_folder / "cube_raft.gcode", other).holds


def test_cues_of_former_versions_are_still_read() -> None:
    assert find_cue("M118 E1 twinlapse cue 12.1 wide+nozzle") == Cue(
        shot=12, stop=1, cameras=("wide", "nozzle")
    )
    cue = Cue(shot=12, stop=1, cameras=("wide",), job="a1b2c3")
    assert find_cue(f"echo:{cue_text(cue)}") == cue
    assert re.fullmatch(r"twinlapse cue 12\.1 wide a1b2c3", cue_text(cue))
