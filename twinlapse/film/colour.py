"""RGB pictures to the planes that encoders take: 4:2:0, limited range, ITU-R BT.709.

The conversions at hand write BT.601, which a player that trusts the BT.709 tag shows with colours up to
41/255 off; so the rows of BT.709 stand here.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from twinlapse.arrays import Float, Picture
from twinlapse.film.coding_kernels import CODED_BLOCK_PX, FRACTION_BITS, code_pixels
from twinlapse.imaging.light import Blocks, Relight, relit_codes
from twinlapse.imaging.rooms import room
from twinlapse.jit import Kernel

__all__ = ["KB", "KG", "KR", "coded", "coded_cover", "coded_relit", "planes_of"]

KR, KG, KB = 0.2126, 0.7152, 0.0722  # ITU-R BT.709-6, item 3.2
_RGB = np.array([KR, KG, KB])
_LUMA = _RGB * (219 / 255)
_BLUE = (np.array([0, 0, 1]) - _RGB) / 1.8556 * (224 / 255)
_RED = (np.array([1, 0, 0]) - _RGB) / 1.5748 * (224 / 255)
_ROWS = np.stack([np.append(_LUMA, 16), np.append(_BLUE, 128), np.append(_RED, 128)]).astype(np.float32)


# Bayer's ordered dither (1973), in the middle of its steps: codes that are cut off after it has been added
# have the right mean over 4 x 4 pixels. In plain dark parts all pixels would else be rounded the same way
_BAYER = np.array([[0, 8, 2, 10], [12, 4, 14, 6], [3, 11, 1, 9], [15, 7, 13, 5]])
_SHIFTS = np.array([0, 21, 42], np.uint64)
_ONE = 1 << FRACTION_BITS
# the colours of 2 x 2 pixels become one sample, so they get the same
_STEPS = np.stack([np.tile(_BAYER, (2, 2)), *2 * [np.kron(_BAYER, np.ones((2, 2), int))]], axis=-1)
_DITHER = (((2 * _STEPS + 1) * (_ONE // 32)).astype(np.uint64) << _SHIFTS).sum(axis=-1)


def coded(picture: Picture) -> Picture:
    """Return a picture in the film's own codes Y, Cb, Cr, (height, width, 3)."""
    return _by_rows(picture, _ROWS[:, :3], _ROWS[:, 3])


def coded_relit(
    picture: Picture, how: Relight, left: Blocks | None = None, out: Picture | None = None
) -> Picture:
    """Return a picture with its light changed, in the film's own codes.

    Nothing is rounded in between. By `left` (rows, columns, 3), if it is given, blocks of CODED_BLOCK_PX
    pixels are too high in red, green and blue once their light is changed. `out` may be `picture` itself:
    memory that is fresh for every frame costs as much as the arithmetic.
    """
    tables = _tables(relit_codes(how))
    out = np.empty_like(picture) if out is None else out
    height, width, _ = picture.shape
    more = np.zeros((-(-height // CODED_BLOCK_PX), -(-width // CODED_BLOCK_PX)), np.uint64)
    if left is not None:
        steps = cv2.split(cv2.transform(left, _ROWS[:, :3] * -_ONE))
        for own, shift in zip(steps, _SHIFTS, strict=True):
            more += np.rint(own).astype(np.int64).view(np.uint64) << shift
    if isinstance(code_pixels, Kernel):
        code_pixels(picture, tables, _DITHER, more, out)
        return out
    words = np.tile(_DITHER, (height // 8 + 1, width // 8 + 1))[:height, :width]
    words = words + np.kron(more, np.ones((CODED_BLOCK_PX, CODED_BLOCK_PX), np.uint64))[:height, :width]
    words = words + sum(table[picture[..., channel]] for channel, table in enumerate(tables))
    for place, shift in enumerate(_SHIFTS):
        out[..., place] = (words >> (shift + FRACTION_BITS)) & 255
    return out


def _tables(codes: Float) -> NDArray[np.uint64]:
    """Return what each code of each channel adds to the codes of the film, (3, 256); see `code_pixels`."""
    adds = _ROWS[:, :3].astype(np.float64)[..., None] * codes.T  # (3 codes of the film, 3 channels, 256)
    # a word holds no negative numbers: each channel is lifted, the first by what is left of the whole lift
    lift = np.where(_ROWS[:, :3] < 0, -255.0 * _ROWS[:, :3], 0.0)
    lift[:, 0] += _ROWS[:, 3] - lift.sum(axis=1)
    whole = np.rint((adds + lift[..., None]) * _ONE).astype(np.uint64)
    return np.asarray((whole << _SHIFTS[:, None, None]).sum(axis=0), np.uint64)


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
    exact = 255 - keep.astype(np.float32)
    exact *= _ROWS[:, 3] / np.float32(255)
    exact += cv2.transform(colour.astype(np.float32), _ROWS[:, :3])
    return np.rint(exact, out=exact).clip(0, 255, out=exact).astype(np.uint8)


def planes_of(codes: Picture, out: NDArray[np.uint8] | None = None) -> NDArray[np.uint8]:
    """Return the planes Y, Cb, Cr of a coded picture one after the other, (height * width * 3 / 2,).

    Chroma is the mean of two by two pixels, so its samples lie in their middle (`chroma_location` "center").
    Width and height must be even. `out` is memory for them.
    """
    height, width, _ = codes.shape
    planes = np.empty(height * width * 3 // 2, np.uint8) if out is None else out
    luma = planes[: height * width].reshape(height, width)
    blue, red = planes[height * width :].reshape(2, height // 2, width // 2)
    cv2.extractChannel(codes, 0, dst=luma)
    half = room("half", (height // 2, width // 2, 3))
    small = cv2.resize(codes, (width // 2, height // 2), dst=half, interpolation=cv2.INTER_AREA)
    cv2.extractChannel(small, 1, dst=blue)
    cv2.extractChannel(small, 2, dst=red)
    return planes
