"""Brightness over a long row of frames: evened without drift."""

from __future__ import annotations

import numpy as np

from twinlapse.firstlayer.canvas import canvas_over
from twinlapse.firstlayer.mosaic import SurveyFrame, blended, evened, unshaded
from twinlapse.firstlayer.overlaps import Patch


def test_a_row_of_300_mm_does_not_drift() -> None:
    """A bed of one brightness, a lamp on one side, a lens that falls off, and 8 % of flicker."""
    dice = np.random.default_rng(4)
    canvas = canvas_over(np.array([0.0, 0.0]), np.array([320.0, 20.0]), 0.2, 0.0)
    frames, patches = [], []
    for k in range(15):
        x = 10.0 + 20.0 * k
        frames.append(SurveyFrame(picture=np.zeros((1, 1, 3), np.uint8), nozzle_mm=(x, 10.0, 1.2)))
        left, wide, tall = round((x - 14) / 0.2), 140, 100
        off_x, off_y = np.meshgrid((np.arange(wide) + 0.5) * 0.2 - 14, 10 - (np.arange(tall) + 0.5) * 0.2)
        light = np.exp(0.020 * off_x - 0.0012 * off_x**2 - 0.01 * off_y)
        light *= 1 + 0.08 * dice.uniform(-1, 1)
        grain = dice.normal(1, 0.05, light.shape)
        colours = np.repeat((90 * light * grain)[..., None], 3, axis=2).astype(np.float32)
        patches.append(Patch(row=0, column=left, colours=colours, weight=np.ones(light.shape, np.float32)))
    before = _along(*blended(patches, np.ones(15), canvas))
    gains, shading = evened(patches, frames, canvas)
    flat = [unshaded(patch, frame, canvas, shading) for patch, frame in zip(patches, frames, strict=True)]
    after = _along(*blended(flat, gains, canvas))
    assert np.ptp(before) / before.mean() > 0.2
    assert np.abs(after / np.median(after) - 1).max() < 0.03


def _along(colours: np.ndarray, seen: np.ndarray) -> np.ndarray:
    """Mean brightness of every 5 mm of the row, its very ends left out."""
    columns = [
        np.where(seen[:, k : k + 25, None], colours[:, k : k + 25], np.nan) for k in range(50, 1500, 25)
    ]
    return np.array([np.nanmean(some) for some in columns])
