"""Spectra of the tiles of a picture, their phases against a reference's, and the surfaces these make.

Only the low quarter of the band is kept, which holds nearly all that rises above sensor noise.
"""

from __future__ import annotations

import functools
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from twinlapse.arrays import Grey
from twinlapse.imaging.spectrum_kernels import (
    LEAST_SIZE,
    compare_phases,
    cut_tiles,
    lay_rows,
    low_part,
    turn_columns,
)
from twinlapse.jit import Kernel

__all__ = ["Corners", "Real32", "Spectra", "spectra_at", "surfaces", "weighted_phases"]

Spectra = NDArray[np.complex64]
Corners = NDArray[np.int64]
Real32 = NDArray[np.float32]


def spectra_at(grey: Grey, corners: Corners, tile: int) -> Spectra:
    """Return the spectra of tiles of a picture, (k, tile/2, tile/4 + 1): frequencies down from 0, then below.

    Parameters
    ----------
    grey : ndarray of shape (height, width), uint8
    corners : ndarray of shape (k, 2)
        x, y of each tile's first pixel.
    tile : int
        Edge of the tiles.
    """
    count, quarter = len(corners), tile // 4
    spectra = np.empty((count, 2 * quarter, quarter + 1), np.complex64)
    tiles = np.empty((count, tile, tile), np.float32)
    if isinstance(cut_tiles, Kernel) and count:
        cut_tiles(grey, np.array(corners, np.int64), _window(tile), tiles)
        # all rows in one call: one for each tile would ask as often for the interpreter's lock, which other
        # threads hold
        rows = tiles.reshape(-1, tile)
        cv2.dft(rows, dst=rows, flags=cv2.DFT_ROWS)
        waves = _waves(tile)
        folded = np.zeros((4, waves[0].shape[1], 2 * quarter + 1), np.float32)
        sums = np.empty((2, 2 * quarter + 1), np.float32)
        low_part(tiles, *waves, folded, sums, spectra.view(np.float32))
        return spectra
    for one, (x, y) in zip(tiles, corners.tolist(), strict=True):
        part = grey[y : y + tile, x : x + tile]
        one[:] = (part - np.float32(part.mean())) * _window(tile)
    half = np.fft.rfft2(tiles)[..., : quarter + 1]
    spectra[:, :quarter], spectra[:, quarter:] = half[:, :quarter], half[:, -quarter:]
    return spectra


def weighted_phases(spectra: Spectra, reference: Spectra, weight: Real32) -> tuple[Spectra, Real32]:
    """Return the weighted phases of m pictures against a reference, and the sizes of all tiles together.

    Parameters
    ----------
    spectra : ndarray of shape (m, k, h, w)
        Is overwritten.
    reference : ndarray of shape (k, h, w)
        Conjugated.
    weight : ndarray of shape (h, w)

    Returns
    -------
    phases : ndarray of shape (m, k, h, w)
    sizes : ndarray of shape (m, h, w)
    """
    if isinstance(compare_phases, Kernel):
        sizes = np.zeros((len(spectra), *weight.shape), np.float32)
        compare_phases(spectra.view(np.float32), reference.view(np.float32), weight, sizes)
        return spectra, sizes
    cross = spectra * reference
    size = np.abs(cross)
    return cross * (weight / np.maximum(size, np.float32(LEAST_SIZE))), size.sum(axis=1)


def surfaces(phases: Spectra) -> Real32:
    """Return the correlation surfaces of n tiles, (n, h, h), of their phases (n, h, h/2 + 1); not scaled."""
    count, side = phases.shape[:2]
    if isinstance(lay_rows, Kernel) and count:
        columns = np.empty((count, side // 2 + 1, side, 2), np.float32)
        turn_columns(phases.view(np.float32), columns)
        down = columns.reshape(-1, side, 2)
        cv2.dft(down, dst=down, flags=cv2.DFT_ROWS | cv2.DFT_INVERSE)
        surface = np.empty((count, side, side), np.float32)
        lay_rows(columns, surface)
        rows = surface.reshape(-1, side)
        cv2.dft(rows, dst=rows, flags=cv2.DFT_ROWS | cv2.DFT_INVERSE | cv2.DFT_REAL_OUTPUT)
        return surface
    found: Any = np.fft.irfft2(phases, (side, side)) * side**2
    return np.asarray(found, np.float32)


@functools.lru_cache(maxsize=8)
def _waves(tile: int) -> tuple[Real32, Real32]:
    """Return cosines and sines of the low frequencies down a quarter of a tile, as `low_part` takes them."""
    quarter = tile // 4
    angles = 2 * np.pi / tile * np.outer(np.arange(quarter + 1), np.arange(quarter + 1))
    more = ((0, 0), (0, -(quarter + 1) % 4))
    cosines, sines = (np.pad(wave, more).astype(np.float32) for wave in (np.cos(angles), np.sin(angles)))
    return cosines, sines


@functools.lru_cache(maxsize=8)
def _window(tile: int) -> Real32:
    edge = np.hanning(tile)
    return np.outer(edge, edge).astype(np.float32)
