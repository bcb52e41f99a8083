"""The camera's tone curve is found among published ones, written here once more, and gains respect it."""

from __future__ import annotations

import numpy as np
import pytest

from twinlapse.imaging.light import Relight, relight, to_linear
from twinlapse.imaging.tone_curve import ToneCurve, find_tone_curve, lit_codes, whole_codes


def srgb(light: np.ndarray) -> np.ndarray:
    """IEC 61966-2-1."""
    return np.where(light <= 0.0031308, 12.92 * light, 1.055 * np.maximum(light, 1e-9) ** (1 / 2.4) - 0.055)


def bt709(light: np.ndarray) -> np.ndarray:
    """ITU-R BT.709-6, item 1.2."""
    return np.where(light < 0.018, 4.5 * light, 1.099 * np.maximum(light, 1e-9) ** 0.45 - 0.099)


def plain(light: np.ndarray) -> np.ndarray:
    """Gamma 2.2."""
    return light ** (1 / 2.2)


def shouldered(light: np.ndarray) -> np.ndarray:
    """A cheap camera's: it bends long before white (made up)."""
    return (1 - np.exp(-2.2 * light**0.6)) / (1 - np.exp(-2.2))


CURVES = {"srgb": srgb, "bt709": bt709, "plain": plain, "shouldered": shouldered}


def filmed(curve, seed: int = 0) -> tuple[np.ndarray, np.ndarray]:
    """Codes (n, b, 3) of blocks in a light that flickers and drifts, and that light (n,)."""
    rng = np.random.default_rng(seed)
    blocks = np.exp(rng.uniform(np.log(0.01), np.log(0.75), (1, 200, 1))) * rng.uniform(0.8, 1.1, (1, 200, 3))
    light = np.exp(rng.normal(0, 0.08, 60) + np.cumsum(rng.normal(0, 0.01, 60)))
    light /= np.median(light)
    codes = curve(np.clip(blocks * light[:, None, None], 0, 1)) + rng.normal(0, 0.001, (60, 200, 3))
    return np.where(codes > 0.97, np.nan, codes), light


def flicker(curve, patch: float, codes: np.ndarray, found: ToneCurve) -> float:
    """Frame-to-frame change of a patch's mean code once its light was evened, %."""
    noise = np.random.default_rng(1).normal(0, 2, 20000)
    seen = np.isfinite(codes).all(axis=(0, 2))
    logs = found.log_light(codes[:, seen])
    gain = np.exp(-np.median(logs - np.median(logs, axis=0), axis=(1, 2)))
    true = np.median(codes[:, seen], axis=(1, 2))
    assert len(true) == len(gain)
    means = []
    for frame, factor in enumerate(gain):
        code = float(curve(np.array(patch * LIGHT[frame])))
        shown = np.clip(np.rint(code * 255 + noise), 0, 255).astype(int)
        means.append(whole_codes(lit_codes(np.full(3, factor), found, 255))[shown, 0].mean())
    return float(np.std(np.diff(means)) / np.mean(means) * 100)


_, LIGHT = filmed(srgb)


@pytest.mark.parametrize("name", CURVES)
def test_patches_are_even_under_the_curve_that_is_found(name: str) -> None:
    curve = CURVES[name]
    codes, light = filmed(curve)
    assert np.array_equal(light, LIGHT)
    found = find_tone_curve(codes)
    assert found.is_srgb == (name == "srgb")
    # light: dark, middle, bright; the dark one has codes of 30 to 50, of which one is 2 %
    dark, middle, bright = (flicker(curve, patch, codes, found) for patch in (0.02, 0.18, 0.6))
    assert dark < 0.3 and middle < 0.15
    assert bright < (0.4 if name == "shouldered" else 0.12)
    if name != "srgb":  # the control: sRGB's curve leaves more
        wrong = [flicker(curve, patch, codes, ToneCurve()) for patch in (0.02, 0.18, 0.6)]
        assert max(wrong) > 2 * max(dark, middle, bright)


@pytest.mark.parametrize("name", ["bt709", "plain", "shouldered"])
def test_the_curve_that_is_found_is_the_cameras(name: str) -> None:
    """Against the published curve itself, or the one that was made up, in all codes that were seen."""
    codes, _ = filmed(CURVES[name], seed=5)
    found = find_tone_curve(codes)
    fine = np.geomspace(1e-5, 1.2, 20001)
    code = np.linspace(np.nanquantile(codes, 0.002), np.nanquantile(codes, 0.998), 60)
    true, near = np.log(np.interp(code, CURVES[name](fine), fine)), found.log_light(code)
    # a curve is known up to a factor and a power of the light
    apart = near - np.polyval(np.polyfit(true, near, 1), true)
    standard = ToneCurve().log_light(code)
    wrong = standard - np.polyval(np.polyfit(true, standard, 1), true)
    assert np.abs(apart).max() < 0.03
    assert np.abs(wrong).max() > 3 * np.abs(apart).max()  # the control: sRGB's is another


