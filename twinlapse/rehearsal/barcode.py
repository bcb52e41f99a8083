"""A time written into a picture so that a program can read it back: black and white squares along the top.

Squares of 8 x 8 pixels, as JPEG's blocks are, survive compression. After two squares of start (white, black)
come 40 bits of milliseconds and 8 bits of checksum, most significant first.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["BITS", "SQUARE_PX", "read_stamp", "stamp"]

SQUARE_PX = 8
BITS = 50
_WIDTH_PX = BITS * SQUARE_PX
_MOST = 1 << 40


def stamp(picture: NDArray[np.uint8], time_s: float) -> None:
    """Write a time (s, at most 34 years) into the top edge of a picture at least 400 pixels wide.

    Raises
    ------
    ValueError
        when the picture is too small or the time out of range.
    """
    stamped = round(time_s * 1000)
    if picture.shape[1] < _WIDTH_PX or picture.shape[0] < SQUARE_PX or not 0 <= stamped < _MOST:
        raise ValueError("a time stamp needs a picture 400 pixels wide and a time from 0 to 34 years")
    value = (0b10 << 48) | (stamped << 8) | _check(stamped)
    bits = np.array([(value >> (BITS - 1 - k)) & 1 for k in range(BITS)], np.uint8)
    row = np.repeat(bits * 255, SQUARE_PX)
    picture[:SQUARE_PX, :_WIDTH_PX] = row.reshape(1, -1, *([1] * (picture.ndim - 2)))


def read_stamp(picture: NDArray[np.uint8]) -> float | None:
    """Return the time that `stamp` wrote, None where there is none or it cannot be trusted."""
    if picture.shape[1] < _WIDTH_PX or picture.shape[0] < SQUARE_PX:
        return None
    strip = picture[2 : SQUARE_PX - 2, :_WIDTH_PX].astype(np.float64)
    strip = strip.mean(axis=2) if strip.ndim == 3 else strip
    squares = strip.reshape(strip.shape[0], BITS, SQUARE_PX)[:, :, 2:-2].mean(axis=(0, 2))
    if np.abs(squares - 127.5).min() < 40:
        return None
    value = 0
    for square in squares:
        value = (value << 1) | int(square > 127.5)
    stamped = (value >> 8) & (_MOST - 1)
    if value >> 48 != 0b10 or value & 0xFF != _check(stamped):
        return None
    return stamped / 1000


def _check(stamped: int) -> int:
    """CRC-8 with the polynomial x^8 + x^2 + x + 1 (ITU-T I.432.1, without its final exclusive or)."""
    crc = 0
    for byte in stamped.to_bytes(5, "big"):
        crc ^= byte
        for _ in range(8):
            crc = ((crc << 1) ^ 0x07) & 0xFF if crc & 0x80 else crc << 1
    return crc
