"""What a rig may ask of the written file beyond the plain block: wipe, prime, arming, progress, cues."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from twinlapse.inject import inject_file, prove, remove_shots

MAKE = Callable[..., Any]


def written(source: Path, folder: Path, make: MAKE, rig: dict[str, Any], every: int = 5) -> str:
    """Write, prove by the header alone, take out again; return the written text."""
    toolpath, plan = make(source, rig=rig, every=every)
    out = folder / "filmed.gcode"
    inject_file(source, plan, out, toolpath=toolpath)
    proof = prove(source, out)
    assert proof.holds, [check for check in proof.checks if not check.holds]
    assert remove_shots(out, folder / "back.gcode").exact
    assert (folder / "back.gcode").read_bytes() == source.read_bytes()
    return out.read_text()


@pytest.mark.parametrize("wipe_mm", [0.4, 2.0, 10.0])
def test_a_wipe_ends_where_the_print_was_left(
    wipe_mm: float, sliced_folder: Path, hand_plan: MAKE, rig_values: dict[str, Any], tmp_path: Path
) -> None:
    printer = {**rig_values["printer"], "wipe_mm": wipe_mm, "prime_extra_mm": 0.04}
    rig = {**rig_values, "printer": printer}
    text = written(sliced_folder / "vase_spiral_bare.gcode", tmp_path, hand_plan, rig)
    block = text.split("; twinlapse shot 9 begin")[1].split("; twinlapse shot 9 end")[0].splitlines()
    down = max(i for i, line in enumerate(block) if line.startswith("G1 Z"))
    wipe = [line for line in block[down + 1 :] if line.startswith("G1 X")]
    assert len(wipe) >= 1  # it moves on the print after it has come down
    assert any(line.startswith("G92 E") for line in block)


def test_a_wipe_beside_the_path_is_caught(
    sliced_folder: Path, hand_plan: MAKE, rig_values: dict[str, Any], tmp_path: Path
) -> None:
    rig = {**rig_values, "printer": {**rig_values["printer"], "wipe_mm": 2.0}}
    source = sliced_folder / "vase_spiral_bare.gcode"
    text = written(source, tmp_path, hand_plan, rig)
    head, rest = text.split("; twinlapse shot 9 begin")
    block, tail = rest.split("; twinlapse shot 9 end")
    lines = block.splitlines()
    down = max(i for i, line in enumerate(lines) if line.startswith("G1 Z"))
    lines[down - 1] = re.sub(r"X([\d.]+)", lambda found: f"X{float(found[1]) + 1:.3f}", lines[down - 1])
    faulty = tmp_path / "faulty.gcode"
    faulty.write_text(
        head + "; twinlapse shot 9 begin" + "\n".join(lines) + "\n; twinlapse shot 9 end" + tail
    )
    broken = {check.name for check in prove(source, faulty).checks if not check.holds}
    assert "clearance" in broken


def test_arming_lines_come_ahead_and_go_again(
    sliced_folder: Path, hand_plan: MAKE, rig_values: dict[str, Any], tmp_path: Path
) -> None:
    rig = {**rig_values, "cue": {"early_notice_s": 4.0}}
    text = written(sliced_folder / "cube_abs.gcode", tmp_path, hand_plan, rig)
    armed = [int(n) for n in re.findall(r"; twinlapse arm (\d+) begin\nM118 E1 twinlapse arm \1\n", text)]
    assert armed == list(range(1, 21))
    for number in armed:
        assert text.index(f"; twinlapse arm {number} begin") < text.index(f"; twinlapse shot {number} begin")


def test_a_command_in_an_arming_line_is_caught(
    sliced_folder: Path, hand_plan: MAKE, rig_values: dict[str, Any], tmp_path: Path
) -> None:
    source = sliced_folder / "cube_abs.gcode"
    text = written(source, tmp_path, hand_plan, {**rig_values, "cue": {"early_notice_s": 4.0}})
    faulty = tmp_path / "faulty.gcode"
    faulty.write_text(text.replace("M118 E1 twinlapse arm 5\n", "M118 E1 twinlapse arm 5\nM106 S0\n"))
    assert [c.name for c in prove(source, faulty).checks if not c.holds] == ["commands"]


@pytest.mark.parametrize(
    "cue",
    [
        {"kind": "display", "text": "shot {shot} of layer {layer}"},
        {"kind": "pin"},
        {"kind": "macro", "text": "SNAP SHOT={shot} CAMERA={cameras}"},
        {"kind": "comment"},
        {"kind": "none"},
    ],
    ids=lambda cue: cue["kind"],
)
def test_every_kind_of_cue_is_proven(
    cue: dict[str, Any], sliced_folder: Path, hand_plan: MAKE, rig_values: dict[str, Any], tmp_path: Path
) -> None:
    text = written(
        sliced_folder / "cube_bare.gcode", tmp_path, hand_plan, {**rig_values, "cue": cue}, every=20
    )
    assert text.count("twinlapse cue") == 10


@pytest.fixture
def with_progress(sliced_folder: Path, tmp_path: Path) -> Path:
    """A file that says its progress before every fifth layer."""
    lines = (sliced_folder / "cube_abs.gcode").read_text().split("\n")
    out: list[str] = ["M73 P0 R18"]
    for line in lines:
        found = re.fullmatch(r";LAYER:(\d*5)", line)
        if found:
            out.append(f"M73 P{found[1]} R{18 - int(found[1]) * 18 // 100} ; progress")
        out.append(line)
    path = tmp_path / "with_progress.gcode"
    path.write_text("\n".join(out))
    return path


def test_remaining_time_counts_the_shots_to_come(
    with_progress: Path, hand_plan: MAKE, rig_values: dict[str, Any], tmp_path: Path
) -> None:
    text = written(with_progress, tmp_path, hand_plan, rig_values)
    _, plan = hand_plan(with_progress, rig=rig_values, every=5)
    pairs = re.findall(r"; twinlapse progress was M73 P(\d+) R(\d+).*\nM73 P(\d+) R(\d+)", text)
    assert len(pairs) >= 8  # towards the end rounding leaves nothing to correct
    first, last = pairs[0], pairs[-1]
    assert int(first[3]) - int(first[1]) == pytest.approx(plan.cost_s / 60, abs=0.5)
    assert int(last[3]) - int(last[1]) <= 1
    shares = [int(p[2]) for p in pairs]
    assert shares == sorted(shares)
    assert "; progress" in text


def test_a_wrong_remaining_time_is_caught(
    with_progress: Path, hand_plan: MAKE, rig_values: dict[str, Any], tmp_path: Path
) -> None:
    text = written(with_progress, tmp_path, hand_plan, rig_values)
    faulty = tmp_path / "faulty.gcode"
    faulty.write_text(re.sub(r"(\nM73 P\d+ R)\d+", r"\g<1>99", text, count=1))
    broken = [check for check in prove(with_progress, faulty).checks if not check.holds]
    assert [check.name for check in broken] == ["progress"]
    assert broken[0].line


def test_another_command_instead_of_progress_is_caught(
    with_progress: Path, hand_plan: MAKE, rig_values: dict[str, Any], tmp_path: Path
) -> None:
    text = written(with_progress, tmp_path, hand_plan, rig_values)
    faulty = tmp_path / "faulty.gcode"
    faulty.write_text(re.sub(r"\nM73 P\d+ R\d+", "\nM106 S0", text, count=1))
    assert "progress" in [check.name for check in prove(with_progress, faulty).checks if not check.holds]
