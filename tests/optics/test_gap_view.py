"""What gaps a camera shows, against rays that meet half round sides of lines."""

from __future__ import annotations

import math

import numpy as np
import pytest

from twinlapse.optics.gap_view import gap_view, side_mm, smallest_gap_mm
from twinlapse.rig import Camera, Lens, Printer

PRINTER = Printer(bed_mm=(220, 220), height_mm=250)
HEIGHT_MM, WIDTH_MM = 0.2, 0.45


def _at(degrees: float) -> Camera:
    up = math.radians(degrees)
    return Camera(
        name="nozzle",
        mount="toolhead",
        place_mm=(0.0, -45 * math.cos(up), 45 * math.sin(up)),
        look_mm=(0.0, -1.0, 0.0),
        lens=Lens(width_px=640, height_px=480, across_deg=60.0),
    )


@pytest.mark.parametrize("degrees", [16, 27, 43, 60])
def test_what_two_lines_leave_of_the_bed_between_them(degrees: float) -> None:
    gap_mm, radius, e = 1.5, HEIGHT_MM / 2, math.radians(degrees)
    starts = np.linspace(-1.0, gap_mm + 1.0, 20001)  # where rays meet the plane of the lines' middle
    way = np.array([math.cos(e), -math.sin(e)])
    free = np.ones(len(starts), np.bool_)
    for middle in (-radius, gap_mm + radius):  # the sides that face each other; between them is the gap
        off = (middle - starts)[:, None] * np.array([1.0, 0.0])
        free &= np.abs(off[:, 0] * way[1] - off[:, 1] * way[0]) > radius
    between = free & (starts > -radius) & (starts < gap_mm + radius)
    seen_mm = between.sum() * (starts[1] - starts[0])
    assert seen_mm == pytest.approx(gap_mm - 2 * side_mm(HEIGHT_MM, e), abs=1e-3)


def test_level_cameras_show_gaps_along_their_view_alone() -> None:
    ways = np.array([[0.0, 1.0], [1.0, 0.0], [math.sqrt(0.5), math.sqrt(0.5)]])
    shown = {
        degrees: smallest_gap_mm(ways, np.full(3, WIDTH_MM), HEIGHT_MM, _at(degrees), PRINTER, 1.0)
        for degrees in (13, 20, 34, 45, 60)
    }
    assert 0.9 < shown[13][0] < 1.3 and np.isinf(shown[13][1:]).all()
    assert shown[20][0] < 0.8 and np.isinf(shown[20][1:]).all()
    assert np.isfinite(shown[34][[0, 2]]).all()
    assert (shown[45] < 0.5).all() and (shown[60] < 0.4).all()


def test_the_share_of_lines_that_hide_gaps() -> None:
    ways, lengths = np.array([[0.0, 1.0], [1.0, 0.0]]), np.array([3.0, 1.0])
    told = gap_view(ways, lengths, np.full(2, WIDTH_MM), HEIGHT_MM, _at(20), PRINTER, 1.0)
    assert told is not None and told.hidden_share == pytest.approx(0.25) and not told.tells
    assert told.words.startswith("the camera looks too level to show a gap of 0.8 mm in 25% of the lines: it")
    alone = gap_view(ways[:1], lengths[:1], np.full(1, WIDTH_MM), HEIGHT_MM, _at(20), PRINTER, 1.0)
    assert alone is not None and alone.tells and alone.words == ""
    for degrees in (3, 57):
        assert gap_view(ways, lengths, np.full(2, WIDTH_MM), HEIGHT_MM, _at(degrees), PRINTER, 1.0) is None
