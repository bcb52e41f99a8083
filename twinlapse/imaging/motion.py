"""How a picture lies against a reference: the record, and the fit to what tiles of the picture vote for."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

Float = NDArray[np.float64]
Model = Literal["shift", "rotation", "scale"]

NOISE_PX = 0.03  # below this, tiles that disagree are not told apart


@dataclass(frozen=True, slots=True, kw_only=True)
class Motion:
    """Where the content of the reference lies in a picture.

    ``matrix`` (2, 3) maps a pixel (x, y) of the reference to the picture: the inverse map that a resampling
    to the reference needs. ``dx_px, dy_px`` is the way of the picture's middle, ``angle_deg`` is clockwise
    on the screen.
    """

    matrix: Float
    dx_px: float
    dy_px: float
    angle_deg: float
    confidence: float  # 0 to 1: share of the votes, weighted, that agree


def motion_of(matrix: Float, size: tuple[int, int], confidence: float) -> Motion:
    """Return the record for a map of pictures of `size` (width, height)."""
    middle = np.array([(size[0] - 1) / 2, (size[1] - 1) / 2])
    way = matrix[:, :2] @ middle + matrix[:, 2] - middle
    return Motion(
        matrix=matrix,
        dx_px=float(way[0]),
        dy_px=float(way[1]),
        angle_deg=math.degrees(math.atan2(matrix[1, 0], matrix[0, 0])),
        confidence=confidence,
    )


def still(size: tuple[int, int], confidence: float = 0.0) -> Motion:
    """Return the motion that leaves a picture where it is."""
    return motion_of(np.array([[1.0, 0, 0], [0, 1.0, 0]]), size, confidence)


def fit_map(centres: Float, shifts: Float, weights: Float, model: Model) -> tuple[Float, float]:
    """Fit a map to the shifts of tiles by robust vote.

    Every pair of tiles proposes a map (every tile, for `model` "shift"), all tiles vote, and the best
    proposal is refined on the tiles that agree with it (Tukey's biweight).

    Parameters
    ----------
    centres, shifts : ndarray of shape (n, 2), px
        Where the tiles lie in the reference, and how far their content lies from there in the picture.
    weights : ndarray of shape (n,)
        0 silences a tile.
    model : {"shift", "rotation", "scale"}
        What the map may do; each includes the one before.

    Returns
    -------
    matrix : ndarray of shape (2, 3)
        Reference to picture.
    confidence : float
        Weight of the tiles that agree over the weight of all.
    """
    keep = weights > 0
    if not keep.any():
        return np.array([[1.0, 0, 0], [0, 1.0, 0]]), 0.0
    at, to, weight = centres[keep], centres[keep] + shifts[keep], weights[keep]
    proposals = _shifts_only(at, to)
    if model != "shift" and len(at) > 2:
        proposals = np.concatenate([proposals, _from_pairs(at, to, turning_only=model == "rotation")])
    errors = _errors(proposals, at, to)
    scores = (weight / (1 + (errors / (3 * NOISE_PX + 0.1)) ** 2)).sum(axis=1)
    best = proposals[int(scores.argmax())]
    # where two bodies move apart two thirds of the tiles may follow another: begin with the nearest third and
    # never widen from there, or the other body is let in step by step until nothing agrees
    error = _errors(best[None], at, to)[0]
    widest = spread = max(0.1, float(np.sort(error)[len(error) // 3]))
    for _ in range(4):
        error = _errors(best[None], at, to)[0]
        cut = max(4.685 * spread, 1.01 * float(error.min()))
        spread = min(max(1.4826 * _middle(error[error <= cut]), NOISE_PX), widest)
        cut = max(4.685 * spread, 1.01 * float(error.min()))
        pull = weight * np.clip(1 - (error / cut) ** 2, 0, None) ** 2
        best = _least_squares(at, to, pull, _bearable(model, int(np.count_nonzero(pull))))
    error = _errors(best[None], at, to)[0]
    agree = weight[error < max(4 * spread, 0.25)].sum() if spread < 0.5 else 0.0
    return best, float(agree / weight.sum())


def _middle(values: Float) -> float:
    """The median without the checks that take most of its time on so few values."""
    return float(np.sort(values)[len(values) // 2])


def _bearable(model: Model, votes: int) -> Model:
    """Return what so few votes can tell without being carried away by one of them."""
    if votes < 3 or model == "shift":
        return "shift"
    return "rotation" if votes < 5 else model


def _shifts_only(at: Float, to: Float) -> Float:
    maps = np.zeros((len(at), 2, 3))
    maps[:, 0, 0] = maps[:, 1, 1] = 1
    maps[:, :, 2] = to - at
    return maps


def _from_pairs(at: Float, to: Float, *, turning_only: bool) -> Float:
    first, second = np.triu_indices(len(at), 1)
    # as complex numbers a similarity is z -> r z + s
    a, b = at[:, 0] + 1j * at[:, 1], to[:, 0] + 1j * to[:, 1]
    ratio = (b[second] - b[first]) / (a[second] - a[first])
    likely = (np.abs(np.angle(ratio)) < math.radians(5)) & (np.abs(np.abs(ratio) - 1) < 0.05)
    first, second, ratio = first[likely], second[likely], ratio[likely]
    if turning_only:
        ratio = ratio / np.abs(ratio)
    offset = (b[first] + b[second]) / 2 - ratio * (a[first] + a[second]) / 2
    return _as_maps(ratio, offset)


def _as_maps(ratio: NDArray[np.complex128], offset: NDArray[np.complex128]) -> Float:
    maps = np.empty((len(ratio), 2, 3))
    maps[:, 0, 0] = maps[:, 1, 1] = ratio.real
    maps[:, 0, 1], maps[:, 1, 0] = -ratio.imag, ratio.imag
    maps[:, 0, 2], maps[:, 1, 2] = offset.real, offset.imag
    return maps


def _errors(maps: Float, at: Float, to: Float) -> Float:
    x = maps[:, 0, :2] @ at.T + maps[:, 0, 2:] - to[:, 0]
    y = maps[:, 1, :2] @ at.T + maps[:, 1, 2:] - to[:, 1]
    return np.asarray(np.sqrt(x * x + y * y))


def _least_squares(at: Float, to: Float, weight: Float, model: Model) -> Float:
    """Weighted least-squares similarity in closed form (Umeyama 1991, in the plane)."""
    total = weight.sum()
    a, b = at[:, 0] + 1j * at[:, 1], to[:, 0] + 1j * to[:, 1]
    a0, b0 = (weight * a).sum() / total, (weight * b).sum() / total
    ratio = np.complex128(1)
    if model != "shift":
        power = (weight * np.abs(a - a0) ** 2).sum()
        if power > 0:
            ratio = (weight * (b - b0) * np.conj(a - a0)).sum() / power
            if model == "rotation":
                ratio = ratio / np.abs(ratio)
    return np.asarray(_as_maps(np.array([ratio]), np.array([b0 - ratio * a0]))[0])
