"""A camera's lens as a map between rays and pixels: pinhole and fisheye, both with distortion.

Rays are given in the camera's own axes: x to the right, y down, z forward. Pixel (0, 0) is the middle of the
first pixel. The models and the order of their coefficients are those of OpenCV's documentation (``calib3d``):
Brown and Conrady's k1 k2 p1 p2 k3 for a pinhole, Kannala and Brandt's k1 k2 k3 k4 for a fisheye.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from twinlapse.arrays import Float, Float32
from twinlapse.rig.camera import Lens

__all__ = [
    "axis_px",
    "border_px",
    "camera_matrix",
    "focal_px",
    "inside",
    "project",
    "ray_grid",
    "scaled",
    "unproject",
]

_STEPS = 30  # of Newton's method; five are enough inside any usual picture
_EXACT = 1e-9
_WIDEST_RAD = math.radians(110)  # off the axis: half of the widest angle a rig file may name
_GRID_ROWS = 64  # unprojected at once in `ray_grid`, to bound memory
_STEEPEST = 8.0  # rays with more than this many steps aside for one step forward are NaN in `ray_grid`


def focal_px(lens: Lens) -> float:
    """Return the focal length in pixels, the distortion not counted.

    A pinhole of focal length f sees ``2 atan(w / 2f)`` over a width w, an equidistant fisheye ``w / f``.
    """
    half = math.radians(lens.across_deg) / 2
    return lens.width_px / 2 / (half if lens.kind == "fisheye" else math.tan(half))


def axis_px(lens: Lens) -> tuple[float, float]:
    """Return the pixel at which the axis meets the picture."""
    return lens.centre_px or ((lens.width_px - 1) / 2, (lens.height_px - 1) / 2)


def camera_matrix(lens: Lens) -> Float:
    """Return the camera matrix of OpenCV's documentation (``calib3d``), (3, 3), px."""
    x, y = axis_px(lens)
    focal = focal_px(lens)
    return np.array([[focal, 0.0, x], [0.0, focal, y], [0.0, 0.0, 1.0]])


def scaled(lens: Lens, size_px: tuple[int, int]) -> Lens:
    """Return the lens for pictures of another size (width, height) that show the same angle across.

    The offset of the axis from the middle of the picture grows with the width.
    """
    factor = size_px[0] / lens.width_px
    middle, axis = ((lens.width_px - 1) / 2, (lens.height_px - 1) / 2), axis_px(lens)
    centre = tuple(
        (size - 1) / 2 + factor * (a - m) for size, a, m in zip(size_px, axis, middle, strict=True)
    )
    return replace(lens, width_px=size_px[0], height_px=size_px[1], centre_px=(centre[0], centre[1]))


def project(points: Float, lens: Lens) -> Float:
    """Return where points appear.

    Parameters
    ----------
    points : ndarray of shape (..., 3)
        In camera axes, in any unit.

    Returns
    -------
    ndarray of shape (..., 2), px
        NaN for what the lens cannot see: behind a pinhole, or so far out that the distortion folds back.
    """
    points = np.asarray(points, dtype=np.float64)
    with np.errstate(divide="ignore", invalid="ignore"):
        flat = _bend_fisheye(points, lens) if lens.kind == "fisheye" else _bend_pinhole(points, lens)
    return np.asarray(flat * focal_px(lens) + np.array(axis_px(lens)))


def unproject(pixels: Float, lens: Lens) -> Float:
    """Return the rays that pixels see.

    Parameters
    ----------
    pixels : ndarray of shape (..., 2), px

    Returns
    -------
    ndarray of shape (..., 3)
        Unit vectors in camera axes; NaN where no ray of the lens reaches the pixel.
    """
    flat = (np.asarray(pixels, dtype=np.float64) - np.array(axis_px(lens))) / focal_px(lens)
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        return _straight_fisheye(flat, lens) if lens.kind == "fisheye" else _straight_pinhole(flat, lens)


