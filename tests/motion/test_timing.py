"""Seconds of moves against closed forms and against a speed profile integrated numerically."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from twinlapse.gcode import read_toolpath
from twinlapse.motion import moves_s, straight_s, time_toolpath
from twinlapse.rig import Cornering, Printer


def printer(**values: object) -> Printer:
    return Printer(**{"bed_mm": (220.0, 220.0), "height_mm": 250.0, "accel_mm_s2": 1000.0, **values})  # type: ignore[arg-type]


def times(tmp_path: Path, text: str, machine: Printer, firmware: str = "marlin") -> np.ndarray:
    file = tmp_path / "print.gcode"
    file.write_text(text)
    path = read_toolpath(file, firmware=firmware)
    return np.diff(np.concatenate([[0.0], time_toolpath(path, machine).end_s]))


@pytest.mark.parametrize(
    ("length_mm", "expected_s"),
    # uniform acceleration: v / a + d / v when the speed is reached, else 2 sqrt(d / a)
    [(100.0, 1.1), (5.0, 2 * math.sqrt(5 / 1000)), (10.0, 0.2), (0.5, 2 * math.sqrt(0.5 / 1000))],
)
def test_a_straight_move_takes_the_time_of_the_closed_form(length_mm: float, expected_s: float) -> None:
    assert moves_s([(0, 0, 0), (length_mm, 0, 0)], [100], printer()) == pytest.approx(expected_s, abs=1e-3)
    assert straight_s(length_mm, 100, 1000) == pytest.approx(expected_s, abs=1e-3)


def test_moves_in_one_line_are_one_move() -> None:
    whole = moves_s([(0, 0, 0), (100, 50, 0)], [80], printer())
    pieces = moves_s([(k, k / 2, 0) for k in range(0, 101, 4)], [80] * 25, printer())
    assert pieces == pytest.approx(whole, abs=1e-3)


def corner_time(v: float, corner: float) -> float:
    """Two moves of 50 mm at 1000 mm/s2 with speed `corner` between them."""
    one = (v - 0) / 1000 + (v - corner) / 1000 + (50 - v * v / 2000 - (v * v - corner * corner) / 2000) / v
    return 2 * one


@pytest.mark.parametrize("degrees", [20, 60, 90, 135, 170])
def test_junction_deviation_follows_its_published_formula(degrees: int) -> None:
    # grbl and Marlin: v^2 = a d s / (1 - s), s = sin of half the angle between reversed entry and exit
    turn = math.radians(degrees)
    s = math.sin((math.pi - turn) / 2)
    v = min(math.sqrt(1000 * 0.05 * s / (1 - s)), 60)
    points = [(0, 0, 0), (50, 0, 0), (50 + 50 * math.cos(turn), 50 * math.sin(turn), 0)]
    found = moves_s(points, [60, 60], printer(cornering=Cornering(junction_deviation_mm=0.05)))
    assert found == pytest.approx(corner_time(60, v), abs=1e-3)


def test_a_square_corner_is_taken_at_the_square_corner_speed() -> None:
    # Klipper, docs/Kinematics.md: a 90 degree corner has the speed that the setting names
    points = [(0, 0, 0), (50, 0, 0), (50, 50, 0)]
    found = moves_s(points, [60, 60], printer(cornering=Cornering(square_corner_mm_s=7.0)))
    assert found == pytest.approx(corner_time(60, 7), abs=1e-3)


def test_jerk_bounds_the_change_of_each_axis() -> None:
    # classic jerk: at 90 degrees X falls by v and Y rises by v, so v = jerk
    points = [(0, 0, 0), (50, 0, 0), (50, 50, 0)]
    found = moves_s(points, [60, 60], printer(cornering=Cornering(jerk_mm_s=8.0)))
    assert found == pytest.approx(corner_time(60, 8), abs=1e-3)


def test_a_lift_has_the_slow_acceleration_of_its_axis() -> None:
    found = moves_s([(0, 0, 0), (0, 0, 5)], [10], printer(accel_z_mm_s2=100.0))
    assert found == pytest.approx(10 / 100 + 5 / 10, abs=1e-3)


def test_a_slanted_move_is_held_back_by_its_slowest_axis() -> None:
    # 3-4-5: Z has 4/5 of the way, so the whole move may have 5/4 of Z's acceleration
    found = moves_s([(0, 0, 0), (3, 0, 4)], [10], printer(accel_z_mm_s2=100.0))
    assert found == pytest.approx(10 / 125 + 5 / 10, abs=1e-3)


def test_the_file_sets_its_own_accelerations(tmp_path: Path) -> None:
    text = "G28\nG90\nM83\nM204 P500 T2000\nG1 X100 F6000\nG1 X0 E5\nG4 P250\nG1 E-1 F2400\n"
    found = times(tmp_path, text, printer())
    moving = found[found > 0]
    # both corners are full reversals, so each move is from rest to rest
    assert moving == pytest.approx(
        [straight_s(100, 100, 2000), straight_s(100, 100, 500), 0.25, straight_s(1, 40, 2000)], abs=1e-3
    )


def test_marlin_limits_each_axis_as_the_file_says_and_klipper_does_not(tmp_path: Path) -> None:
    text = "G28\nG90\nM83\nM201 X200\nM203 X40\nG1 X100 F6000\nG1 X0 E5\n"
    marlin = times(tmp_path, text, printer())
    assert marlin[marlin > 0] == pytest.approx([straight_s(100, 40, 200)] * 2, abs=1e-3)
    klipper = times(tmp_path, text, printer(), "klipper")
    assert klipper[klipper > 0] == pytest.approx([straight_s(100, 100, 1000)] * 2, abs=1e-3)


def test_heating_is_not_counted_and_brings_the_machine_to_rest(tmp_path: Path) -> None:
    text = "G28\nG90\nM83\nG1 X50 F6000\n{}G1 X100 E5\n"
    through = times(tmp_path, text.format(""), printer())
    waited = times(tmp_path, text.format("M109 S210\n"), printer())
    assert through.sum() == pytest.approx(straight_s(100, 100, 1000), abs=1e-3)
    assert waited.sum() == pytest.approx(2 * straight_s(50, 100, 1000), abs=1e-3)


def test_a_row_can_be_made_to_end_at_rest(tmp_path: Path) -> None:
    file = tmp_path / "print.gcode"
    file.write_text("G28\nG90\nM83\nG1 X50 F6000\nG1 X100 E5\n")
    path = read_toolpath(file, firmware="marlin")
    row = int(np.flatnonzero(path.x_mm == 50)[0])
    rested = time_toolpath(path, printer(), rest_rows=np.array([row]))
    assert rested.print_s == pytest.approx(2 * straight_s(50, 100, 1000), abs=1e-3)


def test_an_arc_keeps_below_its_centripetal_acceleration(tmp_path: Path) -> None:
    # a full circle of radius 4 at a = 1000 has at most v = sqrt(a r) = 63.2 mm/s
    found = times(tmp_path, "G28\nG90\nM83\nG1 X10 Y10 F12000\nG4 P1\nG2 X10 Y10 I4 J0 E5\n", printer())
    assert found[-1] == pytest.approx(straight_s(8 * math.pi, math.sqrt(4000), 1000), abs=1e-3)


def integrated_s(lengths: list[float], speeds: list[float], corners2: list[float], accel: float) -> float:
    """Integrate ds / v over the greatest speed profile: at each place the least that any limit allows."""
    edges = np.concatenate([[0.0], np.cumsum(lengths)])
    limits2 = np.array([0.0, *corners2, 0.0])
    s = np.linspace(0, edges[-1], 400_001)
    s = (s[1:] + s[:-1]) / 2
    move = np.searchsorted(edges, s) - 1
    u = np.array(speeds)[move] ** 2
    for place, limit2 in zip(edges, limits2, strict=True):
        u = np.minimum(u, limit2 + 2 * accel * np.abs(s - place))
    for k, speed in enumerate(speeds):  # beyond a slow move it takes way to get faster
        away = np.maximum(0, np.maximum(edges[k] - s, s - edges[k + 1]))
        u = np.minimum(u, speed**2 + 2 * accel * away)
    return float((edges[-1] / len(s) / np.sqrt(u)).sum())


@settings(max_examples=30, deadline=None, derandomize=True)
@given(
    st.lists(st.tuples(st.floats(0.5, 40), st.floats(5, 150), st.floats(-2.5, 2.5)), min_size=1, max_size=12)
)
def test_look_ahead_reaches_the_greatest_speed_profile(moves: list[tuple[float, float, float]]) -> None:
    heading, points, corners2 = 0.0, [(0.0, 0.0, 0.0)], []
    for k, (length, speed, turn) in enumerate(moves):
        if k:
            heading += turn
            s = math.cos(turn / 2)
            fit = 0.5 * min(length, moves[k - 1][0]) * s / max(math.sqrt(1 - s * s), 1e-9) * 1000
            rule = 1000 * 0.02 * s / (1 - s) if s < 1 else math.inf
            corners2.append(min(rule, fit, speed**2, moves[k - 1][1] ** 2))
        x, y, _ = points[-1]
        points.append((x + length * math.cos(heading), y + length * math.sin(heading), 0.0))
    found = moves_s(points, [speed for _, speed, _ in moves], printer())
    expected = integrated_s([m[0] for m in moves], [m[1] for m in moves], corners2, 1000)
    assert found == pytest.approx(expected, rel=2e-3, abs=2e-3)


@pytest.mark.parametrize("corner", [Cornering(junction_deviation_mm=0.02), Cornering(square_corner_mm_s=5.0)])
def test_compiled_and_plain_loops_agree(
    corner: Cornering, sliced_folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from twinlapse.motion import lookahead

    path = read_toolpath(sliced_folder / "cube_bare.gcode", firmware="klipper")
    compiled = time_toolpath(path, printer(cornering=corner, firmware="klipper")).end_s
    for name, function in list(vars(lookahead).items()):
        if hasattr(function, "py_func"):
            monkeypatch.setattr(lookahead, name, function.py_func)
    assert time_toolpath(path, printer(cornering=corner, firmware="klipper")).end_s == pytest.approx(
        compiled, abs=1e-3
    )


def test_a_whole_file_takes_about_what_its_slicer_said(sliced: Path, truth: dict[str, dict]) -> None:
    # the slicer's own estimate is for another machine, so only the size of the answer is checked
    said = truth[sliced.name]["est_time_s"]
    found = time_toolpath(read_toolpath(sliced), printer(accel_mm_s2=1500.0)).print_s
    assert found > 600
    if said:
        assert 0.9 < found / said[0] < 1.2
