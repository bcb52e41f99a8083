"""Several references made one: the tiles of each are laid on the first.

How two references lie to each other is read off all frames that both know again, so the error of a tie falls
with their number, and there are as many ties as references and not as many as frames: nothing drifts.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import combinations

import numpy as np

from twinlapse.arrays import Bool, Float
from twinlapse.imaging.transforms import Model, fit_maps, way_of
from twinlapse.tracking.measurements import Looks

__all__ = ["CERTAIN", "tied"]

CERTAIN = 0.35  # below this share of agreeing votes a frame does not tie
_LEAST = 2  # frames that two references must share


def tied(looks: Looks, model: Model, held: Bool) -> Looks:
    """Return what was seen as if it had been seen from the first reference; what cannot be tied is silent.

    `held` (k,) are the tiles of one body, by which references are tied.
    """
    count = int(looks.part.max(initial=0)) + 1
    if count == 1:
        return looks
    maps, trust = _maps(looks, count, model, held)
    centres, shifts, weights = looks.centres.copy(), looks.shifts.copy(), looks.weights.copy()
    parked = _parked(looks, maps, trust)
    for number, tie in enumerate(_ties(maps, trust)):
        own = looks.part == number
        if tie is None:
            weights[:, own] = 0
            continue
        back = np.linalg.inv(tie)
        centres[own] = looks.centres[own] @ back[:2, :2].T + back[:2, 2]
        shifts[:, own] += looks.centres[own] - centres[own]
        shifts[:, own & ~looks.coarse] -= parked[number]
    return replace(looks, centres=centres, shifts=shifts, weights=weights)


def _maps(looks: Looks, count: int, model: Model, held: Bool) -> tuple[Float, Float]:
    """Return the map from each reference to each frame, (references, n, 3, 3), and its weight, 0 to 1."""
    maps = np.tile(np.eye(3), (count, len(looks.faults), 1, 1))
    trust = np.zeros((count, len(looks.faults)))
    for number in range(count):
        own = (looks.part == number) & held
        weights = looks.weights[:, own]
        found, agree = fit_maps(looks.centres[own], looks.shifts[:, own], weights, model)
        maps[number, :, :2] = found
        trust[number] = np.where(agree >= CERTAIN, agree**2 * weights.sum(axis=1), 0.0)
        trust[number] /= max(
            float(np.sort(trust[number])[-2:].min()), 1e-9
        )  # the best is the reference itself
    return maps, np.minimum(trust, 1) ** 2


def _ties(maps: Float, trust: Float) -> list[Float | None]:
    """Return the map from the first reference to each: the surest ties first, then all evened."""
    ties: dict[int, Float] = {0: np.eye(3)}
    ways: dict[tuple[int, int], Float] = {}
    shared = np.zeros((len(maps), len(maps)))
    for here, there in combinations(range(len(maps)), 2):
        pull = np.minimum(trust[here], trust[there])
        if np.count_nonzero(pull) >= _LEAST:
            way = _middle(np.linalg.inv(maps[there]) @ maps[here], pull)
            ways[here, there], ways[there, here] = way, np.asarray(np.linalg.inv(way), np.float64)
            shared[here, there] = shared[there, here] = pull.sum()
    while edges := [edge for edge in ways if edge[0] in ties and edge[1] not in ties]:
        here, there = max(edges, key=lambda edge: float(shared[edge]))
        ties[there] = ways[here, there] @ ties[here]
    return _evened(ties, ways, shared)


def _evened(ties: dict[int, Float], ways: dict[tuple[int, int], Float], shared: Float) -> list[Float | None]:
    """Share what does not close around a ring of references out over its ties."""
    gaps = {
        (here, there): (way @ ties[here] - ties[there]).ravel()
        for (here, there), way in ways.items()
        if here < there and here in ties
    }
    change = _levels(gaps, shared, 9).reshape(-1, 3, 3)
    return [ties[n] + change[n] if n in ties else None for n in range(len(shared))]


def _levels(steps: dict[tuple[int, int], Float], shared: Float, width: int) -> Float:
    """Return the values whose differences are nearest to `steps`, (references, width); the first is zero."""
    rows, wanted = [np.zeros(len(shared))], [np.zeros(width)]
    for (here, there), step in steps.items():
        row = np.zeros(len(shared))
        row[there], row[here] = shared[here, there], -shared[here, there]
        rows.append(row)
        wanted.append(shared[here, there] * step)
    found = np.linalg.lstsq(np.array(rows)[:, 1:], np.array(wanted), rcond=None)[0]
    return np.concatenate([np.zeros((1, width)), found])


def _parked(looks: Looks, maps: Float, trust: Float) -> Float:
    """Return how far the print stands off its place in the first reference in each, (references, 2) px."""
    extra = np.full((*trust.shape, 2), np.nan)
    for number, place in zip(*np.nonzero(trust), strict=True):
        own = (looks.part == number) & ~looks.coarse & (looks.weights[place] > 0)
        if own.any():
            matrix = maps[number, place, :2]
            off = looks.shifts[place, own] - way_of(matrix, looks.centres[own])
            extra[number, place] = np.median(off, axis=0)
    steps: dict[tuple[int, int], Float] = {}
    shared = np.zeros((len(maps), len(maps)))
    for here, there in combinations(range(len(maps)), 2):
        apart = (extra[there] - extra[here])[np.isfinite(extra[there] + extra[here]).all(axis=1)]
        if len(apart) >= _LEAST:
            steps[here, there] = np.asarray(np.median(apart, axis=0), dtype=np.float64)
            shared[here, there] = len(apart) ** 0.5
    return _levels(steps, shared, 2)


def _middle(ways: Float, pull: Float) -> Float:
    """Return the weighted mean of maps (n, 3, 3) that are nearly the same, strays left out."""
    some = pull > 0.3 * pull.max()
    centre = np.median(ways[some], axis=0)
    off = np.hypot(*(ways[:, :2, 2] - centre[:2, 2]).T)
    pull = np.where(off <= 3 * max(float(np.median(off[some])), 0.02), pull, 0.0)
    return np.asarray((pull[:, None, None] * ways).sum(axis=0) / pull.sum())
