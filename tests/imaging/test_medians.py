"""Medians of whole planes, against numpy's."""

from __future__ import annotations

import numpy as np
import pytest

from twinlapse.imaging.medians import median_plane


@pytest.mark.parametrize("count", [*range(1, 18), 33])
def test_the_median_is_numpys(count: int) -> None:
    rng = np.random.default_rng(count)
    planes = rng.normal(size=(count, 61, 150)).astype(np.float32)  # more than what is taken at once
    planes[:, ::2] = np.round(planes[:, ::2])  # values that occur more than once
    before = planes.copy()
    assert np.array_equal(median_plane(planes), np.median(planes, axis=0))
    assert np.array_equal(planes, before)
