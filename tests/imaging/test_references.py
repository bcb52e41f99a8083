"""Which pictures others are compared with."""

from __future__ import annotations

import cv2
import numpy as np
from skimage import data

from twinlapse.imaging.references import choose_references
from twinlapse.rig.film_settings import CameraFilming


def test_a_picture_that_moved_while_it_was_exposed_is_no_reference() -> None:
    """It is not known again for its blur; sharp pictures would be held against it."""
    scene = cv2.resize(data.coffee(), (640, 360))
    line = np.zeros((13, 13), np.float32)
    line[6] = 1 / 13
    rng = np.random.default_rng(3)
    sample = []
    for place in range(9):
        view = np.roll(scene, rng.integers(-2, 3, 2), axis=(0, 1))
        view = cv2.filter2D(view, -1, line) if place % 2 else view
        noisy = view + rng.normal(0, 2, view.shape)
        sample.append(np.clip(np.rint(noisy), 0, 255).astype(np.uint8))
    found = choose_references(sample, list(range(9)), (640, 360), 1, CameraFilming())
    assert len(found.gauges) == 1
    assert set(found.places.tolist()) == {0, 2, 4, 6, 8}
