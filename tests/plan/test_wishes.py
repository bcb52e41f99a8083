"""Schedules: how often each camera shoots, and what is left out."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from twinlapse.errors import PlanError, RigError
from twinlapse.plan.when.schedule import MOST_SHOTS, layer_times, wishes_of
from twinlapse.rig import Rig
from twinlapse.rig.notations import amount_s

CUBE = "cube_abs.gcode"  # 100 layers of 0.2 mm, about 1,160 s


@pytest.fixture
def plan_cube(sliced_folder: Path, make_rig: Callable, plan_file: Callable) -> Callable[..., Any]:
    def plan(every: object = "layer", limits: dict[str, Any] | None = None, **camera: object) -> Any:
        one = {"name": "wide", "mount": "frame", "every": every, **camera}
        return plan_file(sliced_folder / CUBE, make_rig("bed moves y", one, **(limits or {})))

    return plan


def layers_of(worked: Any) -> list[int]:
    return [shot.layer for shot in worked.planning.plan.shots]


def test_every_third_layer_and_the_last(plan_cube: Callable) -> None:
    assert layers_of(plan_cube({"layers": 3})) == [*range(2, 99, 3), 99]


def test_every_millimetre_of_height(plan_cube: Callable) -> None:
    worked = plan_cube({"mm": 1.0})
    assert [shot.z_mm for shot in worked.planning.plan.shots] == pytest.approx(list(range(1, 21)))


def test_height_steps_finer_than_a_layer_are_layers(plan_cube: Callable) -> None:
    assert layers_of(plan_cube({"mm": 0.05})) == list(range(100))


def test_adaptive_layers_are_stepped_by_height_not_by_number(
    sliced_folder: Path, make_rig: Callable, plan_file: Callable
) -> None:
    camera = {"name": "wide", "mount": "frame", "every": {"mm": 1.0}}
    worked = plan_file(sliced_folder / "dome_adaptive.gcode", make_rig("bed moves y", camera))
    tops = [shot.z_mm for shot in worked.planning.plan.shots]
    assert len(tops) == 15
    assert all(0 <= top - due < 0.31 for top, due in zip(tops, range(1, 15), strict=False))


def test_every_so_many_seconds(plan_cube: Callable) -> None:
    worked = plan_cube({"s": 45})
    at = np.array([shot.at_s for shot in worked.planning.plan.shots])
    assert len(at) == pytest.approx(worked.timeline.print_s / 45, abs=2)
    assert np.abs(np.diff(at)[:-1] - 45).max() < 2 * 15 + 1
    assert layers_of(worked)[-1] == 99


@pytest.mark.parametrize("by", ["height", "time", "material"])
def test_a_film_length_gives_its_number_of_frames(plan_cube: Callable, by: str) -> None:
    worked = plan_cube({"film_s": 2, "fps": 25, "by": by})
    assert len(worked.planning.plan.shots) == pytest.approx(50, abs=1)
    assert layers_of(worked)[-1] == 99


def test_by_time_and_by_height_differ_where_layers_do(
    sliced_folder: Path, make_rig: Callable, plan_file: Callable
) -> None:
    def at(by: str) -> np.ndarray:
        camera = {"name": "wide", "mount": "frame", "every": {"film_s": 1, "fps": 20, "by": by}}
        worked = plan_file(sliced_folder / "dome_adaptive.gcode", make_rig("bed moves y", camera))
        shots = worked.planning.plan.shots
        return np.array([[shot.at_s, shot.z_mm] for shot in shots])

    time, height = at("time"), at("height")
    assert np.diff(time[:, 0]).std() < np.diff(height[:, 0]).std()
    assert np.diff(height[:, 1]).std() < np.diff(time[:, 1]).std()


def test_more_film_than_layers_shoots_inside_layers(plan_cube: Callable) -> None:
    worked = plan_cube({"film_s": 6, "fps": 30, "by": "time"})
    assert len(worked.planning.plan.shots) > 120
    assert np.diff([shot.at_s for shot in worked.planning.plan.shots]).min() > 0


def test_first_layers_are_shot_more_often(plan_cube: Callable) -> None:
    worked = plan_cube({"layers": 10}, first_layers={"layers": 3, "s": 10})
    times = layer_times(worked.layers, worked.timeline.end_s)
    early = [shot.at_s for shot in worked.planning.plan.shots if shot.layer < 3]
    lasts_s = times.end_s[2] - times.start_s[0]
    assert len(early) == pytest.approx(lasts_s / 10, abs=3)
    assert layers_of(worked)[-10:] == [*range(9, 100, 10)]


@pytest.mark.parametrize(
    "first", [{"layers": 0}, {"s": 10}, {"layers": 2.5}, {"layers": 3, "mm": 1}, {"layers": 3, "s": 0}]
)
def test_first_layers_that_make_no_sense_are_refused(plan_cube: Callable, first: dict) -> None:
    with pytest.raises(RigError, match="first_layers"):
        plan_cube("layer", first_layers=first)


def test_cameras_have_schedules_of_their_own(
    sliced_folder: Path, make_rig: Callable, plan_file: Callable
) -> None:
    rig = make_rig(
        "bed moves y",
        {"name": "wide", "mount": "frame", "every": "layer"},
        {"name": "nozzle", "mount": "toolhead", "every": {"layers": 4}},
    )
    shots = plan_file(sliced_folder / CUBE, rig).planning.plan.shots
    both = [shot.layer for shot in shots if len(shot.stops) == 2]
    assert both == [*range(3, 100, 4)]
    assert len(shots) == 100


def test_a_smallest_gap_is_kept(plan_cube: Callable) -> None:
    worked = plan_cube(limits={"min_gap_s": 30})
    gaps = np.diff([shot.at_s for shot in worked.planning.plan.shots])
    assert gaps.min() >= 28  # between the moments' beginnings, the boundary in them may be a little later
    assert 20 < len(gaps) < 45


@pytest.mark.parametrize("cap", ["5%", "60s", "1min"])
def test_the_cap_on_added_time_holds_and_says_what_is_dropped(plan_cube: Callable, cap: str) -> None:
    worked = plan_cube(limits={"max_added": cap})
    plan = worked.planning.plan
    most_s = amount_s(cap, plan.print_s)
    assert most_s - 5 < plan.cost_s <= most_s + 0.5
    assert [shot.number for shot in plan.shots] == list(range(1, len(plan.shots) + 1))
    assert any("dropped" in text for text in plan.warnings)
    kept = layers_of(worked)
    assert kept[-1] == 99
    # thinned, not cut: no stretch of the print is left without shots
    assert np.diff([0, *kept]).max() <= 3 * 100 / len(kept)


def test_the_dearest_shots_go_first(sliced_folder: Path, make_rig: Callable, plan_file: Callable) -> None:
    def costs(**limits: str) -> list[float]:
        worked = plan_file(sliced_folder / "table_support.gcode", make_rig("bed moves y", **limits))
        return sorted(shot.cost_s for shot in worked.planning.plan.shots)

    everything, capped = costs(), costs(max_added="25%")
    assert np.mean(capped) < np.mean(everything)


def test_wishes_are_in_order_and_inside_the_print(
    sliced_folder: Path, make_rig: Callable, plan_file: Callable
) -> None:
    worked = plan_file(sliced_folder / CUBE, make_rig())
    times = layer_times(worked.layers, worked.timeline.end_s)
    rig: Rig = make_rig(
        "bed moves y",
        {"name": "a", "mount": "frame", "every": {"s": 7}, "first_layers": {"layers": 2, "s": 3}},
    )
    wishes = wishes_of(rig.cameras[0], worked.layers, times)
    assert (np.diff(wishes.at_s) >= 0).all()
    assert times.start_s[0] <= wishes.at_s[0] and wishes.at_s[-1] <= times.end_s[-1]


def test_a_schedule_of_more_shots_than_a_film_can_use_is_refused(plan_cube: Callable) -> None:
    with pytest.raises(PlanError, match=f'camera "wide" asks for .* shots, {MOST_SHOTS:,} are the most'):
        plan_cube({"s": 0.1})
