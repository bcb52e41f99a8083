"""How a picture lies against a reference: the record, and the fit to what tiles of the picture vote for."""

from __future__ import annotations

import functools
import math
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from twinlapse.arrays import Float
from twinlapse.imaging.vote_kernels import LEAST_APART_PX, MOST_SCALE, MOST_TURN, best_proposals
from twinlapse.jit import Kernel

__all__ = [
    "MOST_PAIRS",
    "NOISE_PX",
    "USUAL_SCALE",
    "USUAL_TURN",
    "VOTE_PX",
    "Complex",
    "Model",
    "Motion",
    "Real",
    "Usual",
    "as_complex",
    "fit_map",
    "fit_maps",
    "motion_of",
    "still",
    "way_of",
]

Real = NDArray[np.floating]
Complex = NDArray[np.complex128]
Model = Literal["shift", "rotation", "scale"]

_AS_COMPLEX = np.array([1, 1j])
NOISE_PX = 0.03  # below this, tiles that disagree are not told apart
VOTE_PX = 0.1  # standard deviation of a vote on a photograph (measured on the bench's frames)
USUAL_TURN, USUAL_SCALE = 0.02, 0.003  # standard deviations before a vote (common practice, no source)
_SPREAD_PX = 3 * NOISE_PX + 0.1  # at which a vote for a proposal counts half
_ROUNDS = 4  # of refinement
MOST_PAIRS = 600  # that propose: a vote needs a good one among them, not all there are
_AT_ONCE = 60_000  # distances that are judged together: more would not stay near the processor


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


def as_complex(points: Real) -> Complex:
    """Return points (..., 2) as complex numbers: a similarity is then z -> ratio z + offset."""
    return np.asarray(points @ _AS_COMPLEX, np.complex128)


def way_of(matrix: Float, points: Float) -> Float:
    """Return how far points (..., k, 2) move by maps (..., 2, 3)."""
    return np.asarray(points @ np.swapaxes(matrix[..., :2], -1, -2) + matrix[..., None, :, 2] - points)


@dataclass(frozen=True, slots=True, kw_only=True)
class Usual:
    """What turn and scale of n pictures are like before any tile is asked."""

    ratio: Complex  # (n,) turn and scale as a complex number
    turn: float  # standard deviations of its angle, rad, and of its size
    scale: float

    def rows(self, places: NDArray[np.intp]) -> Usual:
        """Return the same for some of the pictures."""
        return replace(self, ratio=self.ratio[places])


def fit_map(centres: Float, shifts: Real, weights: Real, model: Model) -> tuple[Float, float]:
    """Fit a map to the shifts of the tiles of one picture; see `fit_maps`."""
    matrices, confidence = fit_maps(centres, shifts[None], weights[None], model)
    return matrices[0], float(confidence[0])


def fit_maps(
    centres: Float, shifts: Real, weights: Real, model: Model, usual: Usual | None = None
) -> tuple[Float, Float]:
    """Fit a map to the shifts of tiles by robust vote, for each of n pictures.

    Every pair of tiles proposes a map (every tile, for `model` "shift"), all tiles vote, and the best
    proposal is refined on the tiles that agree with it (Tukey's biweight).

    Parameters
    ----------
    centres : ndarray of shape (k, 2), px
        Where the tiles lie in the reference.
    shifts : ndarray of shape (n, k, 2), px
        How far their content lies from there in each picture.
    weights : ndarray of shape (n, k)
        0 silences a tile.
    model : {"shift", "rotation", "scale"}
        What the map may do; each includes the one before.
    usual : Usual, optional
        What turns and scales to expect; by itself what any camera does.

    Returns
    -------
    matrices : ndarray of shape (n, 2, 3)
        Reference to picture.
    confidence : ndarray of shape (n,)
        Weight of the tiles that agree over the weight of all.
    """
    matrices = np.zeros((len(shifts), 2, 3))
    matrices[:, [0, 1], [0, 1]] = 1
    confidence = np.zeros(len(shifts))
    spoken = np.flatnonzero((weights > 0).any(axis=1))
    if usual is None:
        usual = Usual(ratio=np.ones(len(shifts), np.complex128), turn=USUAL_TURN, scale=USUAL_SCALE)
    if len(spoken):
        ratio, offset, confidence[spoken] = _fitted(
            as_complex(centres), as_complex(shifts[spoken]), weights[spoken], model, usual.rows(spoken)
        )
        matrices[spoken, 0, 0] = matrices[spoken, 1, 1] = ratio.real
        matrices[spoken, 1, 0], matrices[spoken, 0, 1] = ratio.imag, -ratio.imag
        matrices[spoken, 0, 2], matrices[spoken, 1, 2] = offset.real, offset.imag
    return matrices, confidence


