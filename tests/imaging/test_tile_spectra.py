"""Spectra of tiles by compiled loops, and by numpy where nothing is compiled."""

from __future__ import annotations

import numpy as np
import pytest

from twinlapse.imaging import tile_spectra
from twinlapse.imaging.spectrum_kernels import slopes_of
from twinlapse.imaging.tile_spectra import spectra_at, surfaces, weighted_phases
from twinlapse.jit import COMPILED

LOOPS = ("cut_tiles", "compare_phases", "lay_rows")
GREY = np.random.default_rng(3).integers(0, 256, (200, 260)).astype(np.uint8)
CORNERS = np.array([[0, 0], [132, 7], [90, 72], [41, 33]])


def _all_steps(tile: int) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    spectra = spectra_at(GREY, CORNERS, tile)
    others = np.stack(
        [spectra_at(GREY, CORNERS[::-1], tile), spectra_at(GREY, np.maximum(CORNERS - 3, 0), tile)]
    )
    weight = np.random.default_rng(4).random(spectra.shape[1:]).astype(np.float32)
    phases, sizes = weighted_phases(others.copy(), np.conj(spectra), weight)
    return spectra, phases.copy(), sizes, surfaces(phases.reshape(-1, *phases.shape[2:]))


@pytest.mark.skipif(not COMPILED, reason="nothing is compiled here")
@pytest.mark.parametrize("tile", [64, 112, 128])
def test_loops_and_arrays_come_to_the_same(tile: int, monkeypatch: pytest.MonkeyPatch) -> None:
    compiled = _all_steps(tile)
    for name in LOOPS:
        monkeypatch.setattr(tile_spectra, name, None)
    for one, other in zip(compiled, _all_steps(tile), strict=True):
        assert one.shape == other.shape
        assert (
            np.abs(one - other).max() < 5e-5 * np.abs(other).max()
        )  # a phase of next to nothing is rounded most


def test_a_spectrum_is_the_transform_of_the_tile_under_its_window() -> None:
    """Against numpy's transform of complex numbers, frequency by frequency."""
    tile, (x, y) = 64, CORNERS[1]
    part = GREY[y : y + tile, x : x + tile].astype(np.float64)
    whole = np.fft.fft2((part - part.mean()) * np.outer(np.hanning(tile), np.hanning(tile)))
    found = spectra_at(GREY, CORNERS[1:2], tile)[0]
    for down in range(-16, 16):
        for along in range(17):
            assert abs(found[down, along] - whole[down, along]) < 1e-5 * np.abs(whole).max()


def test_the_surface_of_a_shift_peaks_where_it_lies() -> None:
    spectra = spectra_at(GREY, CORNERS[1:2], 64)
    moved = spectra_at(GREY, CORNERS[1:2] - [4, 6], 64)[None]
    phases, _ = weighted_phases(moved, np.conj(spectra), np.ones(spectra.shape[1:], np.float32))
    surface = surfaces(phases[0])[0]
    # a sample is two pixels: the content lies 4 px to the right and 6 px lower in the other tile
    assert np.unravel_index(surface.argmax(), surface.shape) == (3, 2)


def test_slopes_are_those_of_central_differences() -> None:
    """Against numpy's gradient, which takes one side at the rim."""
    tile = GREY[20:84, 30:142]
    dy, dx = np.gradient(tile.astype(np.float64))
    assert slopes_of(tile) == pytest.approx(((dx * dx).mean(), (dy * dy).mean(), (dx * dy).mean()), rel=1e-12)
