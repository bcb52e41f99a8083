"""Files made to be slow: what is done once for each shot must not grow with the size of the file.

Operations are counted, not seconds: rows that a function is given, by a count in its place.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest

from twinlapse.gcode import find_layers, read_toolpath
from twinlapse.gcode.state import setting_after
from twinlapse.motion import time_toolpath
from twinlapse.plan import make_plan
from twinlapse.plan.when import boundary_kernels, insertion_points
from twinlapse.rig import rig_from_mapping

RIG = {
    "printer": {"bed_mm": [220, 220], "height_mm": 250, "firmware": "marlin", "kinematics": "bed-moves-y"},
    "camera": [{"name": "wide", "mount": "frame", "every": "layer"}],
}
BEGIN = "G28\nM109 S200\nG90\nM83\nG1 F1800\n"


def planned(text: str, folder: Path) -> Any:
    file = folder / "pot.gcode"
    file.write_text(BEGIN + text)
    path = read_toolpath(file, firmware="marlin")
    rig = rig_from_mapping(RIG)
    return path, make_plan(path, find_layers(path), time_toolpath(path, rig.printer), rig)


def test_every_row_of_a_long_gap_is_looked_at_a_fixed_number_of_times(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    seen: list[int] = []
    known = boundary_kernels.judge_boundaries

    def counted(*columns: Any) -> Any:
        seen.append(columns[6])  # the most rows that are looked at
        return known(*columns)

    monkeypatch.setattr(insertion_points, "judge_boundaries", counted)
    idle = "G1 F1800\nG1 F1700\n" * 400
    layer = ";LAYER:{k}\nG0 X50 Y50 Z{z:.1f}\nG1 X60 E1\n" + idle + "G0 X55\nG1 X60 E1\n"
    path, plan = planned("".join(layer.format(k=k, z=0.2 + 0.2 * k) for k in range(20)), tmp_path)
    assert len(plan.shots) == 20
    assert sum(seen) <= 3 * len(path)


def test_settings_are_sorted_once_and_the_last_before_a_row_holds(tmp_path: Path) -> None:
    lines = [f"M204 P{100 + k} T{200 + k}\nG1 X{50 + k % 9} Y{50 + k % 7} Z0.2 E1\n" for k in range(300)]
    file = tmp_path / "pot.gcode"
    file.write_text(BEGIN + "".join(lines))
    path = read_toolpath(file, firmware="marlin")
    for kind in np.unique(path.setting_kind).tolist():
        for row in range(0, len(path), 7):
            held = path.setting_value[(path.setting_kind == kind) & (path.setting_row <= row)]
            assert setting_after(path, row, kind, -1.0) == (held[-1] if len(held) else -1.0)
    assert path.by_setting() is path.by_setting()
