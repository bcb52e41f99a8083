"""What two frames laid onto the same layer say about each other, and the places that fit all they say."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import cv2
import numpy as np

from twinlapse.arrays import Float, Float32

__all__ = [
    "FURTHEST_MM",
    "GRAIN_PX",
    "MACHINE_MM",
    "OVERLAP_MM",
    "Link",
    "Patch",
    "common",
    "cut",
    "fine_detail",
    "links_of",
    "moved_px",
    "solved",
]

_FEWEST_PX = 1200  # of an overlap that is measured
_STEPS = 8  # of the least squares on brightness
_STILL_PX = 0.005
GRAIN_PX = 30.0  # pixels that err alike: what is blurred and resampled has no noise of its own in each
_WEAK = 0.12  # height of the correlation's peak below which an overlap is left out
FURTHEST_MM = 1.5  # a shift beyond this is a mistake: a machine parks better
MACHINE_MM = 0.25  # how far a parked machine is trusted (one standard deviation); common practice, no source
OVERLAP_MM = 0.005  # how far a perfect overlap is trusted


@dataclass(frozen=True, slots=True, kw_only=True)
class Patch:
    """One frame laid onto the layer: a piece of the canvas."""

    row: int  # of the canvas, at its first row
    column: int
    colours: Float32  # (h, w, 3), 0 to 255
    weight: Float32  # (h, w): 0 where it tells nothing


@dataclass(frozen=True, slots=True, kw_only=True)
class Link:
    """What two overlapping frames say about each other."""

    one: int
    other: int
    shift_mm: Float  # (2,) by which `other` must move to fit `one`
    confidence: float
    used: bool
    certainty: Float = field(
        default_factory=lambda: np.eye(2) / OVERLAP_MM
    )  # (2, 2) 1/mm: root of what is told


def links_of(
    patches: Sequence[Patch], step_mm: float, furthest_mm: float = FURTHEST_MM, trust_mm: float = OVERLAP_MM
) -> list[Link]:
    """Compare every two patches that overlap.

    A shift beyond `furthest_mm` is a mistake and not used; none is trusted by more than `trust_mm`.
    """
    links = []
    for one in range(len(patches)):
        for other in range(one + 1, len(patches)):
            link = _measured(patches, (one, other), step_mm, furthest_mm, trust_mm)
            if link is not None:
                links.append(link)
    return links


def _measured(
    patches: Sequence[Patch], pair: tuple[int, int], step_mm: float, furthest_mm: float, trust_mm: float
) -> Link | None:
    one, other = pair
    box = common(patches[one], patches[other])
    if box is None:
        return None
    cuts = [cut(patches[index], box) for index in (one, other)]
    both = np.minimum(cuts[0][1], cuts[1][1])
    if (both > 0.05).sum() < _FEWEST_PX or min(both.shape) < 16:
        return None
    shift, spread, height = moved_px(cuts[0][0], cuts[1][0], both)
    flip = np.diag([-step_mm, step_mm])  # rows run toward the front
    shift_mm = flip @ shift
    used = height > _WEAK and float(np.hypot(*shift_mm)) < furthest_mm
    told = flip @ spread @ flip.T + np.eye(2) * trust_mm**2
    return Link(
        one=one,
        other=other,
        shift_mm=shift_mm,
        confidence=height,
        used=bool(used),
        certainty=np.linalg.cholesky(np.linalg.inv(told)).T,
    )


def moved_px(one: Float32, other: Float32, both: Float32) -> tuple[Float, Float, float]:
    """Return how far what two pictures (h, w, 3) show has moved from one to the other where both see it.

    Returns
    -------
    shift : ndarray of shape (2,), px
        To the right and down.
    spread : ndarray of shape (2, 2)
        Its covariance.
    height : float
        Of the correlation's peak: how much they have in common at all.
    """
    first, second = fine_detail(one, both), fine_detail(other, both)
    coarse, height = cv2.phaseCorrelate(first, second)
    return *_refined(first, second, np.array(coarse)), float(height)


def _refined(one: Float, other: Float, shift_px: Float) -> tuple[Float, Float]:
    """Return the shift that fits best, and its covariance, (2,) and (2, 2) px.

    Least squares on the brightness itself (Lucas and Kanade 1981) says, other than the height of a peak, in
    which direction it tells something: lines that run one way say nothing along themselves.
    """
    size = (one.shape[1], one.shape[0])
    for _ in range(_STEPS):
        move = np.array([[1, 0, shift_px[0]], [0, 1, shift_px[1]]])
        laid = cv2.warpAffine(other, move, size, flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP)
        down, across = np.gradient((one + laid) / 2)
        slope = np.stack([across.ravel(), down.ravel()])
        gain = float((one * laid).sum() / max((laid * laid).sum(), 1e-9))
        rest = (one - gain * laid).ravel()
        pull = slope @ slope.T + np.eye(2) * 1e-6
        step = np.linalg.solve(pull, slope @ rest)
        if np.hypot(*step) > 1.0:
            break  # too far off for a straight line to hold: the peak knows better
        shift_px = shift_px + step
        if np.hypot(*step) < _STILL_PX:
            break
    variance = float(rest @ rest) / max(1, int(np.count_nonzero(one)))
    return shift_px, np.linalg.inv(pull) * variance * GRAIN_PX


def solved(links: Sequence[Link], shifts: Float, trust_mm: float = MACHINE_MM) -> Float:
    """Return the change of all shifts that fits the overlaps best, by least squares."""
    count = len(shifts)
    rows, right = [np.eye(2 * count) / trust_mm], [-shifts.ravel() / trust_mm]
    used = [link for link in links if link.used]
    for link in used:
        row = np.zeros((2, count, 2))
        trust = link.confidence * link.certainty
        row[:, link.other], row[:, link.one] = trust, -trust
        rows.append(row.reshape(2, -1))
        right.append(trust @ link.shift_mm)
    matrix, wanted = np.concatenate(rows), np.concatenate(right)
    weight = np.ones(len(matrix))
    change: Float = np.zeros(2 * count)
    for _ in range(5):  # an overlap that no solution explains loses its say (Huber)
        change = np.asarray(np.linalg.lstsq(matrix * weight[:, None], wanted * weight, rcond=None)[0])
        off = np.hypot(*(matrix @ change - wanted)[2 * count :].reshape(-1, 2).T)
        weight[2 * count :] = np.repeat(np.sqrt(np.minimum(1.0, 2.0 / np.maximum(off, 1e-9))), 2)
    return np.asarray(change.reshape(count, 2))


def common(one: Patch, other: Patch) -> tuple[int, int, int, int] | None:
    """Return the rows and columns of the canvas that two patches share: top, left, bottom, right."""
    top, left = max(one.row, other.row), max(one.column, other.column)
    bottom = min(one.row + one.weight.shape[0], other.row + other.weight.shape[0])
    right = min(one.column + one.weight.shape[1], other.column + other.weight.shape[1])
    return (top, left, bottom, right) if bottom > top and right > left else None


def cut(patch: Patch, box: tuple[int, int, int, int]) -> tuple[Float32, Float32]:
    """Return colours and weight of a patch in a box of the canvas."""
    rows = slice(box[0] - patch.row, box[2] - patch.row)
    columns = slice(box[1] - patch.column, box[3] - patch.column)
    return patch.colours[rows, columns], patch.weight[rows, columns]


def fine_detail(colours: Float32, both: Float32) -> Float:
    """Return what is fine in the overlap, its rim faded out: no light, no edge of the picture is matched."""
    grey = cv2.cvtColor(colours, cv2.COLOR_RGB2GRAY)
    inside = (both > 0).astype(np.float32)
    local = cv2.GaussianBlur(grey * inside, (0, 0), 6) / np.maximum(cv2.GaussianBlur(inside, (0, 0), 6), 1e-3)
    fine = cv2.GaussianBlur(grey, (0, 0), 0.8) - local
    fade = cv2.GaussianBlur(cv2.erode(inside, np.ones((5, 5))), (0, 0), 2) * inside
    window = cv2.createHanningWindow((grey.shape[1], grey.shape[0]), cv2.CV_32F)
    return np.asarray(fine * fade * np.sqrt(np.maximum(window, 0)), np.float64)
