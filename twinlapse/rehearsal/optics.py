"""The lens for many points at once: a camera's pixels as rays, and points with their depth as pixels."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from twinlapse.optics import lens as lenses
from twinlapse.optics.pose import Pose
from twinlapse.rig import Lens

Float = NDArray[np.float64]
Float32 = NDArray[np.float32]
_ROWS = 64  # of subpixels that are straightened at once
_STEEPEST = 8.0  # rays further off the axis than this for one step forward are left dark


def shaken(pose: Pose, angles_rad: tuple[float, float, float]) -> Pose:
    """Return a pose turned by small angles about its own right, down and forward axes."""
    turn = np.eye(3)
    for axis, angle in enumerate(angles_rad):
        a, b = (axis + 1) % 3, (axis + 2) % 3
        step = np.eye(3)
        step[a, a] = step[b, b] = np.cos(angle)
        step[a, b], step[b, a] = np.sin(angle), -np.sin(angle)
        turn = step @ turn
    return Pose(place_mm=pose.place_mm, axes=turn @ pose.axes)


def project(points_mm: NDArray[np.floating], pose: Pose, lens: Lens) -> tuple[Float, Float]:
    """Return where points (n, 3) appear, (n, 2) px, and how deep along the camera's axis they lie, (n,) mm.

    Pixels of points that the camera cannot see mean nothing.
    """
    seen = (points_mm - pose.place_mm) @ pose.axes.T
    depth = seen[:, 2]
    if lens.kind == "pinhole" and not any(lens.distortion):
        flat = seen[:, :2] / np.maximum(depth, 1e-3)[:, None]
        return flat * lenses.focal_px(lens) + np.array(lenses.axis_px(lens)), depth
    return lenses.project(seen, lens), depth


def rays(lens: Lens, fine: int = 1) -> Float32:
    """Return the direction seen by every pixel as (right, down) for one step forward.

    Parameters
    ----------
    fine : int
        Each pixel is split into this many in each direction.

    Returns
    -------
    ndarray of shape (fine * height, fine * width, 2)
        NaN where the lens sees nothing, or too far aside to be drawn.
    """
    across = (np.arange(fine * lens.width_px) + 0.5) / fine - 0.5
    along = (np.arange(fine * lens.height_px) + 0.5) / fine - 0.5
    flat = np.stack(np.meshgrid(across, along), axis=2)
    if lens.kind == "pinhole" and not any(lens.distortion):
        return ((flat - lenses.axis_px(lens)) / lenses.focal_px(lens)).astype(np.float32)
    out = np.empty(flat.shape, np.float32)
    for row in range(0, len(flat), _ROWS):
        ways = lenses.unproject(flat[row : row + _ROWS], lens)
        forward = np.where(ways[..., 2:] > 1 / _STEEPEST, ways[..., 2:], np.nan)
        out[row : row + _ROWS] = ways[..., :2] / forward
    return out
