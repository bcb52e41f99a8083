"""A frame's motion against its neighbours' in time: is it likely, and what stands in where it is unknown.

A camera trembles from frame to frame, but turn and scale hardly change, and a real step is followed by frames
that have made it, too.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from twinlapse.arrays import Bool, Float
from twinlapse.imaging.transforms import Motion, Usual, motion_of, way_of

__all__ = [
    "AGREE_PX",
    "BEND_FLOOR",
    "BESIDE",
    "CERTAIN",
    "SHIFT_FLOOR_PX",
    "SPREAD_FACTOR",
    "STRANGE",
    "TURN_FLOOR_PX",
    "UNDOUBTED",
    "apart_from_neighbours",
    "corners_of",
    "doubted",
    "from_neighbours",
    "usual_bends",
]

BESIDE = 7  # frames before and after that a frame is compared with
CERTAIN = 0.35  # from this confidence on a frame is moved by what was measured
UNDOUBTED = 0.8  # from this confidence on neighbours are not asked: the votes know best
STRANGE = 6.0  # usual differences from the neighbours, beyond which a motion is doubted
SHIFT_FLOOR_PX, TURN_FLOOR_PX = (
    0.5,
    0.15,
)  # a usual difference is taken for no smaller; turn, scale at a corner
SPREAD_FACTOR = 2 * 1.4826  # twice the standard deviation: a camera that was still so far may tremble
BEND_FLOOR = 1e-4  # a tenth of a pixel at the corner of a large picture
AGREE_PX = 0.5  # neighbours that differ by less at every corner agree
_REACH = 3  # places away from which a neighbour is asked for its motion


def doubted(matrices: Float, confidence: Float, size: tuple[int, int]) -> Float:
    """Return the confidence of n frames with what their neighbours say taken in.

    Parameters
    ----------
    matrices : ndarray of shape (n, 2, 3)
        Reference to picture, in the order of the film.
    confidence : ndarray of shape (n,)
    size : (int, int)
        Width and height of the pictures, px.
    """
    sure = confidence >= CERTAIN
    if np.count_nonzero(sure) < 5:
        return confidence
    values, floors = _parameters(matrices, size)
    strange = np.zeros(len(values))
    for column, floor in zip(values.T, floors, strict=True):
        apart = apart_from_neighbours(column, sure)
        usual = max(1.4826 * float(np.median(apart[sure])), floor)
        strange = np.maximum(strange, apart / usual)
    factor = np.minimum(1.0, (STRANGE / np.maximum(strange, 1e-9)) ** 2)
    return np.where(confidence >= UNDOUBTED, confidence, confidence * factor)


def usual_bends(matrices: Float, confidence: Float) -> Usual | None:
    """Return what turn and scale are like at each place of a film, told by its sure frames; None by too few.

    Parameters
    ----------
    matrices : ndarray of shape (n, 2, 3)
    confidence : ndarray of shape (n,)
    """
    ratio = matrices[:, 0, 0] + 1j * matrices[:, 1, 0]
    known = np.flatnonzero(confidence >= UNDOUBTED)
    if len(known) < 2 * BESIDE:
        known = np.flatnonzero(confidence >= CERTAIN)
    if len(known) < 2 * BESIDE:
        return None
    usual = np.empty_like(ratio)
    for place in range(len(ratio)):
        first = max(0, min(int(np.searchsorted(known, place)) - BESIDE, len(known) - 2 * BESIDE))
        near = ratio[known[first : first + 2 * BESIDE]]
        usual[place] = np.median(near.real) + 1j * np.median(near.imag)
    off = ratio[known] - usual[known]
    scale, turn = (
        max(SPREAD_FACTOR * float(np.median(np.abs(part))), BEND_FLOOR) for part in (off.real, off.imag)
    )
    return Usual(ratio=usual, turn=turn, scale=scale)


def corners_of(size: tuple[int, int]) -> Float:
    """Return the corners of a picture, (4, 2) px."""
    return np.array([[0, 0], [size[0], 0], [0, size[1]], [size[0], size[1]]], dtype=np.float64)


def from_neighbours(motions: Sequence[Motion], usable: Bool, size: tuple[int, int]) -> dict[int, Motion]:
    """Return the motion of frames that are not sure of their own, where their neighbours agree on it.

    Sure frames up to REACH places away on both sides are asked (on one side at either end of the film).
    Frames whose neighbours differ get none.
    """
    sure = np.array([motion.confidence >= CERTAIN for motion in motions]) & usable
    known = np.flatnonzero(sure)
    corners = corners_of(size)
    found: dict[int, Motion] = {}
    for place in np.flatnonzero(usable & ~sure).tolist():
        before = known[(known < place) & (known >= place - _REACH)]
        after = known[(known > place) & (known <= place + _REACH)]
        beside = [*before[-2:].tolist(), *after[:2].tolist()]
        at_an_end = place < known.min(initial=len(motions)) or place > known.max(initial=-1)
        if len(beside) < 2 or not (at_an_end or (len(before) and len(after))):
            continue
        ways = np.stack([way_of(motions[other].matrix, corners) for other in beside])
        if np.hypot(*np.moveaxis(ways - ways.mean(axis=0), -1, 0)).max() > AGREE_PX:
            continue
        matrix = np.mean([motions[other].matrix for other in beside], axis=0)
        found[place] = motion_of(matrix, size, motions[place].confidence)
    return found


def _parameters(matrices: Float, size: tuple[int, int]) -> tuple[Float, tuple[float, ...]]:
    """Return shift of the middle, turn and scale of each map, all as px, (n, 4), and their floors."""
    arm = float(np.hypot(*size)) / 2
    middle = np.array([[size[0] / 2, size[1] / 2]])
    way = way_of(matrices, middle)[:, 0]
    turn = arm * np.arctan2(matrices[:, 1, 0], matrices[:, 1, 1])
    scale = arm * np.log(np.maximum(np.linalg.det(matrices[:, :, :2]), 1e-6)) / 2
    values = np.column_stack([way, turn, scale])
    return values, (SHIFT_FLOOR_PX, SHIFT_FLOOR_PX, TURN_FLOOR_PX, TURN_FLOOR_PX)


def apart_from_neighbours(column: Float, sure: Bool, *, signed: bool = False) -> Float:
    """Return how far each value lies from its sure neighbours: before, after or both, whichever is nearest.

    With `signed` the difference keeps its sign.
    """
    known, places = np.flatnonzero(sure), np.arange(len(column))
    # NaN beyond either end of the film, and before and after those that are fewer
    beyond = np.full(BESIDE, np.nan)
    values = np.concatenate([beyond, column[known], beyond])
    reach = np.arange(BESIDE)
    before = values[np.searchsorted(known, places)[:, None] + reach]
    after = values[np.searchsorted(known, places, side="right")[:, None] + BESIDE + reach]
    steps = np.stack([_off_the_middle(column, some) for some in (before, after, np.hstack([before, after]))])
    apart = steps[np.abs(steps).argmin(axis=0), places]
    apart = np.where(np.isinf(apart), 0.0, apart)
    return np.asarray(apart if signed else np.abs(apart))


def _off_the_middle(column: Float, beside: Float) -> Float:
    """Return how far each value lies from the median of those beside it, (n, m), infinite by fewer than 3."""
    ordered = np.sort(beside, axis=1)  # NaN go to the end
    count = np.count_nonzero(~np.isnan(ordered), axis=1)
    each = np.arange(len(column))
    middle = (ordered[each, (count - 1) // 2] + ordered[each, count // 2]) / 2
    return np.asarray(np.where(count >= 3, column - middle, np.inf))
