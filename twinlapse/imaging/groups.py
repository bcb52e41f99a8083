"""Which tiles of a picture belong to the same body: the frame behind, the bed with the print, the nozzle.

Where a camera stands on the frame and the bed parks a hair off, two bodies move apart from picture to
picture. Tiles of one body always agree with each other; tiles of different bodies disagree in every picture
in which their bodies do. That tells them apart without knowing what they show.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from twinlapse.imaging.motion import Float, Model, fit_map

SAME = 0.85  # share of the telling pictures in which two tiles must agree to be of one body
TELLING = 0.15  # a picture tells bodies apart when at least this share of its votes stands aside
AGREE_PX = 0.15
MOST_PICTURES = 150


def find_bodies(centres: Float, shifts: Float, weights: Float, model: Model) -> NDArray[np.int64]:
    """Return for each tile the number of the body it belongs to, 0 the largest, -1 for tiles that say
    nothing.

    Parameters
    ----------
    centres : ndarray of shape (k, 2), px
    shifts : ndarray of shape (n, k, 2), px
        Of k tiles in n pictures.
    weights : ndarray of shape (n, k)
    model : {"shift", "rotation", "scale"}
        What one body may do.
    """
    count = weights.shape[1]
    bodies = np.full(count, -1, dtype=np.int64)
    step = max(1, len(shifts) // MOST_PICTURES)
    shifts, weights = shifts[::step], weights[::step]
    seen = weights > 0
    steady = seen.mean(axis=0) > 0.25 if len(seen) else np.zeros(count, bool)
    if not steady.any():
        return bodies
    aside = np.stack(
        [_aside(centres, way, weight, model) for way, weight in zip(shifts, weights, strict=True)]
    )
    left_out = (aside & seen).sum(axis=1) / np.maximum(seen.sum(axis=1), 1)
    telling = (left_out >= TELLING) & (seen.sum(axis=1) >= 4)
    if telling.sum() < 3:
        bodies[steady] = 0
        return bodies
    return _numbered(_components(_agreement(aside[telling], seen[telling]) >= SAME, steady), weights)


def _aside(centres: Float, way: Float, weight: Float, model: Model) -> NDArray[np.bool_]:
    """Return which tiles do not follow the map that most follow."""
    matrix, _ = fit_map(centres, way, weight, model)
    error = centres @ matrix[:, :2].T + matrix[:, 2] - centres - way
    return np.asarray(np.hypot(error[:, 0], error[:, 1]) > AGREE_PX)


def _agreement(aside: NDArray[np.bool_], seen: NDArray[np.bool_]) -> Float:
    """Return for each two tiles in which share of the pictures that show both they stand on the same side."""
    stand, follow = (aside & seen).astype(float), (~aside & seen).astype(float)
    both = seen.astype(float).T @ seen.astype(float)
    alike = stand.T @ stand + follow.T @ follow
    return np.asarray(np.where(both >= 3, alike / np.maximum(both, 1), 0.0))


def _components(linked: NDArray[np.bool_], usable: NDArray[np.bool_]) -> NDArray[np.int64]:
    body = np.full(len(linked), -1, dtype=np.int64)
    for start in np.flatnonzero(usable):
        if body[start] >= 0:
            continue
        front = [int(start)]
        while front:
            tile = front.pop()
            if body[tile] < 0:
                body[tile] = start
                front.extend(int(other) for other in np.flatnonzero(linked[tile] & usable & (body < 0)))
    return body


def _numbered(body: NDArray[np.int64], weights: Float) -> NDArray[np.int64]:
    power = weights.mean(axis=0)
    names = sorted({int(name) for name in body if name >= 0}, key=lambda name: -power[body == name].sum())
    numbers = np.full(len(body), -1, dtype=np.int64)
    for number, name in enumerate(names):
        numbers[body == name] = number
    return numbers


def body_at(
    bodies: NDArray[np.int64], centres: Float, power: Float, spot: tuple[float, float], reach_px: float
) -> int:
    """Return the body that lies around a spot of the picture.

    Parameters
    ----------
    bodies : ndarray of shape (k,)
    centres : ndarray of shape (k, 2), px
    power : ndarray of shape (k,)
        How well each tile is seen.
    spot : (x, y) px
    reach_px : float
        Standard deviation of the Gaussian by which near tiles count for more.
    """
    away = np.hypot(centres[:, 0] - spot[0], centres[:, 1] - spot[1])
    pull = power * np.exp(-((away / reach_px) ** 2) / 2)
    count = int(bodies.max(initial=-1)) + 1
    sums = [float(pull[bodies == number].sum()) for number in range(count)]
    # a body of one or two tiles is chance unless nothing else is there
    sizes = [int((bodies == number).sum()) for number in range(count)]
    ranked = sorted(range(count), key=lambda number: (sizes[number] < 3, -sums[number]))
    return ranked[0] if ranked else -1
