"""The loop that makes a picture small for judging its light."""

from __future__ import annotations

from typing import Any

import numpy as np

from twinlapse.jit import picture_kernel

__all__ = ["mean_pixels"]


@picture_kernel
def mean_pixels(picture: Any, below: Any, small: Any) -> None:
    """Write the means of squares of a picture's pixels.

    Parameters
    ----------
    picture : ndarray of shape (step * height, step * width * 3), uint8
    below : ndarray of shape (step * width * 3,), int32
        Memory for sums over the rows of a square.
    small : ndarray of shape (height, width, 3), float32
        Result, not rounded.
    """
    step = picture.shape[0] // small.shape[0]
    part = np.float32(1 / (step * step))
    for y in range(small.shape[0]):
        below[:] = 0
        for down in range(step):
            row = picture[y * step + down]
            for place in range(below.shape[0]):
                below[place] += row[place]
        own = small[y]
        for x in range(own.shape[0]):
            square = below[x * step * 3 : (x + 1) * step * 3]
            red = green = blue = 0
            for across in range(step):
                red += square[3 * across]
                green += square[3 * across + 1]
                blue += square[3 * across + 2]
            own[x, 0], own[x, 1], own[x, 2] = red * part, green * part, blue * part
