"""Which large tiles are the surroundings of the print: those of the body that moves least in all of the film.

Asked once for each reference, before references are tied to each other: a tie by tiles of two bodies would be
off by how far the bed parked beside its place.
"""

from __future__ import annotations

import numpy as np

from twinlapse.arrays import Bool, Float
from twinlapse.imaging.bodies import find_bodies
from twinlapse.imaging.transforms import Model, Real, fit_maps, way_of
from twinlapse.tracking.measurements import Looks

__all__ = [
    "DRAGGED",
    "LARGE_BODY",
    "NEAR",
    "OWN_TILES",
    "STILL_PX",
    "STRONG",
    "TOGETHER",
    "held_body",
    "nearness",
    "of_the_print",
    "shares",
    "standing",
]

DRAGGED = 0.15  # of the camera's way, by which a tile stays behind those around it: part of it stands still
NEAR = 0.07  # standard deviation of the pull of the print's foot, share of the picture's width
STILL_PX = 0.15  # a tile that strays less from the surroundings in most pictures is part of them
STRONG = 0.05  # weight of a tile over the heaviest one's, below which it lies too far from the foot
LARGE_BODY = 0.15  # weight of a body over the largest one's, from which on it may be the surroundings
TOGETHER = 0.25  # of how far tiles stray, up to which they may lie apart and still stray as one
OWN_TILES = (
    4  # of a body, from which on tiles that follow none, being half on one and half on another, are silent
)


def held_body(looks: Looks, model: Model) -> tuple[Bool, float]:
    """Return which of k tiles are the surroundings (small tiles never are), and their share of the bodies.

    The share is 1 where all large tiles move as one.
    """
    held, alone = np.zeros(len(looks.centres), bool), 1.0
    good = np.flatnonzero(looks.faults == "")
    far = 1 - nearness(looks)
    for number in np.unique(looks.part):
        own = np.flatnonzero(looks.coarse & (looks.part == number))
        if not len(own):
            continue
        shifts, weights = looks.shifts[np.ix_(good, own)], looks.weights[np.ix_(good, own)] * far[own]
        held[own], share = _least_moving(looks.centres[own], shifts, weights, model)
        alone = min(alone, share)
    return held, alone


def of_the_print(centres: Float, shifts: Real, weights: Float, held: Bool) -> Bool:
    """Return which of k tiles near the foot speak for the print, (k,): all where it does not move.

    Some of them may lie on what is beside the bed and outvote the print by standing still. Where enough of
    the others move as one, those speak alone.

    Parameters
    ----------
    centres : ndarray of shape (k, 2), px
    shifts : ndarray of shape (n, k, 2), px
        Against the surroundings.
    weights : ndarray of shape (n, k)
    held : ndarray of shape (n,)
        In which pictures the surroundings are known.
    """
    strong = weights * held[:, None]
    heard = strong.sum(axis=0) > STRONG * max(float(strong.sum(axis=0).max(initial=0.0)), 1e-9)
    off = np.zeros(len(centres))
    for tile in np.flatnonzero(heard):
        way = shifts[strong[:, tile] > 0, tile]
        off[tile] = np.median(np.hypot(*(way - np.median(way, axis=0)).T))
    # one that lies half on either strays by half: the print strays by as much as the most of them
    most = float(np.quantile(off[heard], 0.9)) if heard.any() else 0.0
    moving = heard & (off > max(STILL_PX, most / 2))
    label = find_bodies(centres, shifts, strong * moving, "shift")
    own = label == 0
    if np.count_nonzero(own) < OWN_TILES or not _as_one(shifts[:, own], (strong * moving)[:, own], off[own]):
        return np.ones(len(centres), bool)
    return np.asarray(own)


