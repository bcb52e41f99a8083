"""RGB pictures to the planes that encoders take: 4:2:0, limited range, ITU-R BT.709.

The conversions at hand write BT.601, which a player that trusts the BT.709 tag shows with colours up to
41/255 off; so the rows of BT.709 stand here.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from twinlapse.arrays import Picture
from twinlapse.imaging.light import Relight, apply_gain, relight

__all__ = ["KB", "KG", "KR", "coded", "coded_cover", "coded_lit", "coded_relit", "planes_of"]

KR, KG, KB = 0.2126, 0.7152, 0.0722  # ITU-R BT.709-6, item 3.2
_RGB = np.array([KR, KG, KB])
_LUMA = _RGB * (219 / 255)
_BLUE = (np.array([0, 0, 1]) - _RGB) / 1.8556 * (224 / 255)
_RED = (np.array([1, 0, 0]) - _RGB) / 1.5748 * (224 / 255)
_ROWS = np.stack([np.append(_LUMA, 16), np.append(_BLUE, 128), np.append(_RED, 128)]).astype(np.float32)


# above its toe (codes to 10) the sRGB curve is a power, so a gain in light is a straight line in codes; up to
# this gain that line is off by less than one code in the toe
_LINE_GAIN = 1.17


def coded(picture: Picture) -> Picture:
    """Return a picture in the film's own codes Y, Cb, Cr, (height, width, 3)."""
    return _by_rows(picture, _ROWS[:, :3], _ROWS[:, 3])


def coded_lit(picture: Picture, gain: NDArray[np.floating], out: Picture | None = None) -> Picture:
    """Return a picture with its channels' linear light multiplied by `gain` (3,), in the film's own codes.

    A small gain goes into the same step as the coding: nothing is rounded in between. `out` may be `picture`
    itself: memory that is fresh for every frame costs as much as the arithmetic.
    """
    gain = np.asarray(gain, dtype=np.float64)
    if gain.max() > _LINE_GAIN or gain.min() < 1 / _LINE_GAIN:
        return coded(apply_gain(picture, gain))
    slope = gain ** (1 / 2.4)  # IEC 61966-2-1
    lift = _ROWS[:, 3] + _ROWS[:, :3] @ (255 * 0.055 * (slope - 1))
    return _by_rows(picture, _ROWS[:, :3] * slope, lift, out)


def coded_relit(picture: Picture, how: Relight, out: Picture | None = None) -> Picture:
    """Return a picture with its light changed, in the film's own codes; `out` as in `coded_lit`."""
    if how.curve.is_srgb and not how.guarded:
        return coded_lit(picture, how.gain, out)
    return coded(relight(picture, how))


def _by_rows(
    picture: Picture, rows: NDArray[np.floating], lift: NDArray[np.floating], out: Picture | None = None
) -> Picture:
    """Multiply the channels by `rows` (3, 3) and add `lift` (3,).

    The conversion at hand takes rows in steps of 1/1024. What that does to the picture's mean is put right in
    `lift`, or gains that differ a little would make it flicker by a tenth of a code.
    """
    near = np.rint(np.asarray(rows, np.float64) * 1024) / 1024
    mean = picture[::16, ::16].reshape(-1, 3).mean(axis=0)
    table = np.hstack([near, (lift + (rows - near) @ mean)[:, None]])
    return np.asarray(cv2.transform(picture, table.astype(np.float32), dst=out), dtype=np.uint8)


def coded_cover(colour: Picture, keep: Picture) -> Picture:
    """Return colours that are multiplied by their cover already in the film's own codes."""
    level = (255 - keep.astype(np.float32)) / 255 * _ROWS[:, 3]
    exact = cv2.transform(colour.astype(np.float32), _ROWS[:, :3]) + level
    return np.asarray(np.rint(exact).clip(0, 255), dtype=np.uint8)


def planes_of(codes: Picture) -> NDArray[np.uint8]:
    """Return the planes Y, Cb, Cr of a coded picture one after the other, (height * width * 3 / 2,).

    Chroma is the mean of two by two pixels, so its samples lie in their middle (`chroma_location` "center").
    Width and height must be even.
    """
    height, width, _ = codes.shape
    planes = np.empty(height * width * 3 // 2, np.uint8)
    luma = planes[: height * width].reshape(height, width)
    blue, red = planes[height * width :].reshape(2, height // 2, width // 2)
    cv2.extractChannel(codes, 0, dst=luma)
    small = cv2.resize(codes, (width // 2, height // 2), interpolation=cv2.INTER_AREA)
    cv2.extractChannel(small, 1, dst=blue)
    cv2.extractChannel(small, 2, dst=red)
    return planes
