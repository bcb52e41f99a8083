"""Loops over the pixels of tiles before they are transformed, over their spectra, and between transforms.

A row of h real values is transformed to h, packed as OpenCV does: the real part of frequency 0, real and
imaginary parts of the frequencies 1 to h/2 - 1, the real part of frequency h/2.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from twinlapse.jit import part_of_picture_kernel, picture_kernel

__all__ = [
    "LEAST_SIZE",
    "compare_phases",
    "cut_tiles",
    "lay_rows",
    "low_part",
    "slopes_of",
    "turn_columns",
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


@part_of_picture_kernel
def _add_waves(rows: Any, wave: Any, total: Any) -> None:
    """Write the sum of r rows (r, n), each times its value of a wave (r,)."""
    total[:] = 0
    for y in range(0, wave.shape[0], 4):
        row0, row1, row2, row3 = rows[y], rows[y + 1], rows[y + 2], rows[y + 3]
        part0, part1, part2, part3 = wave[y], wave[y + 1], wave[y + 2], wave[y + 3]
        for lane in range(total.shape[0]):
            total[lane] += row0[lane] * part0 + row1[lane] * part1 + row2[lane] * part2 + row3[lane] * part3


@picture_kernel
def low_part(packed: Any, cosines: Any, sines: Any, folded: Any, sums: Any, spectra: Any) -> None:
    """Transform the first columns of packed rows, as far as frequencies are low.

    A sum of cosines or sines over a column is one over a quarter of it, folded together.

    Parameters
    ----------
    packed : ndarray of shape (k, t, t), float32
        Each row's transform.
    cosines, sines : ndarray of shape (t/4 + 1, r), float32
        Of frequency and row, for the rows 0 to t/4; zero from there to r, a multiple of 4.
    folded : ndarray of shape (4, r, t/2 + 1), float32
        Memory, zero from row t/4 + 1.
    sums : ndarray of shape (2, t/2 + 1), float32
        Memory.
    spectra : ndarray of shape (k, t/2, t/2 + 2), float32
        Result: real and imaginary parts in turn of the frequencies 0 to t/4 along the rows; down the rows 0
        to t/4 - 1, then -t/4 to -1.
    """
    edge, lanes, height = packed.shape[1], sums.shape[1], spectra.shape[1]
    quarter, half = edge // 4, edge // 2
    for tile in range(packed.shape[0]):
        rows, own = packed[tile], spectra[tile]
        for y in range(quarter + 1):
            up, low, before, after = rows[y], rows[-y], rows[half - y], rows[half + y]
            # a row that is its own counterpart counts once
            once, twice = np.float32(1 if y > 0 else 0), np.float32(1 if y < quarter else 0)
            # a loop for each: the compiler takes several lanes at once where it has few rows to tell apart
            for lane in range(lanes):
                folded[0, y, lane] = up[lane] + once * low[lane] + twice * (before[lane] + once * after[lane])
            for lane in range(lanes):
                folded[1, y, lane] = up[lane] + once * low[lane] - before[lane] - once * after[lane]
            for lane in range(lanes):
                folded[2, y, lane] = up[lane] - low[lane] - before[lane] + after[lane]
            for lane in range(lanes):
                folded[3, y, lane] = up[lane] - low[lane] + twice * (before[lane] - after[lane])
        for down in range(quarter + 1):
            odd = down & 1
            level, slant = sums[0], sums[1]
            _add_waves(folded[odd], cosines[down], level)
            _add_waves(folded[2 + odd], sines[down], slant)
            if down < quarter:
                own[down, 0], own[down, 1] = level[0], -slant[0]
                for x in range(1, quarter + 1):
                    own[down, 2 * x] = level[2 * x - 1] + slant[2 * x]
                    own[down, 2 * x + 1] = level[2 * x] - slant[2 * x - 1]
            if down > 0:
                own[height - down, 0], own[height - down, 1] = level[0], slant[0]
                for x in range(1, quarter + 1):
                    own[height - down, 2 * x] = level[2 * x - 1] - slant[2 * x]
                    own[height - down, 2 * x + 1] = level[2 * x] + slant[2 * x - 1]


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


@picture_kernel
def slopes_of(picture: Any) -> tuple[float, float, float]:
    """Return the means of the squares of a picture's slopes across and down, and of their product.

    Parameters
    ----------
    picture : ndarray of shape (height, width), uint8
    """
    height, width = picture.shape
    total_across = total_down = total_both = 0.0
    for y in range(height):
        upper, lower = max(y - 1, 0), min(y + 1, height - 1)
        above, own, below = picture[upper], picture[y], picture[lower]
        apart = np.float32(1 / (lower - upper))
        across = down = both = np.float32(0)  # quarters of whole numbers: exact up to 256 pixels a row
        for x in range(1, width - 1):
            right = (np.float32(own[x + 1]) - np.float32(own[x - 1])) * np.float32(0.5)
            fall = (np.float32(below[x]) - np.float32(above[x])) * apart
            across += right * right
            down += fall * fall
            both += right * fall
        for x, first in ((0, 0), (width - 1, width - 2)):
            right = np.float32(own[first + 1]) - np.float32(own[first])
            fall = (np.float32(below[x]) - np.float32(above[x])) * apart
            across += right * right
            down += fall * fall
            both += right * fall
        total_across += float(across)
        total_down += float(down)
        total_both += float(both)
    count = height * width
    return total_across / count, total_down / count, total_both / count
