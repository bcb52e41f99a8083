"""How a picture lies against a reference: the record, and the fit to what tiles of the picture vote for."""

from __future__ import annotations

import functools
import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

Float = NDArray[np.float64]
Complex = NDArray[np.complex128]
Model = Literal["shift", "rotation", "scale"]

_AS_COMPLEX = np.array([1, 1j])
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
    # as complex numbers a similarity is z -> ratio z + offset
    at = centres[keep] @ _AS_COMPLEX
    to, weight = at + shifts[keep] @ _AS_COMPLEX, weights[keep]
    ratio, offset = _proposals(at, to, model)
    missed = ratio[:, None] * at + offset[:, None] - to
    scores = 1 / (1 + (missed.real**2 + missed.imag**2) / (3 * NOISE_PX + 0.1) ** 2) @ weight
    best = int(scores.argmax())
    # where two bodies move apart two thirds of the tiles may follow another: begin with the nearest third and
    # never widen from there, or the other body is let in step by step until nothing agrees
    error = np.abs(missed[best])
    widest = spread = max(0.1, float(np.sort(error)[len(error) // 3]))
    for _ in range(4):
        cut = max(4.685 * spread, 1.01 * float(error.min()))
        spread = min(max(1.4826 * _middle(error[error <= cut]), NOISE_PX), widest)
        cut = max(4.685 * spread, 1.01 * float(error.min()))
        pull = weight * np.maximum(1 - (error / cut) ** 2, 0) ** 2
        turn, way = _least_squares(at, to, pull, _bearable(model, int(np.count_nonzero(pull))))
        error = np.abs(turn * at + way - to)
    agree = weight[error < max(4 * spread, 0.25)].sum() if spread < 0.5 else 0.0
    matrix = np.array([[turn.real, -turn.imag, way.real], [turn.imag, turn.real, way.imag]])
    return matrix, float(agree / weight.sum())


def _middle(values: Float) -> float:
    """The median without the checks that take most of its time on so few values."""
    return float(np.sort(values)[len(values) // 2])


def _bearable(model: Model, votes: int) -> Model:
    """Return what so few votes can tell without being carried away by one of them."""
    if votes < 3 or model == "shift":
        return "shift"
    return "rotation" if votes < 5 else model


def _proposals(at: Complex, to: Complex, model: Model) -> tuple[Complex, Complex]:
    """Return ratio and offset of maps: of every tile that only shifts, of every likely pair."""
    ratio, offset = np.ones(len(at), np.complex128), to - at
    if model == "shift" or len(at) < 3:
        return ratio, offset
    first, second = _pairs(len(at))
    apart = at[second] - at[first]
    turn = (to[second] - to[first]) / apart
    likely = (np.abs(turn.imag) < 0.087 * turn.real) & (np.abs(np.abs(turn) - 1) < 0.05)  # 5 degrees, 5 %
    first, turn = first[likely], turn[likely]
    middle = apart[likely] / 2
    if model == "rotation":
        turn = turn / np.abs(turn)
    way = (to[first] + to[second[likely]]) / 2 - turn * (at[first] + middle)
    return np.concatenate([ratio, turn]), np.concatenate([offset, way])


@functools.lru_cache(maxsize=128)
def _pairs(count: int) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    first, second = np.triu_indices(count, 1)
    return first, second


def _least_squares(at: Complex, to: Complex, weight: Float, model: Model) -> tuple[complex, complex]:
    """Weighted least-squares similarity in closed form (Umeyama 1991, in the plane)."""
    total = float(weight.sum())
    a0, b0 = complex(weight @ at) / total, complex(weight @ to) / total
    ratio = complex(1)
    if model != "shift":
        arm = at - a0
        pulled = weight * np.conj(arm)
        power = float((pulled @ arm).real)
        if power > 0:
            ratio = complex(pulled @ (to - b0)) / power
            if model == "rotation":
                ratio /= abs(ratio)
    return ratio, b0 - ratio * a0
