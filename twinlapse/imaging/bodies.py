"""Which tiles of a film move together: the machine's frame, the bed with the print, a toolhead that passes.

In one picture the tiles of two bodies differ by a pixel or two and either may be in the majority. Over a
whole film each keeps to its own. A pair of tiles proposes how a body moves in every picture (a similarity
each), all tiles are judged by how well they follow it over the film, and the pair with the most followers is
one body; what does not follow it is searched for the next (sequential consensus, Fischler and Bolles 1981).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from twinlapse.arrays import Float
from twinlapse.imaging.transforms import Complex, Model, Real, as_complex

__all__ = [
    "APART_PX",
    "FAR",
    "FOLLOWS",
    "LEAST_TILES",
    "MOST_BODIES",
    "MOST_PAIRS",
    "MOST_PICTURES",
    "MOST_SCALE",
    "MOST_TURN",
    "find_bodies",
]

MOST_BODIES = 3  # frame, bed, toolhead: no machine shows more (common practice, no source)
MOST_PICTURES, MOST_PAIRS = 40, 160  # looked at: a search over more finds the same
FOLLOWS = 0.5  # share of a tile's weight that must follow a body to belong to it
LEAST_TILES = 3  # fewer than that any two tiles and a stray make a body
APART_PX = 0.35  # a tile that strays this far from a body follows it by half
FAR = 0.25  # how far apart the tiles of a pair lie at least, share of what all tiles span
MOST_TURN, MOST_SCALE = 0.087, 0.05  # no camera on a printer turns by more than 5 degrees or zooms by 5 %


def find_bodies(centres: Float, shifts: Real, weights: Real, model: Model) -> NDArray[np.int64]:
    """Return to which body each tile belongs, (k,): 0 for the body with the most tiles, -1 for none.

    Parameters
    ----------
    centres : ndarray of shape (k, 2), px
    shifts : ndarray of shape (n, k, 2), px
    weights : ndarray of shape (n, k)
    model : {"shift", "rotation", "scale"}
        "shift" proposes by single tiles, the others by pairs.
    """
    label = np.full(len(centres), -1, np.int64)
    spoken = np.flatnonzero((weights > 0).any(axis=1))
    rows = spoken[np.linspace(0, len(spoken) - 1, min(len(spoken), MOST_PICTURES)).round().astype(int)]
    at, weight = as_complex(centres), np.asarray(weights[rows], np.float64)
    to = at + as_complex(shifts[rows])
    total = weight.sum(axis=0)
    left = total > 0.02 * max(float(total.max(initial=0.0)), 1e-9)
    for number in range(MOST_BODIES):
        if np.count_nonzero(left) < LEAST_TILES:
            break
        share = _followers(at, to, weight, left, model)
        own = left & (share > FOLLOWS)
        if np.count_nonzero(own) < LEAST_TILES:
            break
        label[own] = number
        left &= ~own
    return label


def _followers(
    at: Complex, to: Complex, weight: Real, left: NDArray[np.bool_], model: Model
) -> NDArray[np.float64]:
    """Return which share of each tile's weight follows the best proposal among the tiles that are left."""
    first, second = _pairs(at, left, model)
    ratio, likely = np.ones((len(to), len(first)), np.complex128), weight[:, first] > 0
    if model != "shift":
        ratio = (to[:, second] - to[:, first]) / (at[second] - at[first])
        likely &= (weight[:, second] > 0) & (np.abs(ratio.imag) < MOST_TURN)
        likely &= np.abs(np.abs(ratio) - 1) < MOST_SCALE
        if model == "rotation":
            ratio = ratio / np.maximum(np.abs(ratio), 1e-9)
    offset = (to[:, first] + to[:, second]) / 2 - ratio * (at[first] + at[second]) / 2
    missed = ratio[:, :, None] * at + offset[:, :, None] - to[:, None, :]
    vote = 1 / (1 + (missed.real**2 + missed.imag**2) / APART_PX**2)
    followed = ((vote * likely[:, :, None]) * weight[:, None, :]).sum(axis=0)  # (pairs, k)
    best = int((followed * left).sum(axis=1).argmax())
    spoken = (weight * likely[:, best, None]).sum(axis=0)
    return np.asarray(followed[best] / np.maximum(spoken, 1e-9))


def _pairs(at: Complex, left: NDArray[np.bool_], model: Model) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    tiles = np.flatnonzero(left)
    if model == "shift":
        return tiles, tiles
    first, second = (tiles[part] for part in np.triu_indices(len(tiles), 1))
    apart = np.abs(at[second] - at[first])
    far = np.flatnonzero(apart >= min(FAR * float(np.ptp(at.real) + np.ptp(at.imag)), float(apart.max())))
    # spread over all pairs by a fixed draw: the tiles lie in rows, and a stride would meet the same ones
    some = np.random.default_rng(1).permutation(far)[:MOST_PAIRS]
    return first[some], second[some]
