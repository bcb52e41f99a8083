"""One map from pane to raw picture: turning, cropping, straightening, alignment in a single resampling."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from skimage import data
from skimage.transform import AffineTransform, warp

from twinlapse.imaging.resampling import chain, pane_map, resample, straight_map, upright_map
from twinlapse.optics.lens import camera_matrix, scaled
from twinlapse.rig import Lens

SIZE = (120, 80)


@pytest.fixture(scope="module")
def picture() -> np.ndarray:
    return cv2.resize(data.astronaut(), SIZE, interpolation=cv2.INTER_AREA)


@pytest.mark.parametrize("rotate", [0, 90, 180, 270])
@pytest.mark.parametrize("mirror", [False, True])
def test_turning_and_mirroring_are_numpy_s(picture: np.ndarray, rotate: int, mirror: bool) -> None:
    matrix, size = upright_map(SIZE, rotate, mirror)
    seen = picture[:, ::-1] if mirror else picture
    wanted = np.rot90(seen, -rotate // 90)  # numpy turns anticlockwise
    assert (wanted.shape[1], wanted.shape[0]) == size
    assert np.array_equal(resample(picture, matrix, size), wanted)


def test_a_pane_of_the_same_size_is_the_picture_itself(picture: np.ndarray) -> None:
    assert np.array_equal(resample(picture, pane_map((0, 0, *SIZE), SIZE), SIZE), picture)
    cut = resample(picture, pane_map((30, 20, 60, 40), (60, 40)), (60, 40))
    assert np.array_equal(cut, picture[20:60, 30:90])


def test_halving_keeps_edges_on_edges(picture: np.ndarray) -> None:
    half = resample(picture, pane_map((0, 0, *SIZE), (60, 40)), (60, 40))
    # the middle of a pixel of the half is the corner of four of the whole
    wanted = cv2.resize(picture, (60, 40), interpolation=cv2.INTER_LINEAR)
    assert np.abs(half.astype(int) - wanted).max() <= 1


@given(
    angle=st.floats(-3, 3),
    dx=st.floats(-4, 4),
    dy=st.floats(-4, 4),
    scale=st.floats(0.97, 1.03),
)
@settings(derandomize=True, max_examples=25, deadline=None)
def test_an_alignment_is_scikit_image_s(angle: float, dx: float, dy: float, scale: float) -> None:
    picture = cv2.resize(data.astronaut(), SIZE, interpolation=cv2.INTER_AREA)
    form = AffineTransform(rotation=np.radians(angle), scale=scale, translation=(dx, dy))
    wanted = warp(picture, form, order=1, mode="edge", preserve_range=True)
    found = resample(picture, np.asarray(form.params)[:2], SIZE)
    inner = (slice(6, -6), slice(6, -6))
    # OpenCV places samples on 1/32 px: one step of it on the steepest edge
    assert np.abs(found.astype(float) - wanted)[inner].mean() < 1.5


def test_chain_applies_from_right_to_left() -> None:
    first, second = np.array([[1, 0, 5.0], [0, 1, 0]]), np.array([[0, -1.0, 0], [1, 0, 0]])
    place = np.array([2.0, 3.0, 1.0])
    assert np.allclose(chain(second, first) @ place, second @ [*(first @ place), 1])


@pytest.mark.parametrize("fisheye", [False, True])
def test_straightening_is_opencv_s(picture: np.ndarray, fisheye: bool) -> None:
    bend = (-0.2, 0.03, 0.0, 0.0) if fisheye else (-0.25, 0.08, 0.002, -0.001, 0.01)
    kind = "fisheye" if fisheye else "pinhole"
    lens = Lens(width_px=SIZE[0], height_px=SIZE[1], across_deg=70, kind=kind, distortion=bend)
    matrix = camera_matrix(lens)
    wanted = (
        cv2.fisheye.undistortImage(picture, matrix, np.array(bend), Knew=matrix)
        if fisheye
        else cv2.undistort(picture, matrix, np.array(bend))
    )
    whole = pane_map((0, 0, *SIZE), SIZE)
    found = resample(picture, whole, SIZE, straight=straight_map(lens))
    inner = (slice(12, -12), slice(12, -12))
    assert np.abs(found[inner].astype(int) - wanted[inner]).mean() < 1
    assert np.abs(found[inner].astype(int) - picture[inner]).mean() > 5  # the control: it does something


def test_alignment_and_straightening_are_one_resampling(picture: np.ndarray) -> None:
    lens = Lens(width_px=SIZE[0], height_px=SIZE[1], across_deg=70, distortion=(-0.25, 0.08))
    motion = np.array([[1, 0, 1.5], [0, 1, -0.75]])
    whole = pane_map((0, 0, *SIZE), SIZE)
    large = cv2.resize(picture, None, fx=4, fy=4, interpolation=cv2.INTER_CUBIC)
    # the same in two steps on four times the pixels, where a second resampling costs little
    lens4 = scaled(lens, (480, 320))
    shifted = cv2.warpAffine(
        large, motion * [[1, 1, 4], [1, 1, 4]], (480, 320), flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    )
    bent = cv2.undistort(shifted, camera_matrix(lens4), np.array((-0.25, 0.08, 0, 0, 0)))
    wanted = cv2.resize(bent, SIZE, interpolation=cv2.INTER_AREA)
    found = resample(picture, whole, SIZE, straight=straight_map(lens), inner=motion, fine=True)
    inner = (slice(14, -14), slice(14, -14))
    assert np.abs(found[inner].astype(int) - wanted[inner]).mean() < 4
