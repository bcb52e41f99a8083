"""Loops over the pixels of tiles before they are transformed, over their spectra, and between transforms.

A row of h real values is transformed to h, packed as OpenCV does: the real part of frequency 0, real and
imaginary parts of the frequencies 1 to h/2 - 1, the real part of frequency h/2.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from twinlapse.jit import picture_kernel

__all__ = [
    "LEAST_SIZE",
    "compare_phases",
    "cut_tiles",
    "lay_rows",
    "low_part",
    "turn_columns",
    "turn_rows",
]

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
def turn_rows(packed: Any, columns: Any) -> None:
    """Write the low frequencies of packed rows as columns.

    Parameters
    ----------
    packed : ndarray of shape (k, t, t), float32
        Each row's transform.
    columns : ndarray of shape (k, w, t, 2), float32
        Result: frequency 0 to w - 1 along the rows, row, real and imaginary part.
    """
    for tile in range(packed.shape[0]):
        rows, own = packed[tile], columns[tile]
        for y in range(own.shape[1]):
            own[0, y, 0], own[0, y, 1] = rows[y, 0], 0
            for along in range(1, own.shape[0]):
                own[along, y, 0], own[along, y, 1] = rows[y, 2 * along - 1], rows[y, 2 * along]


@picture_kernel
def low_part(columns: Any, spectra: Any) -> None:
    """Write the low part of the transforms of columns.

    Parameters
    ----------
    columns : ndarray of shape (k, w, t, 2), float32
    spectra : ndarray of shape (k, h, 2 * w), float32
        Result: real and imaginary parts in turn along the rows; down the rows 0 to h/2 - 1, then -h/2 to -1.
    """
    height = spectra.shape[1]
    for tile in range(columns.shape[0]):
        for y in range(height):
            row = y if y < height // 2 else columns.shape[2] - height + y
            for along in range(columns.shape[1]):
                spectra[tile, y, 2 * along] = columns[tile, along, row, 0]
                spectra[tile, y, 2 * along + 1] = columns[tile, along, row, 1]


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
def turn_columns(spectra: Any, columns: Any) -> None:
    """Write spectra (n, h, 2 * w) as columns (n, w, h, 2), float32."""
    for tile in range(columns.shape[0]):
        rows, own = spectra[tile], columns[tile]
        for y in range(own.shape[1]):
            for along in range(own.shape[0]):
                own[along, y, 0], own[along, y, 1] = rows[y, 2 * along], rows[y, 2 * along + 1]


@picture_kernel
def lay_rows(columns: Any, packed: Any) -> None:
    """Write columns as packed rows; of the first and the last, which are of none, what is real in them.

    Parameters
    ----------
    columns : ndarray of shape (n, h/2 + 1, h, 2), float32
    packed : ndarray of shape (n, h, h), float32
        Result.
    """
    half = columns.shape[1] - 1
    for tile in range(packed.shape[0]):
        rows, own = packed[tile], columns[tile]
        for y in range(rows.shape[0]):
            rows[y, 0], rows[y, 2 * half - 1] = own[0, y, 0], own[half, y, 0]
            for along in range(1, half):
                rows[y, 2 * along - 1], rows[y, 2 * along] = own[along, y, 0], own[along, y, 1]
