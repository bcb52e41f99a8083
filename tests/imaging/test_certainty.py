"""What a vote counts by the height of its peak, against pictures drawn by OpenCV with a truth put in."""

from __future__ import annotations

import cv2
import numpy as np
from skimage import data

from twinlapse.imaging.certainty import by_height
from twinlapse.imaging.registration import make_reference, measure


def test_the_best_votes_count_in_full_and_half_a_peak_a_thirtieth() -> None:
    weights = np.array([[0.8, 0.8, 0.4, 0.0], [0.3, 0.9, 0.3, 0.15]])
    counted = by_height(weights)
    assert counted[0].tolist() == [0.8, 0.8, 0.4 / 16, 0.0]
    assert counted[1, 0] == 0.3  # one that stands out alone is no measure
    assert counted[1, 3] < 0.15 / 10


def test_tiles_that_are_covered_in_part_are_off_by_more_than_their_peaks_are_low() -> None:
    """A photograph (scikit-image's coffee) moves behind a patch that stands still over some tiles."""
    scene = cv2.resize(cv2.cvtColor(data.coffee(), cv2.COLOR_RGB2GRAY), (900, 600))
    rng = np.random.default_rng(3)
    patch = cv2.resize(rng.integers(0, 255, (60, 40)).astype(np.uint8), (400, 600))

    def seen(way: np.ndarray) -> np.ndarray:
        moved = cv2.warpAffine(scene, np.array([[1, 0, -way[0]], [0, 1, -way[1]]]), (900, 600),
                               flags=cv2.INTER_LANCZOS4 | cv2.WARP_INVERSE_MAP)  # fmt: skip
        moved[:, 250:650] = patch
        return moved[:560, :860]

    ways = rng.normal(0, 1.0, (12, 2))
    reference = make_reference(seen(np.zeros(2)), tile_px=128, step=0.55, most=60)
    votes = measure(reference, [seen(way) for way in ways], "shift")
    off = np.hypot(*np.moveaxis(votes.shifts - ways[:, None], -1, 0))
    left = reference.corners[:, 0]
    # share of a tile that the patch covers; those wholly behind it tell of the patch
    covered = np.clip(np.minimum(left + 128, 650) - np.maximum(left, 250), 0, 128) / 128
    clear, partly = covered == 0, (covered > 0.2) & (covered < 0.6)
    assert clear.any() and partly.any()
    height = np.median(votes.weights[:, partly]) / np.median(votes.weights[:, clear])
    error = np.median(off[:, partly]) / np.median(off[:, clear])
    assert height > 0.3 and error > 4 / height
