"""What a gain leaves of plain parts is found, and nothing is taken from what changes."""

from __future__ import annotations

import io

import numpy as np
import pytest
from PIL import Image

from twinlapse.imaging import light as light_module
from twinlapse.imaging.light import (
    ACROSS,
    DOWN,
    SmallPicture,
    blocks_of,
    brightness,
    common_level,
    small_picture,
)
from twinlapse.imaging.plain_parts import LEFT_STEPS, PlainParts, left_over, plain_parts
from twinlapse.imaging.tone_curve import ToneCurve

SIZE = (640, 480)


def srgb(light: np.ndarray) -> np.ndarray:
    """IEC 61966-2-1."""
    return np.where(light <= 0.0031308, 12.92 * light, 1.055 * np.maximum(light, 1e-9) ** (1 / 2.4) - 0.055)


def scene() -> np.ndarray:
    """Linear light of plain parts, dark on the left, of slightly different colours."""
    rng = np.random.default_rng(3)
    light = np.empty((SIZE[1], SIZE[0], 3))
    for column, tone in enumerate((0.012, 0.03, 0.1, 0.3, 0.5)):
        for row in range(4):
            part = light[row * 120 : row * 120 + 120, column * 128 : column * 128 + 128]
            part[:] = tone * rng.uniform(0.85, 1.15, 3)
    return light


def taken(light: np.ndarray, factor: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """A camera's picture: noise of a code, and a JPEG as Pillow reads it."""
    codes = 255 * srgb(light * factor) + rng.normal(0, 1, light.shape)
    kept = io.BytesIO()
    Image.fromarray(np.clip(np.rint(codes), 0, 255).astype(np.uint8)).save(kept, "JPEG", quality=92)
    return np.asarray(Image.open(kept))


@pytest.fixture(scope="module")
def filmed() -> tuple[list[np.ndarray], PlainParts, list[SmallPicture], np.ndarray]:
    """Pictures in a light that flickers and drifts, and what is known of their plain parts."""
    rng = np.random.default_rng(4)
    light = scene()
    factors = np.exp(rng.normal(0, 0.06, (30, 1)) + rng.normal(0, 0.02, (30, 3)))
    pictures = [taken(light, factor, rng) for factor in factors]
    small = [small_picture(picture) for picture in pictures]
    blocks = np.stack([blocks_of(one) for one in small])
    level = common_level(blocks, np.ones((DOWN, ACROSS)))
    ratio, _ = brightness(blocks, level)
    found = plain_parts(small, blocks, level, ToneCurve())
    assert found is not None
    parts = found.known_by(np.stack([found.seen(*one)[1] for one in zip(small, ratio, strict=True)]))
    assert len(parts.blocks) > 0.7 * DOWN * ACROSS
    return pictures, parts, small, ratio


def test_dark_plain_parts_are_even_once_what_is_left_is_taken_off(
    filmed: tuple[list[np.ndarray], PlainParts, list[SmallPicture], np.ndarray],
) -> None:
    pictures, parts, small, ratio = filmed
    before, after = [], []
    for picture, one, own in zip(pictures, small, ratio, strict=True):
        # the whole dark part, read off the picture itself and evened with sRGB's own formula
        codes = picture[10:110, 10:118].mean(axis=(0, 1)) / 255
        even = 255 * srgb(((codes + 0.055) / 1.055) ** 2.4 / own)
        left = left_over(parts.left(*parts.seen(one, own)), parts.blocks)
        before.append(even)
        after.append(even - left[1:6, 1:7].mean(axis=(0, 1)))
    off = np.std(before, axis=0) / np.mean(before, axis=0), np.std(after, axis=0) / np.mean(after, axis=0)
    assert off[0].max() > 0.005  # the control: colours rounded alike, in percents of a dark code
    assert off[1].max() < 0.0015


def test_what_changes_keeps_its_codes(
    filmed: tuple[list[np.ndarray], PlainParts, list[SmallPicture], np.ndarray],
) -> None:
    _, parts, small, ratio = filmed
    codes = small[5].codes.copy()
    codes[: codes.shape[0] // 4] += 9.0  # something stands before the upper quarter
    left = left_over(parts.left(*parts.seen(SmallPicture(codes), ratio[5])), parts.blocks)
    assert not left[: DOWN // 4 - 2].any()
    same = left_over(parts.left(*parts.seen(small[5], ratio[5])), parts.blocks)
    assert np.array_equal(left[DOWN // 4 + 2 :], same[DOWN // 4 + 2 :])
    assert np.abs(same).max() <= 1.5


def test_a_shift_of_codes_fades_out_without_a_step(
    filmed: tuple[list[np.ndarray], PlainParts, list[SmallPicture], np.ndarray],
) -> None:
    _, parts, small, ratio = filmed
    found = []
    for shift in np.arange(0, 7, 0.05):
        one = SmallPicture(small[5].codes + np.float32(shift))
        found.append(parts.left(*parts.seen(one, ratio[5])) / LEFT_STEPS)
    assert np.abs(np.diff(found, axis=0)).max() < 0.15
    assert not np.any(found[-1]) and np.median(found[20]) > 0.6


def test_a_few_pictures_tell_nothing(
    filmed: tuple[list[np.ndarray], PlainParts, list[SmallPicture], np.ndarray],
) -> None:
    _, _, small, _ = filmed
    blocks = np.stack([blocks_of(one) for one in small[:5]])
    level = common_level(blocks, np.ones((DOWN, ACROSS)))
    assert plain_parts(small[:5], blocks, level, ToneCurve()) is None


def test_neighbours_of_plain_blocks_get_their_mean_and_all_others_nothing() -> None:
    steps = np.array([[64, -32, 0], [32, 0, 0]], np.int8)
    left = left_over(steps, np.array([5 * ACROSS + 5, 5 * ACROSS + 7]))
    assert left.shape == (DOWN, ACROSS, 3)
    assert left[5, 5].tolist() == [1.0, -0.5, 0.0]
    assert left[4, 6].tolist() == pytest.approx([0.75, -0.25, 0.0])
    assert not left[8:].any() and not left[:, 9:].any()


def test_a_picture_is_made_small_by_the_loop_as_by_arrays(monkeypatch: pytest.MonkeyPatch) -> None:
    picture = np.random.default_rng(7).integers(0, 256, (360, 480, 3)).astype(np.uint8)
    compiled = small_picture(picture).codes
    monkeypatch.setattr(light_module, "mean_pixels", None)
    assert np.abs(small_picture(picture).codes - compiled).max() < 1e-4
    assert compiled.shape == (120, 160, 3)
    assert abs(float(compiled[5, 9, 2]) - picture[15:18, 27:30, 2].mean()) < 1e-4
