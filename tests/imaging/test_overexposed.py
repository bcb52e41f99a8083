"""What one picture has overexposed is shown as bright as the others show it; lamps stay white."""

from __future__ import annotations

import numpy as np
import pytest

from twinlapse.imaging.light import ACROSS, DOWN, Relight, relight, small_picture
from twinlapse.imaging.overexposed import usual_codes, white_codes
from twinlapse.imaging.tone_curve import ToneCurve, lit_codes


def srgb(light: np.ndarray) -> np.ndarray:
    """IEC 61966-2-1."""
    return np.where(light <= 0.0031308, 12.92 * light, 1.055 * np.maximum(light, 1e-9) ** (1 / 2.4) - 0.055)


def taken(factor: float, part: float) -> np.ndarray:
    """A dim picture with a large bright part and a small lamp that no exposure shows."""
    light = np.full((12 * DOWN, 16 * ACROSS, 3), 0.1)
    light[40:200, 100:400] = part
    light[300:340, 500:540] = 6.0
    return np.rint(255 * np.clip(srgb(light * factor), 0, 1)).astype(np.uint8)


FACTORS = np.array([1.0, 0.98, 1.02, 1.9, 0.6, 1.01, 0.99, 1.9, 1.0, 0.97, 1.03, 1.0])
RATIO = np.repeat(FACTORS[:, None], 3, axis=1)


def shown(part: float, *, white: bool = True) -> np.ndarray:
    """The picture that was exposed by 1.9, its light brought to that of the others."""
    sample = [small_picture(taken(factor, part)) for factor in FACTORS]
    usual = usual_codes(sample, RATIO)
    assert usual is not None
    codes = white_codes(sample[3], usual) if white else None
    return relight(taken(1.9, part), Relight(gain=1 / RATIO[3], top_code=255.0, white=codes))


def test_an_overexposed_part_is_as_bright_as_in_the_others() -> None:
    usual = int(taken(1.0, 0.56)[100, 200, 0])
    assert abs(int(shown(0.56)[100, 200, 0]) - usual) <= 2
    assert int(shown(0.56, white=False)[100, 200, 0]) == 255  # the control: it would flash
    assert np.abs(shown(0.56)[250:290].astype(int) - taken(1.0, 0.56)[250:290]).max() <= 1


def test_a_lamp_stays_white() -> None:
    assert (shown(0.3)[310:330, 510:530] == 255).all()


def test_where_nothing_is_clipped_white_stays_white() -> None:
    dim = [small_picture(np.full((12 * DOWN, 16 * ACROSS, 3), 90, np.uint8)) for _ in range(3)]
    usual = usual_codes(dim, RATIO[:3])
    assert usual is not None and (white_codes(dim[0], usual) == 255).all()


@pytest.mark.parametrize("top", [200.0, 240.0, 252.0, 255.0])
def test_what_is_shown_goes_with_the_gain_without_a_jump(top: float) -> None:
    steps = np.exp(np.linspace(-0.3, 0.6, 181))
    tables = np.array([lit_codes(np.full(3, gain), ToneCurve(), top)[:, 0] for gain in steps])
    assert (np.diff(tables, axis=1) >= 0).all()  # brighter is brighter
    kept = tables[:, : int(top)]
    # what half a percent of light is to the brightest, and to what the knee moves
    assert np.abs(np.diff(kept, axis=0)).max() < 2.5
    nothing = lit_codes(np.ones(3), ToneCurve(), top)[:, 0]
    assert np.abs(nothing - np.arange(256)).max() < 1e-2


@pytest.mark.parametrize("gain", [1.1, 1.4, 2.0, 3.5])
def test_no_gain_brings_the_brightest_to_white(gain: float) -> None:
    for top in (120.0, 180.0, 230.0, 250.0):
        table = lit_codes(np.full(3, gain), ToneCurve(), top)[:, 0]
        assert float(np.interp(top, np.arange(256), table)) <= 252.5
