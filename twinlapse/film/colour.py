"""RGB pictures to the planes that encoders take: 4:2:0, limited range, ITU-R BT.709.

The conversions at hand write BT.601, which a player that trusts the BT.709 tag shows with colours up to
41/255 off; so the rows of BT.709 stand here.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from twinlapse.imaging.decode import Picture

KR, KG, KB = 0.2126, 0.7152, 0.0722  # ITU-R BT.709-6, item 3.2
_RGB = np.array([KR, KG, KB])
_LUMA = _RGB * (219 / 255)
_BLUE = (np.array([0, 0, 1]) - _RGB) / 1.8556 * (224 / 255)
_RED = (np.array([1, 0, 0]) - _RGB) / 1.5748 * (224 / 255)
_ROWS = np.stack([np.append(_LUMA, 16), np.append(_BLUE, 128), np.append(_RED, 128)]).astype(np.float32)


def to_i420(picture: Picture) -> NDArray[np.uint8]:
    """Return the planes Y, Cb, Cr of a picture one after the other, (height * width * 3 / 2,).

    Chroma is the mean of two by two pixels, so its samples lie in their middle (`chroma_location` "center").
    Width and height must be even.
    """
    height, width, _ = picture.shape
    planes = np.empty(height * width * 3 // 2, np.uint8)
    luma = planes[: height * width].reshape(height, width)
    blue, red = planes[height * width :].reshape(2, height // 2, width // 2)
    coded = cv2.transform(picture, _ROWS)
    cv2.extractChannel(coded, 0, dst=luma)
    small = cv2.resize(coded, (width // 2, height // 2), interpolation=cv2.INTER_AREA)
    cv2.extractChannel(small, 1, dst=blue)
    cv2.extractChannel(small, 2, dst=red)
    return planes
