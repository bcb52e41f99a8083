"""The plain values that `analyse --json` prints."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from twinlapse.gcode import find_layers, read_toolpath
from twinlapse.gcode.analysis import analysis_json
from twinlapse.gcode.segments import printed_box

FIELDS = {
    "file", "sha256", "bytes", "line_count", "move_count", "layer_count", "layer_source", "layers", "objects",
    "tools", "extruded_mm", "bbox_mm", "z_max_mm", "print_s", "firmware", "arc_count", "spiral", "sequential",
    "warnings",
}  # fmt: skip
LAYER_FIELDS = {
    "layer", "object", "z_mm", "height_mm", "first_line", "last_line", "start_s", "end_s", "extruded_mm",
}  # fmt: skip


def test_truth(sliced: Path, truth: dict[str, dict[str, Any]]) -> None:
    path = read_toolpath(sliced)
    end_s = np.arange(1.0, len(path) + 1)
    found = json.loads(json.dumps(analysis_json(path, find_layers(path), end_s), allow_nan=False))
    reference = truth[sliced.name]["reference"]
    assert set(found) >= FIELDS
    assert set(found["layers"][0]) >= LAYER_FIELDS
    assert found["z_max_mm"] == pytest.approx(reference["max_z"], abs=1e-3)
    assert [*found["bbox_mm"][0], *found["bbox_mm"][1]] == pytest.approx(reference["bbox"], abs=1e-3)
    assert found["extruded_mm"] == pytest.approx(reference["e_used"], abs=0.01)
    assert len(found["tools"]) == truth[sliced.name]["tools"]
    assert found["bytes"] == truth[sliced.name]["bytes"]
    for before, after in zip(found["layers"], found["layers"][1:], strict=False):
        assert before["last_line"] + 1 == after["first_line"]
        assert before["end_s"] == after["start_s"]


def test_layers_can_be_left_out(sliced_folder: Path) -> None:
    path = read_toolpath(sliced_folder / "cube_bare.gcode")
    assert "layers" not in analysis_json(path, find_layers(path), np.zeros(len(path)), with_layers=False)


def test_an_arc_reaches_further_than_its_ends(tmp_path: Path) -> None:
    file = tmp_path / "pot.gcode"
    file.write_text("M83\nG1 X10 Y0 Z0.2\nG3 X-10 Y0 I-10 J0 E1\n")
    box = printed_box(read_toolpath(file))
    low, high = box.low_mm, box.high_mm
    np.testing.assert_allclose(low, [-10, 0, 0.2])
    np.testing.assert_allclose(high, [10, 10, 0.2])
