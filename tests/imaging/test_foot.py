"""The foot of what grows is found whatever it stands before, and whatever else shifts a little."""

from __future__ import annotations

import numpy as np
import pytest

from twinlapse.imaging.light import ACROSS, DOWN, changing_foot

FOOT_ROW, LEFT, RIGHT, GROWTH = 21, 16, 23, 2


def growing(dark_rows: int, edge: float) -> np.ndarray:
    """Blocks of ten pictures: a print that rises from FOOT_ROW before a scene whose upper rows are dark."""
    rng = np.random.default_rng(4)
    scene = rng.uniform(0.2, 0.4, (DOWN, ACROSS, 1)) * np.ones(3)
    scene[:dark_rows] = 0.012
    pictures = []
    for number in range(10):
        blocks = scene * rng.uniform(0.995, 1.005, scene.shape)
        # a seam and the edge of a bed that parks a hair off
        blocks[20:27, 18:20] *= 1 + edge * (-1) ** number
        blocks[26, 5:35] *= 1 + edge * (-1) ** number
        top = FOOT_ROW - GROWTH * number
        blocks[top : FOOT_ROW + 1, LEFT:RIGHT] = rng.uniform(0.5, 0.6)
        pictures.append(blocks)
    return np.array(pictures, np.float32)


@pytest.mark.parametrize("dark_rows", [0, 14])
def test_the_foot_is_the_lower_end_of_what_grows(dark_rows: int) -> None:
    x, y = changing_foot(growing(dark_rows, 0.3))
    assert abs(x * ACROSS - (LEFT + RIGHT) / 2) <= 1
    assert abs(y * DOWN - (FOOT_ROW + 0.5)) <= GROWTH


def test_the_foot_is_not_that_of_a_larger_beam_that_climbs_behind() -> None:
    blocks = growing(0, 0.0)
    for number, picture in enumerate(blocks):
        low = 11 - number  # a beam with its toolhead, all across, above where the print stands
        picture[low : low + 3, 3:36] = 0.08
        picture[low : low + 5, 28:32] = 0.04
    x, y = changing_foot(blocks)
    assert abs(x * ACROSS - (LEFT + RIGHT) / 2) <= 1 and abs(y * DOWN - (FOOT_ROW + 0.5)) <= 2 * GROWTH


def test_one_picture_of_something_else_does_not_hide_what_grows() -> None:
    blocks = growing(0, 0.0)
    blocks[4] = np.random.default_rng(1).uniform(0.02, 0.7, blocks[4].shape)
    x, y = changing_foot(blocks)
    assert abs(x * ACROSS - (LEFT + RIGHT) / 2) <= 1 and abs(y * DOWN - (FOOT_ROW + 0.5)) <= GROWTH


def test_where_nothing_changes_the_middle_stands_for_it() -> None:
    assert changing_foot(np.full((5, DOWN, ACROSS, 3), 0.3, np.float32)) == (0.5, 0.5)
