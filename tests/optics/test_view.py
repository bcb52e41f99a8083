"""Footprints, pixel sizes, depth of field and hiding, against closed forms and handbook values."""

from __future__ import annotations

import math

import numpy as np
import pytest

from twinlapse.optics.pose import pose_looking
from twinlapse.optics.view import blur_px, footprint, hidden, pixel_size, sharpness
from twinlapse.rig import Lens, Toolhead

# a 36 mm wide picture of 1200 pixels of 30 um behind 50 mm: c = 0.03 mm, the handbooks' full-frame case
FULL_FRAME = {
    "width_px": 1200,
    "height_px": 800,
    "across_deg": 2 * math.degrees(math.atan(18 / 50)),
    "pixel_um": 30.0,
}


def test_depth_of_field_of_the_handbook_case() -> None:
    # 50 mm at f/8 with c = 0.03 mm: H = 2500 / 0.24 + 50 = 10.467 m; at 3 m: 2.338 m to 4.185 m
    # (any depth-of-field table for 35 mm film: 2.34 m to 4.18 m)
    field = sharpness(Lens(**FULL_FRAME, f_number=8), 3000.0)
    assert field.near_mm == pytest.approx(2338, abs=3)
    assert field.far_mm == pytest.approx(4185, abs=10)


def test_from_the_hyperfocal_distance_on_all_is_sharp_from_its_half() -> None:
    lens = Lens(**FULL_FRAME, f_number=8)
    hyperfocal = 50**2 / (8 * 0.03) + 50
    field = sharpness(lens, hyperfocal)
    assert math.isinf(field.far_mm)
    assert field.near_mm == pytest.approx(hyperfocal / 2, rel=1e-9)


def test_blur_at_the_limits_is_the_circle_of_confusion() -> None:
    lens = Lens(f_number=2.4)
    for circle in (1.0, 2.5):
        field = sharpness(lens, 38.0, circle)
        assert blur_px(lens, 38.0, field.near_mm) == pytest.approx(circle, rel=1e-9)
        assert blur_px(lens, 38.0, field.far_mm) == pytest.approx(circle, rel=1e-9)


def test_footprint_from_straight_above_is_the_rectangle_of_the_angles() -> None:
    lens = Lens(across_deg=60)
    outline = footprint(pose_looking((100, 100, 50), (100, 100, 0)), lens)
    half = 50 * math.tan(math.radians(30))
    assert outline.min(axis=0) == pytest.approx([100 - half, 100 - half * 0.75])
    assert outline.max(axis=0) == pytest.approx([100 + half, 100 + half * 0.75])


def test_footprint_of_a_tilted_camera_ends_where_its_edge_rays_do() -> None:
    lens = Lens(across_deg=60)
    up = math.atan(0.75 * math.tan(math.radians(30)))
    outline = footprint(pose_looking((0, -40, 40), (0, 0, 0)), lens)  # 45 degrees down
    assert outline[:, 1].min() == pytest.approx(-40 + 40 * math.tan(math.pi / 4 - up))
    assert outline[:, 1].max() == pytest.approx(-40 + 40 * math.tan(math.pi / 4 + up))
    level = footprint(pose_looking((0, 0, 40), (0, 10, 40)), lens)
    assert np.isfinite(level).all()
    assert not len(footprint(pose_looking((0, 0, 40), (0, 10, 80)), lens))


def test_a_pixel_of_a_tilted_camera() -> None:
    # at distance d, tilted by t off the vertical, a pixel on the axis spans d / f across, d / (f cos t) along
    lens = Lens(across_deg=60)
    focal = 320 / math.tan(math.radians(30))
    size = pixel_size(np.array([[0.0, 0, 0]]), pose_looking((0, -30, 40), (0, 0, 0)), lens)
    assert size[0] == pytest.approx(50 / focal / 0.8, rel=1e-4)


def test_the_head_hides_its_shadow() -> None:
    head = Toolhead(radius_mm=20, height_mm=40, nozzle_length_mm=5, nozzle_radius_mm=3)
    pose = pose_looking((0, -200, 10), (0, 0, 10))
    points = np.array([[0.0, 100, 10], [60, 100, 10], [0, -100, 10], [0, 100, 90], [0, 100, 2]])
    seen = hidden(points, pose, head, (0.0, 0.0, 0.0))
    assert seen.tolist() == [True, False, False, False, True]
    assert hidden(points, pose, head, (0.0, 0.0, 60.0)).tolist()[:3] == [False, False, False]


def test_hiding_agrees_with_stepping_along_the_line() -> None:
    head, at = Toolhead(), (10.0, -5.0, 12.0)
    pose = pose_looking((-150, -220, 140), (0, 0, 0))
    points = np.random.default_rng(4).uniform([-120, -120, 0], [120, 120, 60], (300, 3))
    steps = np.linspace(0, 1, 3001)[:, None, None]
    line = points + steps * (pose.place_mm - points)
    far = np.hypot(line[..., 0] - at[0], line[..., 1] - at[1])
    z = line[..., 2] - at[2]
    block = (far < head.radius_mm) & (z > head.nozzle_length_mm) & (z < head.height_mm)
    tip = (far < head.nozzle_radius_mm) & (z > 0) & (z < head.nozzle_length_mm)
    stepped = (block | tip).any(axis=0)
    assert 20 < stepped.sum() < 280
    assert (stepped == hidden(points, pose, head, at)).mean() > 0.99
