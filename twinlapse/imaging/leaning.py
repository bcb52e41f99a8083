"""More than a similarity, where a film proves it: rows that lean (rolling shutter), or an affine map.

A shutter that reads row after row while the camera trembles shifts each row a little more than the one
above: a shear along x. A lens that breathes unevenly or a camera that tips makes the rest of an affine map.
Either is used for a whole film or not at all, by the Bayesian information criterion (Schwarz 1978) over all
its frames.
"""

from __future__ import annotations

from typing import Literal

import numpy as np

from twinlapse.arrays import Float
from twinlapse.imaging.transforms import VOTE_PX, Real, way_of

__all__ = ["PARAMETERS", "SEEN_PX", "USUAL_LEAN", "Lean", "lean_by_evidence"]

Lean = Literal["similarity", "rows", "affine"]

PARAMETERS: dict[Lean, int] = {"similarity": 4, "rows": 5, "affine": 6}
USUAL_LEAN = 0.002  # standard deviation of what is added, before a vote: a pixel over 500 rows
SEEN_PX = 0.15  # RMS at the corners below which nobody sees it, whatever the evidence
_ROUNDS = 4  # of reweighting


def lean_by_evidence(
    centres: Float, shifts: Real, weights: Real, matrices: Float, corners: Float
) -> tuple[Float, Lean]:
    """Return maps (n, 2, 3) of the kind that n pictures prove, and which kind that is.

    Parameters
    ----------
    centres : ndarray of shape (k, 2), px
    shifts : ndarray of shape (n, k, 2), px
    weights : ndarray of shape (n, k)
    matrices : ndarray of shape (n, 2, 3)
        Similarities, reference to picture: what is returned when nothing more is proven.
    corners : ndarray of shape (c, 2), px
    """
    if len(centres) < 2 * PARAMETERS["affine"] or len(matrices) < 4:
        return matrices, "similarity"
    fitted = {kind: _fitted(centres, shifts, weights, matrices, count) for kind, count in PARAMETERS.items()}
    # all are judged on the votes that the freest of them takes for good
    pull = fitted["affine"][1]
    votes = np.count_nonzero(pull, axis=1)
    rows = votes >= 2 * PARAMETERS["affine"]
    if np.count_nonzero(rows) < 4:
        return matrices, "similarity"
    seen = 2 * votes[rows]
    cost: dict[Lean, float] = {}
    for kind, (found, _) in fitted.items():
        off = shifts[rows] - way_of(found[rows], centres)
        squares = (pull[rows, :, None] * off**2).sum(axis=(1, 2))
        # a noise of its own for each picture: a few that are blurred must not speak for all
        cost[kind] = float((seen * np.log(squares / seen + 1e-12) + PARAMETERS[kind] * np.log(seen)).sum())
    best = min(cost, key=lambda kind: cost[kind])
    found = fitted[best][0]
    added = way_of(found, corners) - way_of(matrices, corners)
    if best == "similarity" or float(np.sqrt((added[rows] ** 2).mean())) < SEEN_PX:
        return matrices, "similarity"
    return found, best


def _fitted(
    centres: Float, shifts: Real, weights: Real, matrices: Float, parameters: int
) -> tuple[Float, Float]:
    """Return maps with so many of the parameters, and the pull of each vote, by reweighted least squares."""
    middle = centres.mean(axis=0)
    arm = float(np.sqrt(((centres - middle) ** 2).sum(axis=1).mean())) or 1.0
    x, y = ((centres - middle) / arm).T
    none, one = np.zeros_like(x), np.ones_like(x)
    # what each parameter adds to a shift to the right and down: shift, shift, scale, turn, lean, stretch
    right = np.stack([one, none, x, -y, y, x], axis=1)[:, :parameters]
    down = np.stack([none, one, y, x, none, -y], axis=1)[:, :parameters]
    held = np.zeros(parameters)
    held[4:] = (VOTE_PX / (USUAL_LEAN * arm)) ** 2
    off = shifts - way_of(matrices, centres)
    added = np.zeros((len(shifts), parameters))
    pull = np.zeros(weights.shape)
    for _ in range(_ROUNDS):
        left = off - np.stack([added @ right.T, added @ down.T], axis=-1)
        far = np.hypot(*np.moveaxis(left, -1, 0))
        usual = np.nanmedian(np.where(weights > 0, far, np.nan), axis=1, keepdims=True)
        cut = np.clip(4.685 * np.nan_to_num(usual, nan=1.0), 4 * VOTE_PX, 2.0)
        pull = weights * np.maximum(1 - (far / cut) ** 2, 0) ** 2
        square = np.einsum("nk,kp,kq->npq", pull, right, right) + np.einsum("nk,kp,kq->npq", pull, down, down)
        square += np.diag(held + 1e-9)
        wanted = (pull * off[..., 0]) @ right + (pull * off[..., 1]) @ down
        added = np.linalg.solve(square, wanted[..., None])[..., 0]
    full = np.zeros((len(shifts), 6))
    full[:, :parameters] = added
    tx, ty, scale, turn, lean, stretch = full.T
    change = np.stack([scale + stretch, lean - turn, turn, scale - stretch], axis=1).reshape(-1, 2, 2) / arm
    found = matrices.copy()
    found[:, :, :2] += change
    found[:, :, 2] += np.stack([tx, ty], axis=1) - change @ middle
    return found, pull
