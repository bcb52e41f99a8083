"""A picture that moved while it was exposed: how far and which way, told from its spectrum.

Even motion over a path multiplies the spectrum by sinc(frequency along the path). Beyond the first zero the
sign is reversed, and phase correlation with a sharp picture, which uses phases only, then finds one end of
the path as well as the other. With the sinc applied to the comparison the middle of the path is found.
"""

from __future__ import annotations

import functools

import numpy as np
from numpy.typing import NDArray

__all__ = ["ALIKE", "ANGLES", "FLOOR", "LENGTHS_PX", "SHARP", "Plane", "blurs", "find_blur", "nearest_blur"]

Plane = NDArray[np.float32]

LENGTHS_PX = (1.5, 2, 2.5, 3, 4, 5, 6, 7, 8, 9.5, 11, 13, 15, 18, 21)
ANGLES = 16  # over half a turn
SHARP = 0.75  # of what a sharp picture leaves unexplained: a blur must explain more than the rest
ALIKE = 0.003  # variance of the transfer, relative: below this a picture is as sharp as the reference
FLOOR = 0.12  # of the spectrum: what noise and what moves leave of it everywhere


def find_blur(transfer: Plane, energy: Plane, tile_px: int) -> int:
    """Return which of `blurs` a picture has suffered against the reference, -1 for none.

    Parameters
    ----------
    transfer : ndarray of shape (tile/2, tile/4 + 1)
        Size of the picture's spectrum over the reference's, over all tiles.
    energy : ndarray of shape (tile/2, tile/4 + 1)
        Of the reference: where there is none nothing can be told.
    tile_px : int
    """
    weight = energy / max(float(energy.sum()), 1e-12)
    weight[0, 0] = 0
    share = max(float(weight.sum()), 1e-12)
    flat = float((weight * transfer).sum()) / share
    sharp = float((weight * (transfer - flat) ** 2).sum())
    if sharp < ALIKE * flat**2 * share:
        return -1
    # the light of the picture is one factor, free for each blur
    shapes, squares = _shapes(tile_px)
    heavy, seen = weight.ravel(), transfer.ravel()
    across, own = shapes @ (heavy * seen), squares @ heavy
    left = float((heavy * seen**2).sum()) - across**2 / own
    best = int(left.argmin())
    return best if left[best] < SHARP * sharp else -1


def nearest_blur(way: NDArray[np.float64], tile_px: int) -> int:
    """Return which of `blurs` is nearest to a way (2,) px; a way back is the same blur."""
    ways = blurs(tile_px)[1]
    return int(np.minimum(*(np.hypot(*(ways - sign * way).T) for sign in (1, -1))).argmin())


@functools.lru_cache(maxsize=4)
def _shapes(tile_px: int) -> tuple[Plane, Plane]:
    """Return the sizes of the spectra of all blurs and their squares, (b, tile/2 * (tile/4 + 1))."""
    shapes = np.maximum(np.abs(blurs(tile_px)[0]), np.float32(FLOOR)).reshape(len(blurs(tile_px)[0]), -1)
    return shapes, shapes**2


@functools.lru_cache(maxsize=4)
def blurs(tile_px: int) -> tuple[Plane, NDArray[np.float64]]:
    """Return the spectra of all blurs, (b, tile/2, tile/4 + 1), and their ways, (b, 2) px."""
    quarter = tile_px // 4
    fy = np.concatenate([np.arange(quarter), np.arange(-quarter, 0)]) / tile_px
    fx = np.arange(quarter + 1) / tile_px
    angles = np.arange(ANGLES) * np.pi / ANGLES
    ways = np.array([(n * np.cos(a), n * np.sin(a)) for n in LENGTHS_PX for a in angles])
    along = ways[:, 0, None, None] * fx + ways[:, 1, None, None] * fy[:, None]
    return np.sinc(along).astype(np.float32), ways
