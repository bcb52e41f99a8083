"""How much moves in a recording from picture to picture: small grey pictures in, a motion signal out."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from twinlapse.arrays import Float, Float32, Grey

__all__ = ["SIZE_PX", "MotionSignal", "best_cut", "motion_between", "motion_signal"]

SIZE_PX = (160, 120)  # width, height of the pictures compared; the head is still tens of pixels wide
_BLOCK_PX = 4  # means of 16 pixels are nearly free of sensor noise
_TOP_SHARE = 0.02  # the head is a small part of what a wide camera sees
_DARK = 8.0  # grey levels; darker blocks say nothing about exposure (common practice, no source)


@dataclass(frozen=True, slots=True, kw_only=True)
class MotionSignal:
    """What changed in a recording, one sample for every picture but the first."""

    before_s: Float  # (k,) when the earlier picture of each pair was taken
    time_s: Float  # (k,) when the later one was, rising
    motion: Float  # (k,) in grey levels; 0 where a picture repeats the one before


def motion_between(before: Grey, after: Grey) -> float:
    """Return how much the most changed fiftieth of a picture changed, in grey levels of block means.

    A change of exposure multiplies the light of all blocks, and a lamp that flickers against a rolling
    shutter that of each row: the median ratio of a row's blocks is taken out as a gain, and what all blocks
    still share as an offset.
    """
    return _change(_block_means(before), _block_means(after))


def motion_signal(pictures: Iterable[tuple[float, Grey]]) -> MotionSignal:
    """Return the motion signal of a recording.

    Parameters
    ----------
    pictures : iterable of (time in s, ndarray of shape (height, width))
    """
    times: list[float] = []
    motions: list[float] = []
    before: Float32 | None = None
    for time_s, picture in pictures:
        after = _block_means(picture)
        if before is not None:
            motions.append(_change(before, after))
        times.append(time_s)
        before = after
    return MotionSignal(before_s=np.array(times[:-1]), time_s=np.array(times[1:]), motion=np.array(motions))


def best_cut(shares: Float) -> float:
    """Return the place, in bins, that parts a histogram best (N. Otsu, IEEE Trans. SMC 9, 1979)."""
    level = np.arange(len(shares))
    best, cut = -1.0, len(shares) / 2
    for k in range(1, len(shares)):
        low, high = shares[:k].sum(), shares[k:].sum()
        if low > 0 and high > 0:
            apart = (shares[:k] @ level[:k]) / low - (shares[k:] @ level[k:]) / high
            if low * high * apart**2 > best:
                best, cut = low * high * apart**2, k - 0.5
    return float(cut)


def _change(before: Float32, after: Float32) -> float:
    lit = before > _DARK
    gain = np.ones((len(before), 1), np.float32)
    if lit.any():
        ratio = after / np.maximum(before, _DARK)
        ratio[~lit] = np.median(ratio[lit])
        gain[:, 0] = np.median(ratio, axis=1)
    # bring the brighter picture down, so that noise is not multiplied
    change = after / np.maximum(gain, 1) - before * np.minimum(gain, 1)
    change = np.abs(change - np.median(change)).ravel()
    count = max(1, int(_TOP_SHARE * change.size))
    return float(np.partition(change, -count)[-count:].mean())


def _block_means(picture: Grey) -> Float32:
    height, width = (side - side % _BLOCK_PX for side in picture.shape)
    cut = picture[:height, :width].reshape(height // _BLOCK_PX, _BLOCK_PX, width // _BLOCK_PX, _BLOCK_PX)
    means: Float32 = cut.mean(axis=(1, 3), dtype=np.float32)
    return means