def ray_grid(lens: Lens, subpixels: int = 1) -> Float32:
    """Return the direction that every pixel sees, as (right, down) for one step forward.

    Parameters
    ----------
    lens : Lens
    subpixels : int
        Each pixel is split into this many in each direction.

    Returns
    -------
    ndarray of shape (subpixels * height, subpixels * width, 2)
        NaN where the lens sees nothing, or further aside than ``_STEEPEST``.
    """
    across = (np.arange(subpixels * lens.width_px) + 0.5) / subpixels - 0.5
    along = (np.arange(subpixels * lens.height_px) + 0.5) / subpixels - 0.5
    pixels = np.stack(np.meshgrid(across, along), axis=2)
    if lens.kind == "pinhole" and not any(lens.distortion):
        return ((pixels - axis_px(lens)) / focal_px(lens)).astype(np.float32)
    grid = np.empty(pixels.shape, np.float32)
    for row in range(0, len(pixels), _GRID_ROWS):
        rays = unproject(pixels[row : row + _GRID_ROWS], lens)
        forward = np.where(rays[..., 2:] > 1 / _STEEPEST, rays[..., 2:], np.nan)
        grid[row : row + _GRID_ROWS] = rays[..., :2] / forward
    return grid


def inside(pixels: Float, lens: Lens) -> NDArray[np.bool_]:
    """Return which pixels (..., 2) lie in the picture, its outermost pixels whole."""
    x, y = pixels[..., 0], pixels[..., 1]
    within = (x >= -0.5) & (x <= lens.width_px - 0.5) & (y >= -0.5) & (y <= lens.height_px - 0.5)
    return np.asarray(within)


def border_px(lens: Lens, per_side: int = 16) -> Float:
    """Return pixels along the outer edge of the picture, clockwise from the upper left, (4 * per_side, 2)."""
    left, right, top, bottom = -0.5, lens.width_px - 0.5, -0.5, lens.height_px - 0.5
    share = np.arange(per_side)[:, None] / per_side
    corners = np.array([[left, top], [right, top], [right, bottom], [left, bottom]])
    return np.concatenate([corners[i] + share * (corners[(i + 1) % 4] - corners[i]) for i in range(4)])


def _bend_pinhole(points: Float, lens: Lens) -> Float:
    depth = np.where(points[..., 2:] > 0, points[..., 2:], np.nan)
    flat = points[..., :2] / depth
    if not any(lens.distortion):
        return flat
    square = (flat**2).sum(axis=-1, keepdims=True)
    return np.where(square <= _fold_square(lens.distortion), _brown(flat, lens.distortion)[0], np.nan)


def _bend_fisheye(points: Float, lens: Lens) -> Float:
    aside = np.hypot(points[..., 0], points[..., 1])[..., None]
    angle = np.arctan2(aside, points[..., 2:])
    bent = np.where(angle <= _fold_angle(lens.distortion), _bent_angle(angle, lens.distortion)[0], np.nan)
    return np.where(aside > 0, points[..., :2] * (bent / np.where(aside > 0, aside, 1.0)), 0.0 * bent)


def _straight_pinhole(flat: Float, lens: Lens) -> Float:
    straight = flat.copy()
    if any(lens.distortion):
        for _ in range(_STEPS):
            bent, slope = _brown(straight, lens.distortion)
            miss = flat - bent
            det = slope[..., 0, 0] * slope[..., 1, 1] - slope[..., 0, 1] * slope[..., 1, 0]
            x = (slope[..., 1, 1] * miss[..., 0] - slope[..., 0, 1] * miss[..., 1]) / det
            y = (slope[..., 0, 0] * miss[..., 1] - slope[..., 1, 0] * miss[..., 0]) / det
            step = np.stack([x, y], axis=-1)
            straight = straight + step
            if np.nanmax(np.abs(step), initial=0.0) < _EXACT:
                break
        reached = np.abs(_brown(straight, lens.distortion)[0] - flat).max(axis=-1) < 1e-6
        reached &= (straight**2).sum(axis=-1) <= _fold_square(lens.distortion)
        straight = np.where(reached[..., None], straight, np.nan)
    rays = np.concatenate([straight, np.ones_like(straight[..., :1])], axis=-1)
    return np.asarray(rays / np.linalg.norm(rays, axis=-1, keepdims=True))


