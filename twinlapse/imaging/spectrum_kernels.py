"""Loops over the pixels of tiles before they are transformed, over their spectra, and before the way back.

A transform of real values (h, h) is packed as OpenCV does: along the rows the real and imaginary parts of the
frequencies 1 to h/2 - 1 in the columns 1 to h - 2; in the first column those of frequency 0 and in the last
those of frequency h/2, each along the column: real part of row 0, real and imaginary parts of the rows 1 to
h/2 - 1, real part of row h/2.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from twinlapse.jit import picture_kernel

__all__ = ["LEAST_SIZE", "compare_phases", "cut_tiles", "pack_spectra", "unpack_spectra"]

LEAST_SIZE = 1e-3  # of a spectrum, below which its phase is nothing


@picture_kernel
def cut_tiles(grey: Any, corners: Any, window: Any, tiles: Any) -> None:
    """Write tiles of a picture, their mean taken out, under a window.

    Parameters
    ----------
    grey : ndarray of shape (height, width), uint8
    corners : ndarray of shape (k, 2), int64
        x, y of each tile's first pixel.
    window : ndarray of shape (t, t), float32
    tiles : ndarray of shape (k, t, t), float32
        Result.
    """
    edge = window.shape[0]
    for tile in range(corners.shape[0]):
        left, top = corners[tile, 0], corners[tile, 1]
        part, own = grey[top : top + edge, left : left + edge], tiles[tile]
        total = np.float32(0)  # whole numbers: exact up to 2**24, a tile of 256 x 256
        for y in range(edge):
            for x in range(edge):
                total += np.float32(part[y, x])
        mean = np.float32(total / (edge * edge))
        for y in range(edge):
            for x in range(edge):
                own[y, x] = (np.float32(part[y, x]) - mean) * window[y, x]


@picture_kernel
def unpack_spectra(packed: Any, spectra: Any) -> None:
    """Write the low half of packed transforms, without the highest of its frequencies down a tile.

    Parameters
    ----------
    packed : ndarray of shape (k, t, t), float32
    spectra : ndarray of shape (k, t/2, t/2 + 2), float32
        Result: real and imaginary parts in turn of the frequencies 0 to t/4 along the rows; down the rows 0
        to t/4 - 1, then -t/4 to -1.
    """
    edge, half = packed.shape[1], spectra.shape[1]
    quarter = half // 2
    for tile in range(packed.shape[0]):
        for y in range(half):
            row = y if y < quarter else edge - half + y
            for x in range(2, half + 2):
                spectra[tile, y, x] = packed[tile, row, x - 1]
        spectra[tile, 0, 0], spectra[tile, 0, 1] = packed[tile, 0, 0], 0
        for y in range(1, quarter + 1):
            real, imaginary = packed[tile, 2 * y - 1, 0], packed[tile, 2 * y, 0]
            if y < quarter:
                spectra[tile, y, 0], spectra[tile, y, 1] = real, imaginary
            spectra[tile, half - y, 0], spectra[tile, half - y, 1] = real, -imaginary


@picture_kernel
def compare_phases(spectra: Any, reference: Any, weight: Any, sizes: Any) -> None:
    """Replace spectra by weighted phases against the reference's, and add up their sizes over the tiles.

    Parameters
    ----------
    spectra : ndarray of shape (m, k, h, 2 * w), float32
        Of k tiles of m pictures, real and imaginary parts in turn.
    reference : ndarray of shape (k, h, 2 * w), float32
        Conjugated.
    weight : ndarray of shape (h, w), float32
    sizes : ndarray of shape (m, h, w), float32
        Is added to.
    """
    for picture in range(spectra.shape[0]):
        for tile in range(spectra.shape[1]):
            for y in range(spectra.shape[2]):
                for x in range(weight.shape[1]):
                    real, imaginary = spectra[picture, tile, y, 2 * x], spectra[picture, tile, y, 2 * x + 1]
                    across, along = reference[tile, y, 2 * x], reference[tile, y, 2 * x + 1]
                    both = real * across - imaginary * along
                    turned = real * along + imaginary * across
                    size = np.sqrt(both * both + turned * turned)
                    sizes[picture, y, x] += size
                    pull = weight[y, x] / max(size, np.float32(LEAST_SIZE))
                    spectra[picture, tile, y, 2 * x] = both * pull
                    spectra[picture, tile, y, 2 * x + 1] = turned * pull


@picture_kernel
def pack_spectra(spectra: Any, packed: Any) -> None:
    """Write spectra as OpenCV packs those of real values; where they are of none, of what is real in them.

    Parameters
    ----------
    spectra : ndarray of shape (n, h, h + 2), float32
        Real and imaginary parts in turn of the frequencies 0 to h/2 along the rows.
    packed : ndarray of shape (n, h, h), float32
        Result.
    """
    edge = packed.shape[1]
    half = edge // 2
    for tile in range(packed.shape[0]):
        for y in range(edge):
            for x in range(1, edge - 1):
                packed[tile, y, x] = spectra[tile, y, x + 1]
        for first, to in ((0, 0), (edge, edge - 1)):
            packed[tile, 0, to] = spectra[tile, 0, first]
            packed[tile, edge - 1, to] = spectra[tile, half, first]
            for y in range(1, half):
                real = spectra[tile, y, first] + spectra[tile, edge - y, first]
                imaginary = spectra[tile, y, first + 1] - spectra[tile, edge - y, first + 1]
                packed[tile, 2 * y - 1, to] = real / 2
                packed[tile, 2 * y, to] = imaginary / 2
