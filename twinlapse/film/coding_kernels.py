"""The loop over the pixels of a pane: new light and the film's own codes in one step, rounded once."""

from __future__ import annotations

from typing import Any

from twinlapse.jit import picture_kernel

__all__ = ["CODED_BLOCK_PX", "FRACTION_BITS", "code_pixels"]

CODED_BLOCK_PX = 8
FRACTION_BITS = 12  # of a code; each of the three codes takes 21 bits of a word


@picture_kernel
def code_pixels(picture: Any, tables: Any, dither: Any, more: Any, out: Any) -> None:
    """Write Y, Cb and Cr of an RGB picture to `out`, which may be the picture itself.

    Parameters
    ----------
    picture, out : ndarray of shape (height, width, 3), uint8
    tables : ndarray of shape (3, 256), uint64
        What each code of red, green and blue adds to Y, Cb and Cr, which lie beside each other in a word.
    dither : ndarray of shape (8, 8), uint64
        Added before the fractions are cut off, by the place of the pixel.
    more : ndarray of shape (rows, columns) of blocks of 8 x 8 pixels, uint64
        Added to all pixels of a block; what is negative as two's complement of the whole word.
    """
    for y in range(picture.shape[0]):
        row, blocks = dither[y & 7], more[y >> 3]
        for x in range(picture.shape[1]):
            word = (
                tables[0, picture[y, x, 0]]
                + tables[1, picture[y, x, 1]]
                + tables[2, picture[y, x, 2]]
                + row[x & 7]
                + blocks[x >> 3]
            )
            out[y, x, 0] = (word >> 12) & 255
            out[y, x, 1] = (word >> 33) & 255
            out[y, x, 2] = (word >> 54) & 255
