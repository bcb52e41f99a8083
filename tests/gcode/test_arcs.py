"""Arcs in centre and radius form, in all planes, flat and helical."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from twinlapse.gcode import Kind, Mode, Toolpath
from twinlapse.gcode.arcs import arc_boxes, arc_points

Read = Callable[..., Toolpath]


def test_centre_form(read: Read) -> None:
    # NIST RS274/NGC interpreter version 3, 3.5.3.2: "G17 G2 x 10 y 16 i 3 j 4 z 9": from X=7, Y=7 the centre
    # is at X=10, Y=11 and the radius is 5
    path = read("M83\nG0 X7 Y7 Z9\nG17 G2 x 10 y 16 i 3 j 4 z 9 E1\n")
    centre_x, centre_y, sweep, plane = path.arc[0]
    assert (centre_x, centre_y, plane) == (10, 11, 0)
    assert sweep < 0
    assert np.hypot(path.x_mm[-1] - centre_x, path.y_mm[-1] - centre_y) == pytest.approx(5)
    assert path.length_mm[-1] == pytest.approx(5 * abs(sweep))
    # the clockwise way from the spoke (-3, -4) to (0, 5)
    assert abs(sweep) == pytest.approx(np.pi - np.arctan2(3, 4))


def test_radius_form(read: Read) -> None:
    # NIST RS274/NGC 3.5.3.1: "G17 G2 x 10 y 15 r 20 z 5": clockwise, radius 20, helical when Z changes;
    # a positive radius turns through at most 180 degrees, a negative one through more
    text = "M83\nG0 X0 Y0 Z{z}\nG17 G2 x 10 y 15 r {r} z 5 E1\n"
    flat, helix, far = (read(text.format(z=z, r=r)) for z, r in ((5, 20), (1, 20), (5, -20)))
    chord = np.hypot(10, 15)
    short = 2 * np.arcsin(chord / 40)
    assert flat.arc[0][2] == pytest.approx(-short)
    assert far.arc[0][2] == pytest.approx(short - 2 * np.pi)
    for path in (flat, helix, far):
        x, y = path.arc[0][:2]
        assert np.hypot(x, y) == pytest.approx(20) and np.hypot(x - 10, y - 15) == pytest.approx(20)
    assert flat.length_mm[-1] == pytest.approx(20 * short)
    assert helix.length_mm[-1] == pytest.approx(np.hypot(20 * short, 4))


@pytest.mark.parametrize(
    ("words", "plane"),
    [("G17\nG3 X-5 Y0 I-5 J0", 0), ("G18\nG3 Z-5 X0 K-5 I0", 1), ("G19\nG3 Y-5 Z0 J-5 K0", 2)],
)
def test_planes(words: str, plane: int, read: Read) -> None:
    # NIST RS274/NGC 3.5.3: I J in XY, K I in ZX, J K in YZ
    start = {0: "X5", 1: "Z5", 2: "Y5"}[plane]
    path = read(f"M83\nG0 {start}\n{words} E1\n")
    assert path.arc[0].tolist() == pytest.approx([0, 0, np.pi, plane])
    begin = np.roll([5.0, 0.0, 0.0], {0: 0, 1: 2, 2: 1}[plane])
    half = arc_points(path.arc[0], begin, -begin, 2)[0]
    np.testing.assert_allclose(half, np.roll(begin, 1), atol=1e-9)  # X to Y, Z to X, Y to Z


def test_a_full_circle_and_turns(read: Read) -> None:
    # P counts the turns
    path = read("M83\nG0 X5\nG2 I-5 E1\nG2 X5 Y0 Z3 I-5 P3 E1\n")
    assert path.arc[:, 2].tolist() == pytest.approx([-2 * np.pi, -6 * np.pi])
    assert path.length_mm[-1] == pytest.approx(np.hypot(30 * np.pi, 3))
    assert (float(path.x_mm[-1]), float(path.y_mm[-1])) == (5, 0)


def test_arcs_in_inches_and_relative(read: Read) -> None:
    path = read("M83\nG20\nG91\nG3 X-2 Y0 I-1 J0 E1\n")
    assert path.arc[0].tolist() == pytest.approx([-25.4, 0, np.pi, 0])


def test_an_arc_that_fits_no_circle_is_straight_and_reported(read: Read) -> None:
    path = read("M83\nG0 X0 Y0\nG2 X10 Y0 I2 J0 E1\nG2 X20 Y0 R1 E1\nG2 X30 Y0 E1\n")
    assert len(path.arc_row) == 0
    assert not (path.mode & Mode.ARC).any()
    np.testing.assert_allclose(path.length_mm[-3:], 10)
    assert "bad-arc" in {notice.code for notice in path.warnings}


def test_extent_against_points_on_the_arc() -> None:
    rng = np.random.default_rng(7)
    centre, radius = rng.uniform(-50, 50, (200, 2)), rng.uniform(1, 30, 200)
    first, sweep = rng.uniform(-np.pi, np.pi, 200), rng.uniform(-2 * np.pi, 2 * np.pi, 200)
    table = np.column_stack([centre, sweep, np.zeros(200)])
    spoke = np.column_stack([np.cos(first), np.sin(first)]) * radius[:, None]
    last = np.column_stack([np.cos(first + sweep), np.sin(first + sweep)]) * radius[:, None]
    start = np.column_stack([centre + spoke, np.zeros(200)])
    end = np.column_stack([centre + last, np.full(200, 3.0)])
    low, high = arc_boxes(table, start, end)
    for k in range(200):
        points = np.vstack([start[k], arc_points(table[k], start[k], end[k], 2000)])
        np.testing.assert_allclose(low[k], points.min(axis=0), atol=1e-3)
        np.testing.assert_allclose(high[k], points.max(axis=0), atol=1e-3)


def test_both_forms_name_the_same_arc(read: Read) -> None:
    # Marlin documentation, G2-G3, figure: from [9, 6], "G3 X2 Y7 I-4 J-3" or "G3 X2 Y7 R5"
    by_centre = read("M83\nG0 X9 Y6\nG3 X2 Y7 I-4 J-3 E1\n")
    by_radius = read("M83\nG0 X9 Y6\nG3 X2 Y7 R5 E1\n")
    np.testing.assert_allclose(by_centre.arc, by_radius.arc, atol=1e-9)
    np.testing.assert_allclose(by_centre.arc[0][:2], [5, 3])


def test_an_arc_that_leads_nowhere_feeds_standing_still(read: Read) -> None:
    path = read("M83\nG1 X5 E1\nG2 X5 Y0 R3 E2\n")
    assert path.kind[-1] == Kind.PRIME and path.length_mm[-1] == 0
