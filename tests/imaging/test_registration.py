"""Tiles and votes: laws that need no film."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from skimage import data
from skimage.registration import phase_cross_correlation

from twinlapse.imaging import transforms
from twinlapse.imaging.light import (
    Relight,
    brightness,
    common_level,
    gains,
    relight,
    to_linear,
    to_srgb,
)
from twinlapse.imaging.registration import chance, make_reference, measure
from twinlapse.imaging.tone_curve import ToneCurve, lit_codes, whole_codes
from twinlapse.imaging.transforms import fit_map, fit_maps, motion_of
from twinlapse.jit import COMPILED

SCENE = data.camera()


def cut(dx: int, dy: int) -> np.ndarray:
    """A part of the scene, its content moved by whole pixels."""
    return SCENE[60 - dy : 420 - dy, 60 - dx : 460 - dx].copy()


@given(dx=st.integers(-9, 9), dy=st.integers(-9, 9))
@settings(derandomize=True, max_examples=20, deadline=None)
def test_whole_pixels_are_found_exactly(dx: int, dy: int) -> None:
    reference = make_reference(cut(0, 0))
    votes = measure(reference, [cut(dx, dy)])
    matrix, confidence = fit_map(reference.centres, votes.shifts[0], votes.weights[0], "shift")
    assert np.abs(matrix[:, 2] - [dx, dy]).max() < 0.03
    assert confidence > 0.8


def test_fractions_agree_with_scikit_image() -> None:
    rng = np.random.default_rng(1)
    for _ in range(4):
        dx, dy = np.round(rng.uniform(-2, 2, 2) * 4) / 4
        large = cv2.resize(SCENE, None, fx=4, fy=4, interpolation=cv2.INTER_CUBIC)
        x, y = int(240 - 4 * dx), int(240 - 4 * dy)
        pictures = [
            cv2.resize(large[b : b + 1440, a : a + 1600], (400, 360), interpolation=cv2.INTER_AREA)
            for a, b in ((240, 240), (x, y))
        ]
        reference = make_reference(pictures[0])
        votes = measure(reference, [pictures[1]])
        matrix, _ = fit_map(reference.centres, votes.shifts[0], votes.weights[0], "shift")
        judge, _, _ = phase_cross_correlation(*pictures, upsample_factor=50, normalization=None)
        assert np.abs(matrix[:, 2] - [dx, dy]).max() < 0.05
        assert np.abs(matrix[:, 2] + judge[::-1]).max() < 0.3  # it looks at the whole picture, edges and all


def test_the_callers_picture_is_not_touched() -> None:
    picture = cut(0, 0)
    before = picture.copy()
    reference = make_reference(picture)
    measure(reference, [picture])
    assert np.array_equal(picture, before)


def test_unrelated_content_and_flat_pictures_have_no_vote() -> None:
    rng = np.random.default_rng(2)
    reference = make_reference(cut(0, 0))
    noise = cv2.GaussianBlur(rng.integers(0, 255, (360, 400)).astype(np.uint8), (0, 0), 2)
    assert measure(reference, [noise]).weights.max() < 0.1
    assert len(make_reference(np.full((360, 400), 90, np.uint8))) == 0
    assert chance(64) > chance(128) > 0.05


@given(seed=st.integers(0, 999), strangers=st.integers(0, 8))
@settings(derandomize=True, max_examples=40, deadline=None)
def test_a_minority_cannot_drag_the_vote(seed: int, strangers: int) -> None:
    rng = np.random.default_rng(seed)
    centres = rng.uniform(0, 1000, (20, 2))
    turn, scale = np.radians(rng.uniform(-0.5, 0.5)), rng.uniform(0.998, 1.002)
    true = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]]) * scale
    way = rng.uniform(-3, 3, 2)
    shifts = centres @ true.T + way - centres + rng.normal(0, 0.02, (20, 2))
    shifts[:strangers] += [5.0, -4.0]  # one body of their own, all of one mind
    matrix, confidence = fit_map(centres, shifts, np.ones(20), "scale")
    landed = centres @ matrix[:, :2].T + matrix[:, 2]
    assert np.abs(landed - (centres @ true.T + way)).max() < 0.2
    assert confidence == pytest.approx((20 - strangers) / 20, abs=0.11)


@given(seed=st.integers(0, 999), model=st.sampled_from(["shift", "rotation", "scale"]))
@settings(derandomize=True, max_examples=20, deadline=None)
def test_pictures_are_fitted_each_by_itself(seed: int, model: str) -> None:
    rng = np.random.default_rng(seed)
    tiles = int(rng.integers(1, 24))
    centres = rng.uniform(0, 1000, (tiles, 2))
    shifts = rng.normal(0, 2, (40, 1, 2)) + rng.normal(0, 0.03, (40, tiles, 2))
    weights = rng.uniform(0, 1, (40, tiles)) * (rng.random((40, tiles)) < 0.7)
    matrices, confidence = fit_maps(centres, shifts, weights, model)
    assert np.array_equal(confidence > 0, weights.any(axis=1))
    for row in (0, 17, 39):
        spoken = weights[row] > 0  # a silent tile is as good as none
        alone, sure = fit_map(centres[spoken], shifts[row, spoken], weights[row, spoken], model)
        assert np.abs(matrices[row] - alone).max() < 1e-6
        assert confidence[row] == pytest.approx(sure)


def test_tiles_in_one_place_are_no_lever() -> None:
    centres = np.array([[10.0, 10], [10, 10], [10, 10], [300, 40], [300, 40], [120, 260]])
    turn = np.radians(0.4)
    true = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    matrix, confidence = fit_map(centres, centres @ true.T - centres, np.ones(6), "rotation")
    assert np.abs(matrix[:, :2] - true).max() < 1e-5 and confidence == 1


def test_motion_is_told_for_the_middle() -> None:
    motion = motion_of(np.array([[1, 0, 2.0], [0, 1, -1.0]]), (640, 480), 1.0)
    assert (motion.dx_px, motion.dy_px, motion.angle_deg) == (2, -1, 0)
    turn = np.radians(2)
    spin = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    middle = np.array([319.5, 239.5])
    about = np.hstack([spin, (middle - spin @ middle)[:, None]])
    motion = motion_of(about, (640, 480), 1.0)
    assert (motion.dx_px, motion.dy_px, motion.angle_deg) == pytest.approx((0, 0, 2), abs=1e-9)


def test_srgb_is_that_of_the_standard() -> None:
    # IEC 61966-2-1: code 188 is about half the light, code 10 lies on the straight foot
    assert float(to_linear(np.array([188.0]))[0]) == pytest.approx(0.5029, abs=5e-4)
    assert float(to_linear(np.array([10.0]))[0]) == pytest.approx(10 / 255 / 12.92)
    codes = np.arange(256, dtype=np.uint8)
    assert np.abs(to_srgb(to_linear(codes)) - codes).max() < 1e-9


@given(gain=st.floats(0.6, 1.6))
@settings(derandomize=True, max_examples=30)
def test_a_gain_is_right_on_average_and_never_far_off(gain: float) -> None:
    table = whole_codes(lit_codes(np.full(3, gain), ToneCurve(), None))[:, 0].astype(float)
    exact = to_srgb(to_linear(np.arange(256, dtype=np.uint8)) * gain)
    assert np.abs(table - exact).max() <= 1.01
    stretches = (table - exact)[: 240 // 16 * 16].reshape(-1, 16).mean(axis=1)
    assert np.abs(stretches).max() < 0.07  # rounding alone leaves up to 0.5 near a gain of 1


def test_flicker_goes_and_daylight_stays() -> None:
    rng = np.random.default_rng(3)
    n = 120
    daylight = np.exp(0.3 * np.sin(np.arange(n) / n * 2 * np.pi))[:, None]
    ratio = daylight * np.exp(rng.normal(0, 0.05, (n, 1))) * np.ones((1, 3))
    left = ratio * gains(ratio, np.ones(n), "flicker")
    step = np.diff(np.log(left[:, 0] / daylight[:, 0]))
    assert np.std(step) < 0.1 * np.std(np.diff(np.log(ratio[:, 0])))
    assert np.abs(np.log(left / daylight)).max() < 0.07
    assert np.allclose(ratio * gains(ratio, np.ones(n), "constant"), 1)
    unsure = gains(ratio, np.zeros(n), "constant")
    assert np.array_equal(unsure, np.ones((n, 3)))


def test_one_glaring_picture_is_left_alone_and_troubles_no_other() -> None:
    """The blocks of a picture that is clipped all over tell nothing, in the sample or out of it."""
    rng = np.random.default_rng(5)
    n = 150
    light = np.exp(rng.normal(0, 0.05, (n, 3))).astype(np.float32)
    blocks = rng.uniform(0.05, 0.3, (1, 30, 40, 3)).astype(np.float32) * light[:, None, None]
    for glaring in (70, 71, 72):
        blocks[glaring] = np.nan
    level = common_level(blocks[60::2], np.ones((30, 40)))
    assert level.inside.all()
    ratio, confidence = brightness(blocks, level)
    dark = np.isin(np.arange(n), [70, 71, 72])
    assert np.array_equal(ratio[dark], np.ones((3, 3))) and not confidence[dark].any()
    off = ratio[~dark] / light[~dark]
    assert np.abs(off / off.mean(axis=0) - 1).max() < 1e-4 and confidence[~dark].min() > 0.99
    for mode in ("constant", "flicker"):
        gain = gains(ratio, confidence, mode)
        assert np.isfinite(gain).all() and np.array_equal(gain[dark], np.ones((3, 3)))


def test_a_gain_of_one_is_no_change() -> None:
    picture = data.astronaut()[:50, :50]
    assert relight(picture, Relight(gain=np.ones(3))) is picture


@pytest.mark.skipif(not COMPILED, reason="nothing is compiled here")
@pytest.mark.parametrize("model", ["shift", "rotation", "scale"])
def test_the_loop_over_proposals_comes_to_what_arrays_come_to(
    model: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    rng = np.random.default_rng(7)
    centres = np.concatenate([rng.uniform(0, 1000, (20, 2)), [[30, 40], [30, 40]]])
    shifts = rng.normal(0, 2, (90, 1, 2)) + rng.normal(0, 0.1, (90, 22, 2))
    shifts += centres * rng.normal(0, 0.002, (90, 1, 1))
    shifts[:, :6] += [5.0, -4.0]
    weights = rng.uniform(0, 1, (90, 22)) * (rng.random((90, 22)) < rng.random((90, 1)))
    compiled = fit_maps(centres, shifts, weights, model)
    monkeypatch.setattr(transforms, "best_proposals", None)
    for one, other in zip(compiled, fit_maps(centres, shifts, weights, model), strict=True):
        assert np.abs(one - other).max() < 1e-9
