"""Which pictures of a stop are believed."""

from __future__ import annotations

import numpy as np
import pytest

from twinlapse.pairing.stop_frames import _between_still


def test_a_picture_at_the_edge_of_a_still_row_may_have_been_taken_when_the_machine_had_just_left() -> None:
    chance = _between_still(np.array([0.999, 0.998, 0.999, 0.1]), np.array([0.5, 0.3, 0.1, -0.1, -0.3]))
    assert chance == pytest.approx([0.0, 0.998, 0.998, 0.1, 0.0])


@pytest.mark.parametrize(("middle_s", "kept"), [((0.3, 0.1), 1), ((0.1, -0.2), 0)])
def test_of_a_lone_pair_the_picture_nearer_to_the_middle_is_kept(
    middle_s: tuple[float, float], kept: int
) -> None:
    chance = _between_still(np.array([0.995]), np.array(middle_s))
    assert chance[kept] == 0.995 and chance[1 - kept] == 0
    assert _between_still(np.array([]), np.array([0.1])).tolist() == [0.0]