def shares(shifts: Real, weights: Float, common: Float) -> Float:
    """Return by how much of a common way each of k tiles moves, (k,), about 1 on the whole.

    What is nearer to the camera moves by more, and a tile that lies half beside the bed by half. Where the
    common way is no more than noise, every share is 1.

    Parameters
    ----------
    shifts : ndarray of shape (n, k, 2), px
        Against the surroundings.
    weights : ndarray of shape (n, k)
    common : ndarray of shape (n, 2), px
    """
    total = np.maximum(weights.sum(axis=0), 1e-9)
    off = shifts - (weights[..., None] * shifts).sum(axis=0) / total[:, None]
    way = common[:, None] - (weights[..., None] * common[:, None]).sum(axis=0) / total[:, None]
    unmoved = STILL_PX**2 * total / 4
    share = ((weights[..., None] * off * way).sum(axis=(0, 2)) + unmoved) / (
        (weights[..., None] * way**2).sum(axis=(0, 2)) + unmoved
    )
    return np.asarray(share / max(float((total * share).sum() / total.sum()), 0.1))


def standing(shifts: Real, ways: Float, weights: Float) -> Bool:
    """Return which of k tiles are dragged by something that stands still in the picture itself, (k,).

    The time burnt into it or dirt on the lens does not shake with the camera, and drags each tile back by the
    share that it covers. What is nearer or farther than the surroundings takes all tiles along alike.

    Parameters
    ----------
    shifts : ndarray of shape (n, k, 2), px
        Against the surroundings.
    ways : ndarray of shape (n, k, 2), px
        Of the surroundings.
    weights : ndarray of shape (n, k)
    """
    total = np.maximum(weights.sum(axis=0), 1e-9)[:, None]
    off, way = (part - (weights[..., None] * part).sum(axis=0) / total for part in (shifts, ways))
    products = (off * way, way**2, off**2)
    both, alone, whole = ((weights[..., None] * product).sum(axis=0) for product in products)
    share = -both / np.maximum(alone, 1e-9)  # (k, 2): an edge drags across itself alone
    heard = weights.any(axis=0)
    usual = np.quantile(share[heard], 0.25, axis=0) if heard.any() else np.zeros(2)
    return np.asarray(((both**2 > 0.5 * alone * whole) & (share > usual + DRAGGED)).any(axis=1))


def _as_one(shifts: Real, weights: Float, off: Float) -> bool:
    """Whether tiles that stray by `off` (k,) stray together: by far more than from each other.

    The rim of a growing print pulls at each tile that it reaches into, at every one by as much as it covers.
    """
    common, agree = fit_maps(np.zeros((shifts.shape[1], 2)), shifts, weights, "shift")
    apart = np.hypot(*np.moveaxis(shifts - common[:, None, :, 2], -1, 0))
    known = (weights > 0) & (agree > 0)[:, None]
    return bool(known.any() and np.median(apart[known]) < TOGETHER * np.median(off))


def nearness(looks: Looks) -> Float:
    """Return how near each tile is to the foot of the print, (k,) 0 to 1."""
    away = np.hypot(*(looks.centres - looks.foot).T) / (NEAR * float(looks.size[0]))
    return np.asarray(np.exp(-(away**2) / 2))


def _least_moving(centres: Float, shifts: Real, weights: Float, model: Model) -> tuple[Bool, float]:
    """Return which tiles belong to the body that moves least, (k,), and its share of the large bodies.

    Whatever else moves, bed or toolhead, moves on top of the camera's shaking. Small bodies do not count:
    dirt on the lens stands still altogether.
    """
    label = find_bodies(centres, shifts, weights, model)
    total = np.array([weights[:, label == number].sum() for number in range(label.max(initial=-1) + 1)])
    large = np.flatnonzero(total >= LARGE_BODY * total.max(initial=0.0))
    if len(large) < 2:
        return np.ones(len(centres), bool), 1.0
    moved = []
    for number in large:
        own = label == number
        found, agree = fit_maps(centres[own], shifts[:, own], weights[:, own], model)
        way = way_of(found[agree > 0], centres.mean(axis=0, keepdims=True))[:, 0]
        moved.append(float(np.hypot(*(way - np.median(way, axis=0)).T).mean()))
    least = int(np.argmin(moved))
    held = label == large[least]
    if np.count_nonzero(held) < OWN_TILES:
        held = held | (label < 0)
    return np.asarray(held), float(total[large[least]] / total[large].sum())
