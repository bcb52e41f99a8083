"""Level cameras: they see the sides of lines, and what stands hides what is behind it."""

from __future__ import annotations

import math

import numpy as np
import pytest

from twinlapse.firstlayer.expected import Lines
from twinlapse.firstlayer.solid import SIDE_MM, LowerLayer, seen_slices, side_mm

HEIGHT_MM = 0.2


def lines(width_mm: float = 0.45) -> Lines:
    return Lines(
        first_mm=np.array([[0.0, 0.0]]),
        last_mm=np.array([[10.0, 0.0]]),
        width_mm=np.array([width_mm]),
        file_line=np.array([1]),
    )


def silhouette_mm(steep_deg: float, width_mm: float = 0.45) -> float:
    """How far a line with half round sides is seen to reach from its middle, point by point."""
    turn = np.linspace(-math.pi / 2, math.pi / 2, 20001)
    radius = HEIGHT_MM / 2
    out = width_mm / 2 - radius + radius * np.cos(turn)
    return float((out + radius * np.sin(turn) / math.tan(math.radians(steep_deg))).max())


@pytest.mark.parametrize("steep_deg", [12, 16, 20, 27, 35])
def test_slices_reach_as_far_as_the_silhouette_of_a_line(steep_deg: float) -> None:
    steep_rad = math.radians(steep_deg)
    slices = seen_slices(lines(), 0.1, HEIGHT_MM, (), steep_rad)
    reach = [
        sign * (some.width_mm[0] / 2 - sign * depth_mm / math.tan(steep_rad))
        for some, depth_mm in slices
        for sign in (1, -1)
    ]  # a slice that lies deeper is seen nearer to the camera
    beyond, toward = max(reach), -min(reach)
    assert beyond == pytest.approx(silhouette_mm(steep_deg), abs=1e-4)
    assert toward == pytest.approx(silhouette_mm(steep_deg), abs=1e-4)
    assert side_mm(HEIGHT_MM, steep_rad) == pytest.approx(silhouette_mm(steep_deg) - 0.225, abs=1e-4)


def test_a_steep_camera_sees_no_sides() -> None:
    assert len(seen_slices(lines(), 0.1, HEIGHT_MM, (), math.radians(57))) == 1
    assert side_mm(HEIGHT_MM, math.radians(57)) < SIDE_MM


def test_of_two_layers_the_lower_one_is_seen_below_and_the_upper_one_above() -> None:
    below = LowerLayer(lines=lines(0.6), top_mm=0.2, height_mm=0.2)
    slices = seen_slices(lines(), 0.3, HEIGHT_MM, [below], math.radians(16))
    rise = 0.1 * math.cos(math.radians(16))
    narrower = 0.2 * (1 - math.sin(math.radians(16)))
    told = [(some.width_mm[0], depth_mm) for some, depth_mm in slices]
    assert told == [
        pytest.approx(pair)
        for pair in ((0.45, 0.0), (0.6, 0.2), (0.45 - narrower, -rise), (0.6 - narrower, 0.2 + rise))
    ]
