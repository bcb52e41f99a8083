"""The virtual lens against OpenCV's (an independent implementation of the same published models)."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from twinlapse.optics.lens import axis_px, focal_px, ray_grid
from twinlapse.optics.pose import pose_looking, see_with_depth
from twinlapse.rig import Lens

LENSES = {
    "pinhole": Lens(width_px=640, height_px=480, across_deg=60),
    "barrel": Lens(width_px=640, height_px=480, across_deg=70, distortion=(-0.21, 0.05, 0.001, -0.002, 0.01)),
    "fisheye": Lens(
        width_px=640, height_px=480, across_deg=120, kind="fisheye", distortion=(0.03, -0.01, 0.002, 0.0)
    ),
}
POSE = pose_looking((-40.0, -150.0, 130.0), (60.0, 60.0, 10.0), roll_deg=7)


def by_opencv(points: np.ndarray, lens: Lens) -> np.ndarray:
    f, (cx, cy) = focal_px(lens), axis_px(lens)
    matrix = np.array([[f, 0, cx], [0, f, cy], [0, 0, 1]])
    turn, _ = cv2.Rodrigues(POSE.axes)
    way = -POSE.axes @ POSE.place_mm
    bend = np.array(lens.distortion or (0.0,) * 5)
    if lens.kind == "fisheye":
        pixels, _ = cv2.fisheye.projectPoints(points.reshape(-1, 1, 3), turn, way, matrix, bend)
    else:
        pixels, _ = cv2.projectPoints(points.reshape(-1, 1, 3), turn, way, matrix, bend)
    return pixels.reshape(-1, 2)


@pytest.mark.parametrize("name", LENSES)
def test_points_appear_where_opencv_puts_them(name: str) -> None:
    lens = LENSES[name]
    points = np.random.default_rng(3).uniform((0, 0, 0), (120, 120, 60), (200, 3))
    pixels, depth = see_with_depth(points, POSE, lens)
    np.testing.assert_allclose(pixels, by_opencv(points, lens), atol=1e-6)
    np.testing.assert_allclose(depth, (points - POSE.place_mm) @ POSE.axes[2])


@pytest.mark.parametrize("name", LENSES)
def test_rays_go_back_to_their_pixels(name: str) -> None:
    lens = LENSES[name]
    ways = ray_grid(lens)[::40, ::40].astype(np.float64)
    rows, columns = np.mgrid[0:480:40, 0:640:40]
    seen = np.isfinite(ways[..., 0])
    assert seen.mean() > 0.9
    out = np.dstack([ways, np.ones(ways.shape[:2])]) @ POSE.axes * 200 + POSE.place_mm
    back, _ = see_with_depth(out[seen], POSE, lens)
    np.testing.assert_allclose(back, np.column_stack([columns[seen], rows[seen]]), atol=0.01)


def test_fine_rays_surround_the_pixel() -> None:
    lens = LENSES["pinhole"]
    fine = ray_grid(lens, 2)
    mean = (fine[::2, ::2] + fine[1::2, ::2] + fine[::2, 1::2] + fine[1::2, 1::2]) / 4
    np.testing.assert_allclose(mean, ray_grid(lens), atol=1e-6)


def test_a_shake_moves_the_middle_by_its_angle() -> None:
    lens = LENSES["pinhole"]
    ahead = (POSE.place_mm + 500 * POSE.axes[2])[None]
    before, _ = see_with_depth(ahead, POSE, lens)
    down, _ = see_with_depth(ahead, POSE.turned((0.002, 0.0, 0.0)), lens)
    aside, _ = see_with_depth(ahead, POSE.turned((0.0, 0.002, 0.0)), lens)
    rolled, _ = see_with_depth(ahead, POSE.turned((0.0, 0.0, 0.002)), lens)
    assert abs(down - before)[0] == pytest.approx((0.0, focal_px(lens) * 0.002), abs=1e-3)
    assert abs(aside - before)[0] == pytest.approx((focal_px(lens) * 0.002, 0.0), abs=1e-3)
    np.testing.assert_allclose(rolled, before, atol=1e-9)
