"""The schedule that is picked where the rig names none."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from twinlapse.gcode import find_layers, read_toolpath
from twinlapse.motion import time_toolpath
from twinlapse.plan import work_out
from twinlapse.plan.summary import choice_rows
from twinlapse.rig import Rig, rig_from_mapping


def planned(file: Path, rig: Rig) -> Any:
    path = read_toolpath(file, firmware=rig.printer.firmware)
    return work_out(path, find_layers(path), time_toolpath(path, rig.printer), rig)


def rig_of(**more: Any) -> Rig:
    cameras = [{"name": "wide", "mount": "frame", **more}, {"name": "nozzle", "mount": "toolhead", **more}]
    return rig_from_mapping({"printer": {"bed_mm": [220, 220], "height_mm": 250}, "camera": cameras})


@pytest.mark.parametrize("name", ["cup_hop.gcode", "towers_one_at_a_time.gcode", "cube_raft.gcode"])
def test_at_most_a_tenth_is_added_and_the_print_grows_evenly(sliced_folder: Path, name: str) -> None:
    planning = planned(sliced_folder / name, rig_of())
    plan = planning.plan
    assert plan.cost_s <= (planning.automatic.share + 1e-9) * plan.print_s
    assert planning.automatic.share <= 0.15
    wide = [shot.layer for shot in plan.shots for stop in shot.stops if "wide" in stop.cameras]
    steps = np.diff(sorted(wide))
    assert (steps[:-1] == planning.automatic.layer_step).all()


def test_the_nozzle_camera_sees_every_one_of_the_first_layers(sliced_folder: Path) -> None:
    planning = planned(sliced_folder / "cup_hop.gcode", rig_of())
    seen = {s.layer for s in planning.plan.shots for stop in s.stops if "nozzle" in stop.cameras}
    assert {0, 1, 2} <= seen


def test_a_long_print_gets_a_smooth_film_and_no_more(boxes: Callable, tmp_path: Path) -> None:
    file = tmp_path / "slow.gcode"
    file.write_text(boxes(480).replace("F2400", "F60").replace("F1800", "F60"))
    planning = planned(file, rig_of(age_s=0.2))
    if planning.automatic.layer_step == 2:  # cheap enough: 240 shots make a film of 8 s
        assert len(planning.plan.shots) >= 240
    else:
        assert planning.plan.cost_s > 0.05 * planning.plan.print_s


def test_a_schedule_of_the_rig_is_kept(sliced_folder: Path) -> None:
    planning = planned(sliced_folder / "cube_raft.gcode", rig_of(every={"layers": 20}))
    assert planning.automatic is None
    assert choice_rows(planning, rig_of()) == []


def test_other_schedules_are_told_with_their_cost(sliced_folder: Path) -> None:
    rig = rig_of()
    rows = dict(choice_rows(planned(sliced_folder / "cup_hop.gcode", rig), rig))
    assert rows["every layer"].startswith("200 shots")
    assert "film" in rows["every 2nd layer"]


def test_the_estimate_is_near_the_cost_that_every_layer_has(sliced_folder: Path) -> None:
    """What "every layer" would cost by the table, against a plan of every layer."""
    rig = rig_of()
    told = dict(choice_rows(planned(sliced_folder / "cup_hop.gcode", rig), rig))["every layer"]
    share = float(told.split(", ")[2].removesuffix(" %"))
    plan = planned(sliced_folder / "cup_hop.gcode", rig_of(every="layer")).plan
    assert share == pytest.approx(100 * plan.cost_s / plan.print_s, rel=0.1)
