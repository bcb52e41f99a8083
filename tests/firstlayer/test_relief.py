"""What stands up from the lines of a layer, and what is only shade along a line."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from twinlapse.firstlayer.canvas import canvas_over
from twinlapse.firstlayer.relief import LARGEST_MM, SLIMMEST, lumps

CANVAS = canvas_over(np.zeros(2), np.full(2, 20.0), 0.1, 1.0)


@pytest.mark.parametrize(
    ("size_mm", "is_lump"), [((2.0, 2.0), True), ((1.5, 4.0), True), ((0.9, 4.4), False)]
)
def test_a_slim_strip_is_shade_along_a_line(size_mm: tuple[float, float], is_lump: bool) -> None:
    assert size_mm[1] <= LARGEST_MM and (size_mm[1] / size_mm[0] <= SLIMMEST) is is_lump
    dice = np.random.default_rng(4)
    off = dice.normal(0, 0.002, CANVAS.shape).astype(np.float32)
    x, y = (round(way / CANVAS.step_mm) for way in size_mm)
    off[100 : 100 + y, 100 : 100 + x] = -0.06
    off = cv2.GaussianBlur(off, (0, 0), 0.5)
    found = lumps(off, off, CANVAS)
    assert len(found) == is_lump
