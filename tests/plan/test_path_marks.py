"""Comments that say what kind of path follows, found whatever stands around them."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from twinlapse import buffered_bytes
from twinlapse.gcode import read_toolpath
from twinlapse.plan.when import features
from twinlapse.plan.when.features import marked_paths

PARTS = (
    "\n;TYPE:Outer wall", "\n; FEATURE: Top surface", "\n;\tfeature inner", "\n; outer wall",
    "\n; surface  \n",
    "\n; infill\r", "\n; support\t\t", "\n;", ";TYPE:External", "\n;T", "\n;WIDTH:0.4", "\n; skirt x", "\n",
    " ", "\nG1 X1 Y2 E.1", "\nG1 X2 Y1 E.1 ;TYPE:Skin", "\n ;TYPE:Skin", "\n;TYPE: " + "x" * 70,
)  # fmt: skip


@pytest.mark.parametrize("step", [64, 1000, 1 << 20])
def test_marks_are_those_of_a_search_by_the_pattern(
    step: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Also of those that lie across the edge between two pieces of the file."""
    draw = np.random.default_rng(step)
    file = tmp_path / "print.gcode"
    file.write_bytes(("G28\nG1 X1 Y1 Z.2 E1\n" + "".join(draw.choice(PARTS, 600))).encode())
    path = read_toolpath(file)
    found = [mark.start() for mark in features._MARK.finditer(file.read_bytes())]
    monkeypatch.setattr(buffered_bytes, "_STEP_BYTES", step)
    rows, _ = marked_paths(path)
    assert len(found) > 100
    assert rows.tolist() == np.searchsorted(path.byte, found).tolist()


def test_the_end_of_a_file_is_no_mark_cut_short(tmp_path: Path) -> None:
    for end in ("\n;", "\n; ", "\n;TYPE:", "\n;TYPE:W"):
        file = tmp_path / "print.gcode"
        file.write_text("G28\nG1 X1 Y1 Z.2 E1" + end)
        assert len(marked_paths(read_toolpath(file))[0]) == (end == "\n;TYPE:W")
