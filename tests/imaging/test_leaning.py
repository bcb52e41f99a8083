"""A map that leans is used where the film proves it, and not because some of its pictures are blurred."""

from __future__ import annotations

import numpy as np
import pytest

from twinlapse.imaging.leaning import Lean, lean_by_evidence

FRAMES, BLURRED = 60, 8


@pytest.mark.parametrize(("lean", "kind"), [(0.0, "similarity"), (0.0008, "rows")])
def test_only_what_all_pictures_prove_is_taken_out(lean: float, kind: Lean) -> None:
    rng = np.random.default_rng(2)
    x, y = np.meshgrid(np.linspace(100, 1180, 6), np.linspace(80, 640, 4))
    centres = np.stack([x.ravel(), y.ravel()], axis=1)
    leans = rng.normal(0, lean, FRAMES)
    shifts = np.zeros((FRAMES, len(centres), 2))
    shifts[..., 0] = leans[:, None] * (centres[:, 1] - 360)
    shifts += rng.normal(0, 0.02, shifts.shape)
    # tiles of a blurred picture are off by what lies in them, and tiles that are neighbours alike
    bend = rng.normal(0, 0.15, (BLURRED, 2, 1)) * (centres[:, 1] - 360) / 280
    shifts[:BLURRED] += np.swapaxes(bend, 1, 2) + rng.normal(0, 0.12, (BLURRED, len(centres), 2))
    still = np.repeat(np.eye(3)[None, :2], FRAMES, axis=0)
    corners = np.array([[0.0, 0], [1280, 0], [0, 720], [1280, 720]])
    found, which = lean_by_evidence(centres, shifts, np.full(shifts.shape[:2], 0.7), still, corners)
    assert which == kind
    assert np.abs(found[BLURRED:, 0, 1] - leans[BLURRED:]).max() < 1e-4
