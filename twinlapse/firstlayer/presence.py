"""There or not there: for each object, whether the bed shows a print where the toolpath says.

Two hypotheses are compared before any detail, on what the object should cover and on the bed around it. If
it was printed, the two differ by many times their own spread; if the bed is bare, or something else than the
print lies there (a tangle), they do not.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from twinlapse.arrays import Float32
from twinlapse.firstlayer.canvas import Canvas
from twinlapse.firstlayer.components import Mask, grown, shrunk

__all__ = [
    "PRESENT",
    "RING_MM",
    "SMALLEST_MM2",
    "WHOLE",
    "PrintedObject",
    "distance_of",
    "looked_for",
    "objects_of",
]

_JOINED_MM = 0.6  # lines nearer than this belong to one object
_THIN_MM = (
    1.3  # what is nowhere wider is a skirt or a line to prime the nozzle, not an object; common practice
)
SMALLEST_MM2 = 9.0  # of an object
RING_MM = (0.8, 4.0)  # around an object: the bed that it is compared with
_FEWEST_PX = 80
# distance of object and bed around it, in spreads, below which it is not there: on rehearsed pictures a bare
# bed stays below 2 and a tangle below 3, black filament on a black bed is at 4 and more
PRESENT = 3.5
WHOLE = 0.95  # share of an object that must be seen before it is called sound


@dataclass(frozen=True, slots=True, kw_only=True)
class PrintedObject:
    """What is known of one object of the layer as a whole."""

    at_mm: tuple[float, float]  # its middle
    box_mm: tuple[float, float, float, float]  # x, y of its front left corner, width, depth
    area_mm2: float
    seen_share: float
    distance: float  # of the object and the bed around it, in spreads; NaN: too little is seen
    there: bool | None  # None: too little is seen

    @property
    def whole(self) -> bool:
        """Whether enough of it is seen to call it sound."""
        return self.seen_share >= WHOLE


def objects_of(wanted: Mask, canvas: Canvas) -> list[Mask]:
    """Return the masks of the layer's objects, largest first; skirts only where there is nothing else."""
    joined = grown(wanted, _JOINED_MM / 2 / canvas.step_mm).astype(np.uint8)
    count, labels, stats, _ = cv2.connectedComponentsWithStats(joined, connectivity=8)
    inside = cv2.distanceTransform(
        cv2.morphologyEx(wanted.astype(np.uint8), cv2.MORPH_CLOSE, np.ones((5, 5), np.uint8)), cv2.DIST_L2, 5
    )
    found: list[Mask] = []
    thin: list[Mask] = []
    for label in np.argsort(-stats[1:count, cv2.CC_STAT_AREA]) + 1:
        mask = wanted & (labels == label)
        if mask.sum() * canvas.step_mm**2 < SMALLEST_MM2:
            continue
        widest = 2 * float(inside[mask].max()) * canvas.step_mm
        (found if widest > _THIN_MM else thin).append(mask)
    return found or thin


def looked_for(
    features: Float32, objects: list[Mask], wanted: Mask, seen: Mask, canvas: Canvas
) -> list[PrintedObject]:
    """Return for each object whether it is there.

    Parameters
    ----------
    features : ndarray of shape (h, w, channels)
        Of the map; what filament and bed may differ in.
    objects : list of ndarray of bool
        See `objects_of`.
    wanted, seen : ndarray of bool
    canvas : Canvas
    """
    return [_looked_for(features, mask, wanted, seen, canvas) for mask in objects]


def _looked_for(features: Float32, mask: Mask, wanted: Mask, seen: Mask, canvas: Canvas) -> PrintedObject:
    step = canvas.step_mm
    rows, columns = np.nonzero(mask)
    reach = int(RING_MM[1] / step) + 2
    top, left = max(0, rows.min() - reach), max(0, columns.min() - reach)
    part = (slice(top, rows.max() + reach + 1), slice(left, columns.max() + reach + 1))
    own, known = mask[part], seen[part]
    inner = shrunk(own, 0.3 / step) & known
    if inner.sum() < _FEWEST_PX:
        inner = own & known
    ring = grown(own, RING_MM[1] / step) & ~grown(own, RING_MM[0] / step)
    ring &= ~grown(wanted[part], RING_MM[0] / step) & known
    distance = float("nan")
    if min(inner.sum(), ring.sum()) >= _FEWEST_PX:
        distance = distance_of(features[part][inner], features[part][ring])
    corner = canvas.to_mm(np.array([columns.min() - 0.5, rows.max() + 0.5]))
    middle = canvas.to_mm(np.array([columns.mean(), rows.mean()]))
    return PrintedObject(
        at_mm=(round(float(middle[0]), 1), round(float(middle[1]), 1)),
        box_mm=(
            round(float(corner[0]), 2),
            round(float(corner[1]), 2),
            round(float(np.ptp(columns) + 1) * step, 2),
            round(float(np.ptp(rows) + 1) * step, 2),
        ),
        area_mm2=float(mask.sum()) * step**2,
        seen_share=float((mask & seen).sum() / mask.sum()),
        distance=distance,
        there=None if np.isnan(distance) else distance >= PRESENT,
    )


def distance_of(one: Float32, other: Float32) -> float:
    """Return the distance of two sets of features (n, channels) in their common spread (Mahalanobis)."""
    a, b = one.astype(np.float64), other.astype(np.float64)
    spread = (np.cov(a.T) + np.cov(b.T)) / 2 + 1e-3 * np.eye(a.shape[1])
    apart = a.mean(axis=0) - b.mean(axis=0)
    return float(np.sqrt(max(0.0, apart @ np.linalg.solve(spread, apart))))