def _fitted(
    at: Complex, shift: Complex, weight: Real, model: Model, usual: Usual
) -> tuple[Complex, Complex, Float]:
    """Return ratio, offset and confidence of pictures in each of which a tile speaks, (n,) each."""
    middle = at.mean()
    at = at - middle
    to = at + shift
    keep = weight > 0
    error = np.where(keep, _by_best_proposal(at, to, weight, model), np.inf)
    ordered, each = np.sort(error, axis=1), np.arange(len(to))
    # where two bodies move apart two thirds of the tiles may follow another: begin with the nearest third and
    # never widen from there, or the other body is let in step by step until nothing agrees
    widest = spread = np.maximum(0.1, ordered[each, keep.sum(axis=1) // 3])
    for _ in range(_ROUNDS):
        cut = np.maximum(4.685 * spread, 1.01 * ordered[:, 0])
        middle_off = ordered[each, (ordered <= cut[:, None]).sum(axis=1) // 2]
        spread = np.minimum(np.maximum(1.4826 * middle_off, NOISE_PX), widest)
        cut = np.maximum(4.685 * spread, 1.01 * ordered[:, 0])
        pull = weight * np.maximum(1 - (error / cut[:, None]) ** 2, 0) ** 2
        ratio, offset = _least_squares(at, to, pull, model, usual)
        error = np.where(keep, np.abs(ratio[:, None] * at + offset[:, None] - to), np.inf)
        ordered = np.sort(error, axis=1)
    agree = (weight * (error < np.maximum(4 * spread, 0.25)[:, None])).sum(axis=1)
    return (
        ratio,
        offset + middle - ratio * middle,
        np.where(spread < 0.5, agree / weight.sum(axis=1), 0.0),
    )


def _by_best_proposal(at: Complex, to: Complex, weight: Real, model: Model) -> Float:
    """Return how far each tile lies off the proposal that most tiles follow, (n, k) px."""
    if isinstance(best_proposals, Kernel):
        off, pairs = np.empty(to.shape), _pairs(0 if model == "shift" else len(at))
        way = np.stack([at.real, at.imag]), np.stack([to.real, to.imag])
        best_proposals(*way, weight.astype(np.float64), *pairs, model == "rotation", _SPREAD_PX, off)
        return off
    proposals = len(at) + (0 if model == "shift" else len(_pairs(len(at))[0]))
    step = max(1, _AT_ONCE // (len(at) * proposals))
    parts = [slice(start, start + step) for start in range(0, len(to), step)]
    return np.concatenate([_by_best_of_all(at, to[some], weight[some], model) for some in parts])


def _by_best_of_all(at: Complex, to: Complex, weight: Real, model: Model) -> Float:
    """Return the same for few pictures, without compiled loops."""
    ratio, offset, likely = _proposals(at, to, weight > 0, model)
    missed = ratio[:, :, None] * at + offset[:, :, None] - to[:, None, :]
    votes = 1 / (1 + (missed.real**2 + missed.imag**2) / _SPREAD_PX**2)
    scores = (votes @ weight[:, :, None])[:, :, 0]
    best = np.where(likely, scores, -1).argmax(axis=1)
    return np.asarray(np.abs(missed[np.arange(len(to)), best]))


def _proposals(
    at: Complex, to: Complex, keep: NDArray[np.bool_], model: Model
) -> tuple[Complex, Complex, NDArray[np.bool_]]:
    """Return ratio and offset of maps, (n, p), and which may be: of every tile that only shifts, of pairs."""
    ratio, offset = np.ones(to.shape, np.complex128), to - at
    if model == "shift" or len(at) < 3:
        return ratio, offset, keep
    first, second = _pairs(len(at))
    apart = at[second] - at[first]
    near = np.abs(apart) < LEAST_APART_PX
    turn = (to[:, second] - to[:, first]) / np.where(near, 1, apart)
    likely = (np.abs(turn.imag) < MOST_TURN * turn.real) & (np.abs(np.abs(turn) - 1) < MOST_SCALE)
    likely &= ~near & keep[:, first] & keep[:, second] & (np.count_nonzero(keep, axis=1) > 2)[:, None]
    if model == "rotation":
        turn = turn / np.where(likely, np.abs(turn), 1)
    way = (to[:, first] + to[:, second]) / 2 - turn * (at[first] + apart / 2)
    return (
        np.concatenate([ratio, turn], axis=1),
        np.concatenate([offset, way], axis=1),
        np.concatenate([keep, likely], axis=1),
    )


@functools.lru_cache(maxsize=128)
def _pairs(count: int) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    first, second = np.triu_indices(count, 1)
    some = np.linspace(0, len(first) - 1, min(len(first), MOST_PAIRS)).astype(np.intp)
    return first[some], second[some]


def _least_squares(
    at: Complex, to: Complex, weight: Real, model: Model, usual: Usual
) -> tuple[Complex, Complex]:
    """Weighted least-squares similarities in closed form (Umeyama 1991, in the plane), (n,) each.

    Turn and scale are held to what a camera does as strongly as the votes leave them open: votes from one
    spot tell a shift and hardly a scale, and no count of votes switches from one model to another.
    """
    total = weight.sum(axis=1)
    pulled = weight * to
    a0, b0 = weight @ at / total, pulled.sum(axis=1) / total
    if model == "shift":
        return np.ones_like(b0), b0 - a0
    effective = total**2 / np.maximum((weight**2).sum(axis=1), 1e-12)
    power = np.maximum(weight @ np.abs(at) ** 2 / total - np.abs(a0) ** 2, 0)
    found = pulled @ at.conj() / total - a0.conj() * b0
    known = effective * power / VOTE_PX**2
    free = np.where(power > 1e-9, found / np.maximum(power, 1e-9) - usual.ratio, 0)
    # what is far beyond the usual is a knock: then the votes alone count
    strange = np.abs(free) ** 2 > 25 * (usual.turn**2 + usual.scale**2 + 2 / np.maximum(known, 1e-9))
    turn, scale = (np.where(strange, 0.0, spread**-2) for spread in (usual.turn, usual.scale))
    part = free.real * known / (known + scale) + 1j * free.imag * known / (known + turn)
    ratio = usual.ratio + np.where(known > 0, part, 0)
    if model == "rotation":
        ratio /= np.abs(ratio)
    return ratio, b0 - ratio * a0
