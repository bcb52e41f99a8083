"""Every shared file: the proof holds, and taking the shots out gives the original's bytes."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

from twinlapse.inject import inject_file, prove, remove_shots


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