def test_srgb_light_is_that_of_another_library() -> None:
    """scikit-image's conversion to CIE XYZ (IEC 61966-2-1): the luminance of a grey is its linear light."""
    color = pytest.importorskip("skimage.color")
    greys = np.repeat(np.arange(256, dtype=np.uint8)[None, :, None], 3, axis=2)
    light = color.rgb2xyz(greys)[0, :, 1]
    assert np.abs(to_linear(np.arange(256)) - light).max() < 1e-4
    log = ToneCurve().log_light(np.arange(1, 256) / 255)
    assert np.abs(np.exp(log) - light[1:]).max() < 1e-4
    for gain in (0.7, 1.15):
        shown = relight(greys, Relight(gain=np.full(3, gain)))
        even = color.rgb2xyz(shown)[0, :, 1] / np.maximum(light, 1e-9)
        seen = (np.arange(256) > 60) & (shown[0, :, 0] < 255)
        # a code is up to 4 % of the light there, and codes are whole; on average the gain is exact
        assert np.abs(even[seen] - gain).max() < 0.04
        assert abs(even[seen].mean() - gain) < 0.001


def test_a_few_pixels_that_the_print_comes_to_hide_do_not_cost_the_curve() -> None:
    codes, light = filmed(plain)
    least, most = np.nanmin(codes), np.nanmax(codes)
    shown = np.where(np.arange(60) < 25, 0.002, 0.25)  # of light: the dark behind, then the print
    hidden = plain(shown * light)[:, None, None] + np.random.default_rng(3).normal(0, 0.001, (60, 6, 3))
    # no other pixel has their code
    rest = codes[:, ~(np.abs(np.nanmedian(codes, axis=0) - plain(np.array(0.25))) < 0.012).any(axis=1)]
    found = find_tone_curve(np.concatenate([rest, hidden], axis=1))
    assert not found.is_srgb
    code = np.linspace(least, most, 50)
    true, near = np.log(code) * 2.2, found.log_light(code)
    # up to a factor and a power of the light
    apart = near - np.polyval(np.polyfit(true, near, 1), true)
    assert np.abs(apart).max() < 0.03


def test_no_gain_pushes_highlights_to_white() -> None:
    rng = np.random.default_rng(2)
    picture = np.clip(rng.normal(215, 22, (120, 160, 3)), 0, 250).astype(np.uint8)
    gain = np.full(3, 1.68)
    bare = relight(picture, Relight(gain=gain))
    assert (bare >= 255).mean() > 0.3  # the control
    shown = relight(picture, Relight(gain=gain, top_code=float(np.quantile(picture, 0.999))))
    assert (shown >= 255).mean() <= 0.001
    assert shown.astype(int).min() >= picture.min()
    table = whole_codes(lit_codes(gain, ToneCurve(), 255))[:, 0].astype(int)
    assert (np.diff(table) >= -1).all() and table[255] == 255


def test_what_is_clipped_stays_white_when_the_light_is_lowered() -> None:
    table = whole_codes(lit_codes(np.full(3, 0.9), ToneCurve(), 255))[:, 0].astype(int)
    assert table[255] == 255 and table[200] < 196


def test_a_dark_picture_of_a_window_is_lifted_to_where_the_window_is_and_not_bent_below() -> None:
    gain, bare = np.full(3, 1 / 0.6), lit_codes(np.full(3, 1 / 0.6), ToneCurve(), None)[:, 0]
    top = float(np.interp(254.0, bare, np.arange(256)))  # what is just below white in the usual light
    table = lit_codes(gain, ToneCurve(), top)[:, 0]
    below = bare < 220
    assert np.array_equal(table[below], bare[below])
    assert 245 < np.interp(top, np.arange(256), table) < 252
    assert (np.diff(table) >= 0).all()


def test_light_that_hardly_changes_tells_no_curve() -> None:
    codes, _ = filmed(plain)
    assert find_tone_curve(np.repeat(codes[:1], 20, axis=0)).is_srgb
    assert find_tone_curve(codes[:, :3]).is_srgb
