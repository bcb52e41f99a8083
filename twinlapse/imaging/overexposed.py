"""At which code a picture's white is shown once its light is lowered to that of the others.

What a picture has clipped has no light that could be divided. A lamp that is white in all pictures stays
white; a bright part that only this picture has overexposed is shown as bright as the others show it, or it
would flash. One code has to do for all that is clipped in a picture: the one that most of it has elsewhere.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from twinlapse.arrays import Float
from twinlapse.imaging.light import SmallPicture, middle_of
from twinlapse.imaging.plain_parts import CLIPPED_CODE

__all__ = ["LEAST_CLIPPED", "USUAL_PICTURES", "usual_codes", "white_codes"]

USUAL_PICTURES = 9
LEAST_CLIPPED = 4  # pixels of a small picture that tell what becomes of white


def usual_codes(sample: Sequence[SmallPicture], ratio: Float) -> NDArray[np.float32] | None:
    """Return the codes (height, width, 3) of small pictures in the common light, as some of m show them.

    `ratio` (m, 3) is the light of each over the common one. None where there is no picture.
    """
    if not len(sample):
        return None
    near = np.argsort(np.abs(np.log(ratio)).max(axis=1), kind="stable")[:USUAL_PICTURES]
    return middle_of(np.stack([sample[place].laid(sample[place].codes) for place in near]), 0)


def white_codes(small: SmallPicture, usual: NDArray[np.float32]) -> Float:
    """Return which code (3,) what is clipped in each channel usually has; 255 where nothing is."""
    white = np.full(3, 255.0)
    if small.codes.max() <= CLIPPED_CODE:
        return white
    codes = small.laid(small.codes)
    for channel in range(3):
        clipped = codes[..., channel] > CLIPPED_CODE
        if int(clipped.sum()) >= LEAST_CLIPPED:
            white[channel] = np.median(usual[..., channel][clipped])
    return white
