"""The outermost corners of a print's footprint."""

from __future__ import annotations

import cv2
import numpy as np

from twinlapse.plan.targets import Float


def outermost_corners(points_mm: Float, count: int = 8) -> list[tuple[float, float]]:
    """Return the sharpest corners of the outline around points, at most `count`, anticlockwise.

    Parameters
    ----------
    points_mm : ndarray of shape (n, 2)
        Along the lines of a layer.
    """
    hull = cv2.convexHull(points_mm.astype(np.float32))
    length = cv2.arcLength(hull, True)
    corners = cv2.approxPolyDP(hull, 0.01 * length, True)[:, 0].astype(np.float64)
    if len(corners) <= 2:
        return [(float(x), float(y)) for x, y in corners]
    before, after = np.roll(corners, 1, axis=0) - corners, np.roll(corners, -1, axis=0) - corners
    cosine = (before * after).sum(axis=1) / (np.hypot(*before.T) * np.hypot(*after.T))
    sharpest = np.sort(np.argsort(-cosine, kind="stable")[:count])
    return [(float(x), float(y)) for x, y in corners[sharpest]]
