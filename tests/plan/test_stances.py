"""Where the machine stands for a picture, by stance, mount and kind of machine."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from twinlapse.errors import RigError
from twinlapse.inject import inject_file
from twinlapse.optics.pose import pose_in_bed
from twinlapse.plan.where.look_points import touring_targets
from twinlapse.plan.where.parking import park_for

FRAME = {"name": "wide", "mount": "frame"}
HEAD = {"name": "nozzle", "mount": "toolhead"}


@pytest.fixture
def plan(sliced_folder: Path, make_rig: Callable, plan_file: Callable) -> Callable[..., Any]:
    def work(name: str, machine: str, *cameras: dict[str, Any]) -> Any:
        return plan_file(sliced_folder / name, make_rig(machine, *cameras))

    return work


def places(worked: Any, camera: str) -> np.ndarray:
    return np.array(
        [
            (stop.x_mm, stop.y_mm, stop.z_mm - shot.z_mm)
            for shot in worked.planning.plan.shots
            for stop in shot.stops
            if camera in stop.cameras
        ]
    )


def test_clear_goes_no_further_than_the_camera_needs_to_see_the_print_whole(plan: Callable) -> None:
    worked = plan("cube_abs.gcode", "bed moves y", FRAME)
    x, y, _ = places(worked, "wide")[0]
    toolhead, top_mm = worked.rig.printer.toolhead, float(worked.layers.z_mm.max())
    corners = [(a, b, c) for a in (86, 114) for b in (86, 114) for c in (0, top_mm)]
    # independent: points along each sight line lie outside the toolhead's cylinder
    eye = pose_in_bed(worked.rig.cameras[0], worked.rig.printer, (x, y, top_mm)).place_mm
    for corner in corners:
        line = eye + (np.array(corner) - eye) * np.linspace(0, 1, 600)[:, None]
        inside = np.hypot(*(line[:, :2] - [x, y]).T) < toolhead.radius_mm
        inside &= (line[:, 2] > top_mm + toolhead.nozzle_length_mm) & (
            line[:, 2] < top_mm + toolhead.height_mm
        )
        assert not inside.any()
    # beside the print, and not at the far edge of the bed
    assert 35 + 14 < np.hypot(x - 100, y - 100) < 80


def test_clear_on_a_sinking_bed_keeps_its_height_above_the_layer(plan: Callable) -> None:
    worked = plan("cube_abs.gcode", "bed moves z", FRAME)
    assert np.ptp(places(worked, "wide")[:, 2]) < 2e-3


def test_park_mm_is_obeyed(plan: Callable) -> None:
    worked = plan("cube_abs.gcode", "bed moves y", {**FRAME, "park_mm": [30, 190]})
    assert (places(worked, "wide")[:, :2] == [30, 190]).all()


@pytest.mark.parametrize(("park", "what"), [([300, 10], "outside the bed"), ([10, 210], "keep-out")])
def test_a_park_that_cannot_be_is_refused(plan: Callable, park: list[float], what: str) -> None:
    with pytest.raises(RigError, match=what):
        plan("cube_abs.gcode", "bed moves y", {**FRAME, "park_mm": park})


@pytest.mark.parametrize("eye", [(110.0, -300.0, 200.0), (110.0, 500.0, 200.0), (-250.0, 110.0, 150.0)])
def test_the_head_does_not_stand_between_camera_and_print(make_rig: Callable, eye: tuple) -> None:
    rig = make_rig("bed moves y", {**FRAME, "place_mm": list(eye)})
    box = ((90.0, 90.0), (130.0, 130.0))
    x, y = park_for(rig.cameras[0], rig.printer, box, 40.0)
    # independent: no sight line from the eye to a corner or the middle of the print passes the head's disc
    for corner in ((90, 90), (90, 130), (130, 90), (130, 130), (110, 110)):
        t = np.linspace(0, 1, 400)[:, None]
        line = np.array(eye[:2]) + (np.array(corner) - np.array(eye[:2])) * t
        assert np.hypot(*(line - [x, y]).T).min() > rig.printer.toolhead.radius_mm


def test_over_puts_the_look_point_on_one_place_of_the_print(plan: Callable) -> None:
    look = [12.0, -20.0, -2.0]
    worked = plan("cube_abs.gcode", "bed moves y", {**HEAD, "look_mm": look, "nozzle_height_mm": 6})
    stands = places(worked, "nozzle")
    assert np.ptp(stands, axis=0).max() < 2e-3
    x, y = stands[0, :2] + look[:2]
    assert 90 < x < 110 and 90 < y < 110
    assert stands[0, 2] == pytest.approx(6)


def test_over_has_print_under_it_in_every_layer_where_that_can_be(plan: Callable) -> None:
    worked = plan("cube_bare.gcode", "bed moves y", HEAD)
    target = places(worked, "nozzle")[0, :2]
    path, layers = worked.path, worked.layers
    for layer in range(len(layers)):
        rows = slice(int(layers.first_row[layer]), int(layers.first_row[layer + 1]))
        laid = np.flatnonzero(path.kind[rows] == 1) + rows.start
        a = np.stack([path.x_mm[laid - 1], path.y_mm[laid - 1]], axis=1)
        b = np.stack([path.x_mm[laid], path.y_mm[laid]], axis=1)
        way = b - a
        t = np.clip(((target - a) * way).sum(axis=1) / np.maximum((way**2).sum(axis=1), 1e-9), 0, 1)
        assert np.hypot(*(a + way * t[:, None] - target).T).min() < 2.0


def test_over_moves_smoothly_where_no_place_lasts(plan: Callable) -> None:
    worked = plan("vase_spiral.gcode", "bed moves y", HEAD)
    stands = places(worked, "nozzle")
    assert np.hypot(*np.diff(stands[:, :2], axis=0).T).max() < 1.0
    assert np.ptp(stands[:, :2]) > 0.5


def test_over_mm_is_obeyed(plan: Callable) -> None:
    worked = plan("cube_abs.gcode", "bed moves y", {**HEAD, "over_mm": [95, 105]})
    assert (places(worked, "nozzle")[:, :2] == [95, 105]).all()


def test_tour_walks_once_round_the_outline_at_an_even_pace(plan: Callable) -> None:
    worked = plan("cup_crlf.gcode", "bed moves y", {**HEAD, "stance": "tour"})
    stands = places(worked, "nozzle")[:, :2]
    centre = np.array([100.0, 100.0])
    radius = np.hypot(*(stands - centre).T)
    assert radius.min() > 10 and np.ptp(radius) < 8
    turn = np.unwrap(np.arctan2(*(stands - centre).T[::-1]))
    steps = np.diff(turn)
    assert (steps > 0).all() or (steps < 0).all()
    once = abs(turn[-1] - turn[0]) + abs(steps.mean())
    assert once == pytest.approx(2 * np.pi, rel=0.02)  # closed: one more step leads to the first
    paces = np.hypot(*np.diff(stands, axis=0).T)
    assert paces.max() < 2 * np.median(paces)


def test_touring_no_shot_is_no_target(plan: Callable) -> None:
    worked = plan("cube_abs.gcode", "bed moves y", HEAD)
    assert touring_targets(worked.path, worked.layers, np.empty(0, np.int64)).shape == (0, 2)


def test_still_moves_nothing_and_pulls_nothing(plan: Callable, tmp_path: Path) -> None:
    cameras = ({**FRAME, "stance": "still"}, {**HEAD, "stance": "still"})
    worked = plan("vase_spiral.gcode", "bed moves y", *cameras)
    for shot in worked.planning.plan.shots:
        assert (shot.lift_mm, shot.retract in ("none", "already"), len(shot.stops)) == (0, True, 1)
        assert shot.stops[0].cameras == ("wide", "nozzle")
        assert shot.cost_s == pytest.approx(1.3, abs=0.25)  # settle and dwell, braking, speeding up
    assert not any("spiral" in text for text in worked.planning.plan.warnings)
    out = tmp_path / "filmed.gcode"
    assert inject_file(worked.path.path, worked.planning.plan, out, toolpath=worked.path).proof.holds


def test_a_moving_stance_on_a_spiral_is_warned_of(plan: Callable) -> None:
    worked = plan("vase_spiral.gcode", "bed moves y", HEAD)
    assert any("every shot leaves a mark" in text for text in worked.planning.plan.warnings)


def test_last_stays_where_the_nozzle_is(plan: Callable) -> None:
    worked = plan("cube_abs.gcode", "bed moves y", {**HEAD, "stance": "last"})
    for shot, choice in zip(worked.planning.plan.shots, worked.planning.choices, strict=True):
        row = choice.moment.row
        stop = shot.stops[0]
        assert (stop.x_mm, stop.y_mm) == pytest.approx(
            (worked.path.x_mm[row], worked.path.y_mm[row]), abs=1e-3
        )
    assert any("shifts in its picture" in text for text in worked.planning.plan.warnings)


def test_last_joins_a_stop_that_is_there_anyway(plan: Callable) -> None:
    worked = plan("cube_abs.gcode", "bed moves y", FRAME, {**HEAD, "stance": "last"})
    assert {tuple(stop.cameras for stop in shot.stops) for shot in worked.planning.plan.shots} == {
        (("wide", "nozzle"),)
    }


def test_two_cameras_that_one_place_serves_share_a_stop(plan: Callable) -> None:
    side = {"name": "side", "mount": "bed", "stance": "clear"}
    worked = plan("cube_abs.gcode", "bed moves y", FRAME, side)
    assert {len(shot.stops) for shot in worked.planning.plan.shots} == {1}


def test_two_stops_come_in_the_cheaper_order(plan: Callable) -> None:
    from dataclasses import replace

    from twinlapse.plan.cost import block_s, here_at

    worked = plan("cube_abs.gcode", "bed moves y", FRAME, HEAD)
    for shot, choice in list(zip(worked.planning.plan.shots, worked.planning.choices, strict=True))[::9]:
        here = here_at(worked.path, worked.rig, choice.moment.row)
        other = replace(shot, stops=shot.stops[::-1])
        assert block_s(shot, here, worked.rig) <= block_s(other, here, worked.rig) + 1e-6


def test_a_gantry_camera_repeats_y_and_z_on_a_moving_bed(plan: Callable) -> None:
    beam = {"name": "beam", "mount": "gantry", "stance": "clear"}
    stands = places(plan("cube_abs.gcode", "bed moves y", beam), "beam")
    assert np.ptp(stands[:, 1:], axis=0).max() < 2e-3
