"""How far off a fitted map may be, by its votes: their spread, their number and where they lie."""

from __future__ import annotations

import numpy as np

from twinlapse.arrays import Float
from twinlapse.imaging.transforms import NOISE_PX, VOTE_PX, Real, way_of

__all__ = [
    "ENOUGH",
    "HEIGHT_POWER",
    "PRIOR_VOTES",
    "TOLERATED_PX",
    "by_height",
    "certainty",
    "expected_error",
]

PRIOR_VOTES = 2.0  # as many votes of half VOTE_PX are counted with the real ones: few that agree prove little
ENOUGH = 3.0  # agreeing tiles, of full weight, beyond which agreement is hardly chance (common practice)
_WORST = 3.0  # standard errors: an error that is hardly ever passed
TOLERATED_PX = 0.5  # an error that is seen in a film
HEIGHT_POWER = 4.0  # power of a vote's height over the highest ones', by which it counts less


def by_height(weights: Real) -> Float:
    """Return how much each of k votes on n pictures counts beside the best ones of its picture, (n, k).

    A tile that something else covers in part is dragged along by it, and its peak is lower for that: one
    half as high is off ten times as far, not twice. The second highest is the measure, for one may be chance.
    """
    ordered = np.sort(weights, axis=1)
    top = np.maximum(ordered[:, max(0, weights.shape[1] - 2), None], 1e-9)
    return np.asarray(weights * np.minimum(1, weights / top) ** HEIGHT_POWER, np.float64)


def expected_error(
    centres: Float, shifts: Real, weights: Real, matrices: Float, corners: Float, bent: float
) -> tuple[Float, Float]:
    """Return how far off each of n maps may be at the worst corner, and by how many tiles it is carried.

    Parameters
    ----------
    centres : ndarray of shape (k, 2), px
    shifts : ndarray of shape (n, k, 2), px
    weights : ndarray of shape (n, k)
    matrices : ndarray of shape (n, 2, 3)
        Reference to picture.
    corners : ndarray of shape (c, 2), px
        Where the map must be right.
    bent : float
        Standard deviation of turn (rad) and scale as they are known before the tiles are asked.

    Returns
    -------
    error : ndarray of shape (n,), px
        WORST standard errors of a similarity fitted to the tiles that agree.
    carriers : ndarray of shape (n,)
        Effective number of tiles that agree.
    """
    off = np.hypot(*np.moveaxis(shifts - way_of(matrices, centres), -1, 0))
    spoken = weights > 0
    ordered = np.sort(np.where(spoken, off, np.inf), axis=1)
    # the nearest third is of one mind in any picture that can be used; strays must not widen the cut
    usual = ordered[np.arange(len(off)), spoken.sum(axis=1) // 3] if off.shape[1] else np.zeros(len(off))
    cut = np.clip(np.nan_to_num(7 * usual, posinf=1.0), 4 * NOISE_PX, 1.0)[:, None]
    pull = weights * np.maximum(1 - (off / cut) ** 2, 0) ** 2
    total = np.maximum(pull.sum(axis=1), 1e-12)
    carriers = total**2 / np.maximum((pull**2).sum(axis=1), 1e-12) * (pull.sum(axis=1) > 1e-9)
    free = np.maximum(2 * carriers - 4, 0)
    variance = (free * (pull * off**2).sum(axis=1) / total / 2 + PRIOR_VOTES * VOTE_PX**2 / 4) / (
        free + PRIOR_VOTES
    )
    middle = (pull @ centres) / total[:, None]
    power = (pull * ((centres[None] - middle[:, None]) ** 2).sum(axis=2)).sum(axis=1) / total
    arm = ((corners[None] - middle[:, None]) ** 2).sum(axis=2).max(axis=1)
    # votes are not independent of each other where their tiles overlap: two thirds of them count
    alone = np.maximum(carriers / 1.5, 1e-9)
    known = np.maximum(power, 1.0) * alone / variance
    error = np.sqrt(variance / alone + arm / (known + bent**-2))
    return _WORST * error, carriers


def certainty(agree: Float, error_px: Float, carriers: Float) -> Float:
    """Return a confidence 0 to 1: below one half where an error that is seen cannot be ruled out.

    Parameters
    ----------
    agree : ndarray of shape (n,)
        Share of the votes that agree with the map.
    error_px, carriers : ndarray of shape (n,)
        From `expected_error`.
    """
    precise = 1 / (1 + (error_px / TOLERATED_PX) ** 2)
    carried = 1 - np.exp(-((carriers / ENOUGH) ** 2))
    return np.asarray(agree * precise * carried)
