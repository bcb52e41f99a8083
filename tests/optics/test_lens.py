"""The lens models against OpenCV's projection, and against themselves turned round."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from twinlapse.optics.lens import axis_px, border_px, focal_px, inside, project, scaled, unproject
from twinlapse.rig import Lens

PINHOLES = [
    Lens(),
    Lens(width_px=1920, height_px=1080, across_deg=78, distortion=(-0.28, 0.09, 0.001, -0.002, -0.012)),
    Lens(across_deg=40, distortion=(0.11, -0.05), centre_px=(300.5, 251.25)),
]
FISHEYES = [
    Lens(kind="fisheye", across_deg=160, width_px=1280, height_px=960),
    Lens(kind="fisheye", across_deg=150, distortion=(-0.03, 0.004, -0.002, 0.0003)),
]


def _matrix(lens: Lens) -> np.ndarray:
    x, y = axis_px(lens)
    return np.array([[focal_px(lens), 0, x], [0, focal_px(lens), y], [0, 0, 1]])


def _points(seed: int, spread: float) -> np.ndarray:
    dice = np.random.default_rng(seed)
    return np.column_stack([dice.uniform(-spread, spread, (500, 2)), dice.uniform(0.8, 3, 500)])


@pytest.mark.parametrize("lens", PINHOLES)
def test_pinhole_agrees_with_opencv(lens: Lens) -> None:
    points = _points(1, 0.5)
    bend = np.zeros(5)
    bend[: len(lens.distortion)] = lens.distortion
    expected, _ = cv2.projectPoints(points, np.zeros(3), np.zeros(3), _matrix(lens), bend)
    assert np.abs(project(points, lens) - expected[:, 0]).max() < 1e-9


@pytest.mark.parametrize("lens", FISHEYES)
def test_fisheye_agrees_with_opencv(lens: Lens) -> None:
    points = _points(2, 1.5)
    bend = np.zeros(4)
    bend[: len(lens.distortion)] = lens.distortion
    expected, _ = cv2.fisheye.projectPoints(points[:, None], np.zeros(3), np.zeros(3), _matrix(lens), bend)
    assert np.abs(project(points, lens) - expected[:, 0]).max() < 1e-8


@pytest.mark.parametrize("lens", PINHOLES + FISHEYES)
def test_unproject_turns_project_round_over_the_whole_picture(lens: Lens) -> None:
    x, y = np.meshgrid(
        np.linspace(-0.5, lens.width_px - 0.5, 41), np.linspace(-0.5, lens.height_px - 0.5, 31)
    )
    pixels = np.stack([x, y], axis=-1)
    rays = unproject(pixels, lens)
    assert np.allclose(np.linalg.norm(rays, axis=-1), 1)
    assert np.abs(project(rays * 37.0, lens) - pixels).max() < 1e-5


@settings(derandomize=True, max_examples=60, deadline=None)
@given(
    st.floats(20, 100),
    st.floats(-0.3, 0.3),
    st.floats(-0.05, 0.05),
    st.floats(-0.01, 0.01),
    st.sampled_from(["pinhole", "fisheye"]),
)
def test_a_ray_comes_back_or_is_said_to_be_lost(
    across: float, k1: float, k2: float, p1: float, kind: str
) -> None:
    bend = (k1, k2, p1, 0.0, 0.0) if kind == "pinhole" else (k1 / 10, k2 / 10, 0.0, 0.0)
    lens = Lens(across_deg=across, distortion=bend, kind=kind)  # type: ignore[arg-type]
    rays = unproject(border_px(lens, 8), lens)
    back = project(rays, lens)
    known = np.isfinite(rays).all(axis=1)
    assert np.abs(back[known] - border_px(lens, 8)[known]).max(initial=0) < 1e-3
    assert np.isnan(back[~known]).all()


def test_focal_length_is_the_handbook_value() -> None:
    # 2 atan(w / 2f): 36 mm of film behind 50 mm see 39.6 degrees (any photographic handbook)
    assert focal_px(Lens(width_px=36, height_px=24, across_deg=39.5978)) == pytest.approx(50, abs=1e-3)
    assert focal_px(Lens(width_px=900, across_deg=180, kind="fisheye")) == pytest.approx(900 / np.pi)


def test_what_a_pinhole_cannot_see_is_nan() -> None:
    assert np.isnan(project(np.array([0.0, 0, -1]), Lens())).all()
    # with k1 < 0 the picture turns back at r = 1 / sqrt(3 |k1|): a point beyond must not appear inside
    folding = Lens(across_deg=90, distortion=(-0.3,))
    assert np.isfinite(project(np.array([1.0, 0, 1]), folding)).all()
    assert np.isnan(project(np.array([1.2, 0, 1]), folding)).all()


def test_a_fisheye_sees_behind_itself() -> None:
    lens = Lens(width_px=1000, height_px=1000, across_deg=200, kind="fisheye")
    ray = np.array([np.sin(np.radians(95)), 0, np.cos(np.radians(95))])
    assert inside(project(ray, lens), lens)
    assert unproject(project(ray, lens), lens) == pytest.approx(ray)


def test_the_axis_and_the_edges() -> None:
    lens = Lens()
    assert project(np.array([0.0, 0, 5]), lens) == pytest.approx([319.5, 239.5])
    edge = project(np.array([np.tan(np.radians(30)), 0, 1]), lens)
    assert edge[0] == pytest.approx(639.5)
    assert inside(np.array([[639.5, 0], [639.6, 0], [np.nan, 0]]), lens).tolist() == [True, False, False]


def test_focal_length_of_an_angle() -> None:
    # 36 mm of film behind a 50 mm lens see 39.6 degrees: the handbook's pair
    assert focal_px(Lens(width_px=36, height_px=24, across_deg=39.598)) == pytest.approx(50, abs=0.01)
    fisheye = Lens(width_px=100, height_px=100, across_deg=180, kind="fisheye")
    assert focal_px(fisheye) == pytest.approx(100 / np.pi)


@pytest.mark.parametrize("lens", PINHOLES + FISHEYES)
def test_a_scaled_lens_sees_every_ray_at_the_scaled_pixel(lens: Lens) -> None:
    points = _points(3, 0.4)
    half = scaled(lens, (lens.width_px // 2, lens.height_px // 2))
    # edges fall on edges: pixel p of the whole is (p + 0.5) / 2 - 0.5 of the half
    assert np.allclose(project(points, half), (project(points, lens) + 0.5) / 2 - 0.5, atol=1e-9)
