"""How unlike the other stops of its kind a standstill looks.

At every stop for the same cameras the machine stands in much the same place, and a print grows slowly: what a
camera sees there resembles what it sees at the stops before and after. Elsewhere it sees something else.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from twinlapse.arrays import Float

Looks = NDArray[np.float32]  # (m, pixels) small even-lit pictures of standstills

_NEIGHBOURS = 7  # stops of its kind that a standstill is compared with
_FEWEST = 5  # with fewer nothing is said
_TOP_SHARE = 0.05  # the head is a small part of what a wide camera sees
_USUAL = 2.0  # times the usual difference is nothing to wonder at
_STEEPNESS, _MOST = 6.0, 10.0  # of the price; differences have long tails, so it grows with their logarithm


def unlikeness(looks: Looks, kind: NDArray[np.int64], pairs: list[tuple[int, int]]) -> Float:
    """Return what the look of each standstill speaks against each stop, as a negative log-likelihood.

    Parameters
    ----------
    looks : ndarray of shape (m, pixels)
    kind : ndarray of shape (n,)
        Stops of one kind look alike.
    pairs : list of (stop, standstill)
        A chain of which most is right.

    Returns
    -------
    ndarray of shape (n, m)
        Below 0 for what is as alike as usual, the more so the fewer strays are. Where all stops look
        different, little is said.
    """
    cost = np.zeros((len(kind), len(looks)))
    chain = np.array(pairs, dtype=np.int64).reshape(-1, 2)
    strays = np.setdiff1d(np.arange(len(looks)), chain[:, 1])
    for one in np.unique(kind):
        own = chain[kind[chain[:, 0]] == one, 1]
        if len(own) < _FEWEST:
            continue
        # by standstill only: whichever stop of its kind it is paired with, the look says the same
        off = np.array([_difference(looks, own, j) for j in range(len(looks))])
        usual = _USUAL * max(0.5, float(np.median(off[own])))
        alike = np.count_nonzero(off[strays] < usual)
        wonder = _STEEPNESS * np.log(np.maximum(off, 1e-6) / usual)
        cost[kind == one] = np.clip(wonder, 0.0, _MOST) + np.log((alike + 1) / (len(strays) + 2))
    return cost


def _difference(looks: Looks, own: NDArray[np.int64], index: int) -> float:
    """How unlike its neighbours of a kind a standstill is: as it is to the second most alike of them.

    Two that are alike will do, since looks change along a print, in its first layers quickly; one will not,
    as it may be there wrongly.
    """
    others = own[own != index]
    place = int(np.searchsorted(others, index))
    first = min(max(0, place - _NEIGHBOURS // 2), max(0, len(others) - _NEIGHBOURS))
    off = np.abs(looks[others[first : first + _NEIGHBOURS]] - looks[index])
    count = max(1, int(_TOP_SHARE * off.shape[1]))
    return float(np.sort(np.partition(off, -count, axis=1)[:, -count:].mean(axis=1))[1])
