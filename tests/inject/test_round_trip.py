"""Every shared file: the proof holds, and taking the shots out gives the original's bytes."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from twinlapse.gcode import reader
from twinlapse.inject import inject_file, prove, remove_shots
from twinlapse.rig import rig_from_mapping


def test_written_files_hold_and_come_back(
    sliced: Path, hand_plan: Callable[..., Any], tmp_path: Path
) -> None:
    toolpath, plan = hand_plan(sliced)
    out = tmp_path / "filmed.gcode"
    report = inject_file(sliced, plan, out, toolpath=toolpath)
    assert report.proof.holds
    assert report.shots == len(plan.shots) > 70
    assert out.read_bytes().count(b"; twinlapse shot ") == 2 * len(plan.shots)
    again = prove(sliced, out)  # by the header alone
    assert again.holds
    back = tmp_path / "back.gcode"
    assert remove_shots(out, back).exact is True
    assert back.read_bytes() == sliced.read_bytes()


@pytest.mark.parametrize("piece_bytes", [12_000, 90_000])
def test_blocks_across_pieces_are_seen_whole(
    piece_bytes: int,
    sliced_folder: Path,
    hand_plan: Callable[..., Any],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    source = sliced_folder / "towers_two_tools.gcode"
    toolpath, plan = hand_plan(source)
    out = tmp_path / "filmed.gcode"
    whole = inject_file(source, plan, out, toolpath=toolpath).proof
    monkeypatch.setattr(reader, "PIECE_BYTES", piece_bytes)
    assert prove(source, out, rig_from_mapping(plan.rig), toolpath=toolpath) == whole
    faulty = tmp_path / "faulty.gcode"
    faulty.write_text(
        re.sub(r"(; twinlapse shot 9 begin[^;]*?\nG1 Z)(\S+)", r"\g<1>0.3", out.read_text(), count=1)
    )
    broken = {check.name for check in prove(source, faulty, toolpath=toolpath).checks if not check.holds}
    assert "clearance" in broken
