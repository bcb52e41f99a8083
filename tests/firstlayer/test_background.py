"""The bare bed as the background of a layer."""

from __future__ import annotations

import numpy as np

from twinlapse.firstlayer.background import overexposed


def test_an_overexposed_bare_bed_tells_nothing_there() -> None:
    colours = np.full((60, 60, 3), (120, 100, 90), np.uint8)
    colours[20:40, 20:40] = (255, 252, 205)
    colours[5, 5] = (255, 255, 255)  # a single grain is no reflection
    bright = overexposed(colours, 0.1)
    assert bright[22:38, 22:38].all()
    assert not bright[:17].any() and not bright[:, 43:].any()