def _straight_fisheye(flat: Float, lens: Lens) -> Float:
    bent = np.linalg.norm(flat, axis=-1, keepdims=True)
    angle = bent.copy()
    for _ in range(_STEPS):
        now, slope = _bent_angle(angle, lens.distortion)
        step = (bent - now) / slope
        angle = np.clip(angle + step, 0.0, math.pi)
        if np.nanmax(np.abs(step), initial=0.0) < _EXACT:
            break
    reached = (np.abs(_bent_angle(angle, lens.distortion)[0] - bent) < 1e-6) & (
        angle <= _fold_angle(lens.distortion)
    )
    angle = np.where(reached, angle, np.nan)
    way = np.where(bent > 0, flat / np.where(bent > 0, bent, 1.0), 0.0)
    return np.concatenate([way * np.sin(angle), np.cos(angle)], axis=-1)


def _brown(flat: Float, distortion: tuple[float, ...]) -> tuple[Float, Float]:
    """Return bent places (..., 2) and how they change with the straight ones (..., 2, 2)."""
    k1, k2, p1, p2, k3 = (*distortion, *(0.0,) * 5)[:5]
    x, y = flat[..., 0], flat[..., 1]
    r2 = x * x + y * y
    radial = 1 + r2 * (k1 + r2 * (k2 + r2 * k3))
    grows = 2 * (k1 + r2 * (2 * k2 + r2 * 3 * k3))  # of `radial`, for each x and y
    bent = np.stack(
        [
            x * radial + 2 * p1 * x * y + p2 * (r2 + 2 * x * x),
            y * radial + p1 * (r2 + 2 * y * y) + 2 * p2 * x * y,
        ],
        axis=-1,
    )
    aslant = x * y * grows + 2 * p1 * x + 2 * p2 * y
    across = np.stack([radial + x * x * grows + 2 * p1 * y + 6 * p2 * x, aslant], axis=-1)
    down = np.stack([aslant, radial + y * y * grows + 6 * p1 * y + 2 * p2 * x], axis=-1)
    return bent, np.stack([across, down], axis=-2)


def _bent_angle(angle: Float, distortion: tuple[float, ...]) -> tuple[Float, Float]:
    k1, k2, k3, k4 = (*distortion, *(0.0,) * 4)[:4]
    a2 = angle * angle
    bent = angle * (1 + a2 * (k1 + a2 * (k2 + a2 * (k3 + a2 * k4))))
    return bent, 1 + a2 * (3 * k1 + a2 * (5 * k2 + a2 * (7 * k3 + a2 * 9 * k4)))


def _fold_square(distortion: tuple[float, ...]) -> float:
    """Return the square of the distance off the axis at which a radial distortion turns back."""
    k1, k2, _, _, k3 = (*distortion, *(0.0,) * 5)[:5]
    return _first_root([7 * k3, 5 * k2, 3 * k1, 1.0])


def _fold_angle(distortion: tuple[float, ...]) -> float:
    k1, k2, k3, k4 = (*distortion, *(0.0,) * 4)[:4]
    return min(math.sqrt(_first_root([9 * k4, 7 * k3, 5 * k2, 3 * k1, 1.0])), _WIDEST_RAD)


def _first_root(coefficients: list[float]) -> float:
    roots = np.roots(coefficients)
    real = roots.real[(np.abs(roots.imag) < 1e-12) & (roots.real > 0)]
    return float(real.min(initial=math.inf))
