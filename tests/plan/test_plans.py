"""Plans of real files on three kinds of machine: they hold, they cost what they say, pictures stand still."""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from twinlapse.errors import InjectError
from twinlapse.gcode import read_toolpath
from twinlapse.inject import inject_file
from twinlapse.motion import time_toolpath
from twinlapse.plan.clearance.height_map import inside_bed
from twinlapse.rig import shift_axes
from twinlapse.shots import plan_from_json, plan_to_json

MACHINES = ("bed moves y", "bed moves z", "fixed round bed")


def test_every_layer_gets_its_shot_and_stays_in_the_machine(
    sliced: Path, truth: dict[str, dict[str, Any]], make_rig: Callable, plan_file: Callable
) -> None:
    worked = plan_file(sliced, make_rig())
    plan, printer = worked.planning.plan, worked.rig.printer
    layers = truth[sliced.name]["n_layers"] + truth[sliced.name].get("n_raft_layers", 0)
    assert [shot.layer for shot in plan.shots] == list(range(layers))
    assert [shot.number for shot in plan.shots] == list(range(1, layers + 1))
    for shot in plan.shots:
        for stop in shot.stops:
            assert inside_bed(printer, (stop.x_mm, stop.y_mm))
            assert stop.z_mm >= shot.z_mm
            assert stop.z_mm <= printer.height_mm
            for box in printer.keep_out:
                inside = box.x_mm[0] <= stop.x_mm <= box.x_mm[1] and box.y_mm[0] <= stop.y_mm <= box.y_mm[1]
                assert not inside or stop.z_mm > box.z_mm


def test_a_shot_follows_the_line_that_it_names(sliced: Path, make_rig: Callable, plan_file: Callable) -> None:
    data = sliced.read_bytes()
    for shot in plan_file(sliced, make_rig()).planning.plan.shots[::10]:
        assert data[: shot.byte].count(b"\n") == shot.after_line
        assert data[shot.byte - 1 : shot.byte] == b"\n"


@pytest.mark.parametrize("name", ["cube_abs.gcode", "cup_hop.gcode", "bracket_fw_retract.gcode"])
@pytest.mark.parametrize("machine", MACHINES)
def test_the_axes_that_shift_the_print_repeat(
    name: str, machine: str, sliced_folder: Path, make_rig: Callable, plan_file: Callable
) -> None:
    worked = plan_file(sliced_folder / name, make_rig(machine))
    lasting = name != "cup_hop.gcode"  # no place is printed on in every layer of the cup
    for camera in worked.rig.cameras:
        axes = shift_axes(worked.rig.printer.kinematics, camera.mount)
        stops = [
            (stop.x_mm, stop.y_mm, round(stop.z_mm - shot.z_mm, 3))
            for shot in worked.planning.plan.shots
            for stop in shot.stops
            if camera.name in stop.cameras
        ]
        for axis in axes:
            if camera.stance == "clear" or lasting or axis == "z":
                assert np.ptp([stop["xyz".index(axis)] for stop in stops]) < 2e-3, (camera.name, axis)


@pytest.mark.parametrize("name", ["cube_bare.gcode", "table_support.gcode", "towers_two_tools.gcode"])
def test_the_price_is_that_of_the_written_file(
    name: str, tmp_path: Path, sliced_folder: Path, make_rig: Callable, plan_file: Callable
) -> None:
    # the written file is timed whole, so the price is checked against moves that the plan did not make
    worked = plan_file(sliced_folder / name, make_rig())
    inject_file(sliced_folder / name, worked.planning.plan, tmp_path / "filmed.gcode")
    written = read_toolpath(tmp_path / "filmed.gcode", firmware="marlin")
    added_s = time_toolpath(written, worked.rig.printer).print_s - worked.timeline.print_s
    assert worked.planning.plan.cost_s == pytest.approx(added_s, rel=0.01)


@pytest.mark.slow
@pytest.mark.parametrize("machine", MACHINES)
def test_written_plans_are_proven(
    machine: str, sliced: Path, tmp_path: Path, make_rig: Callable, plan_file: Callable
) -> None:
    worked = plan_file(sliced, make_rig(machine))
    if sliced.name == "cube_start_end.gcode" and worked.rig.printer.firmware == "klipper":
        with pytest.raises(InjectError, match="placeholder"):  # Klipper aborts at one
            inject_file(sliced, worked.planning.plan, tmp_path / "filmed.gcode", toolpath=worked.path)
        return
    report = inject_file(sliced, worked.planning.plan, tmp_path / "filmed.gcode", toolpath=worked.path)
    assert report.proof.holds
    assert report.shots == len(worked.planning.plan.shots)


def test_a_plan_survives_its_json(sliced_folder: Path, make_rig: Callable, plan_file: Callable) -> None:
    plan = plan_file(sliced_folder / "cube_bare.gcode", make_rig()).planning.plan
    assert plan_from_json(plan_to_json(plan)) == plan


def test_print_time_and_cost_add_up(sliced_folder: Path, make_rig: Callable, plan_file: Callable) -> None:
    worked = plan_file(sliced_folder / "dome_adaptive.gcode", make_rig())
    plan = worked.planning.plan
    assert plan.print_s == pytest.approx(worked.timeline.print_s, abs=1e-3)
    assert plan.cost_s == pytest.approx(math.fsum(shot.cost_s for shot in plan.shots), abs=1e-3)
    waits = sum(stop.dwell_s + 0.3 for shot in plan.shots for stop in shot.stops)
    assert plan.cost_s > waits
