"""What a camera makes of the scene: its footprint, the size of a pixel, what is sharp, what the head hides.

Depth of field by the handbook: with focal length f, f-number N, circle of confusion c and focus distance s,
the hyperfocal distance is ``H = f^2 / (N c) + f``, the near limit ``s (H - f) / (H + s - 2 f)`` and the far
limit ``s (H - f) / (H - s)``, endless from s = H on (S. F. Ray, Applied Photographic Optics; from memory).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from twinlapse.arrays import Float
from twinlapse.optics.lens import border_px, focal_px, unproject
from twinlapse.optics.pose import Pose, on_plane, see
from twinlapse.rig.camera import Lens
from twinlapse.rig.printer import Toolhead

__all__ = ["Sharpness", "blur_px", "footprint", "hidden", "pixel_sides", "pixel_size", "sharpness"]

_REACH_MM = 2000.0  # a footprint is cut off here: near the horizon it has no end


@dataclass(frozen=True, slots=True, kw_only=True)
class Sharpness:
    """The range of distances within which a point is blurred over less than the circle of confusion."""

    focus_mm: float
    near_mm: float
    far_mm: float  # may be endless

    def holds(self, distance_mm: float) -> bool:
        """Return whether a point at a distance is sharp."""
        return self.near_mm <= distance_mm <= self.far_mm


def sharpness(lens: Lens, looked_at_mm: float, circle_px: float = 1.0) -> Sharpness:
    """Return the depth of field.

    Parameters
    ----------
    lens : Lens
        Its focal length follows from the angle, the width and ``pixel_um``.
    looked_at_mm : float
        The focus distance where the lens names none.
    circle_px : float
        Circle of confusion.
    """
    f_mm = focal_px(lens) * lens.pixel_um / 1000
    circle_mm = circle_px * lens.pixel_um / 1000
    focus = max(lens.focus_mm or looked_at_mm, 1.001 * f_mm)
    hyperfocal = f_mm**2 / (lens.f_number * circle_mm) + f_mm
    near = focus * (hyperfocal - f_mm) / (hyperfocal + focus - 2 * f_mm)
    far = focus * (hyperfocal - f_mm) / (hyperfocal - focus) if focus < hyperfocal else math.inf
    return Sharpness(focus_mm=focus, near_mm=near, far_mm=far)


def blur_px(lens: Lens, focus_mm: float, distance_mm: float) -> float:
    """Return the diameter of the blur of a point at a distance (thin lens)."""
    f_mm = focal_px(lens) * lens.pixel_um / 1000
    wide_mm = f_mm / lens.f_number * f_mm * abs(distance_mm - focus_mm) / (distance_mm * (focus_mm - f_mm))
    return wide_mm / (lens.pixel_um / 1000)


def footprint(pose: Pose, lens: Lens, z_mm: float = 0.0, per_side: int = 16) -> Float:
    """Return the outline (n, 2) of what the picture shows of the level plane at `z_mm`.

    Rays above the horizon end at `REACH_MM`; the outline is empty where no ray comes down.
    """
    ways = pose.to_world(unproject(border_px(lens, per_side), lens))
    ways = ways[np.isfinite(ways).all(axis=1)]
    level = np.hypot(ways[:, 0], ways[:, 1])
    fall = pose.place_mm[2] - z_mm
    if fall <= 0 or not (ways[:, 2] < 0).any():
        return np.empty((0, 2))
    out = np.where(ways[:, 2] < 0, fall * level / np.maximum(-ways[:, 2], 1e-12), _REACH_MM)
    out = np.minimum(out, _REACH_MM) / np.maximum(level, 1e-12)
    return np.asarray(pose.place_mm[:2] + out[:, None] * ways[:, :2])


def pixel_size(points_mm: Float, pose: Pose, lens: Lens) -> Float:
    """Return the longer side in mm of what one pixel shows of the level plane at points, (n,); NaN: unseen.

    Parameters
    ----------
    points_mm : ndarray of shape (n, 3)
    """
    return np.asarray(pixel_sides(points_mm, pose, lens).max(axis=1))


def pixel_sides(points_mm: Float, pose: Pose, lens: Lens) -> Float:
    """Return both sides in mm, (n, 2), of what one pixel shows of the level plane at points (n, 3)."""
    middle = see(points_mm, pose, lens)
    half = 0.25
    sides = []
    for step in ((half, 0.0), (0.0, half)):
        ends = [on_plane(middle + sign * np.array(step), pose, lens, points_mm[:, 2]) for sign in (-1, 1)]
        sides.append(np.linalg.norm(ends[1] - ends[0], axis=1) / (2 * half))
    return np.column_stack(sides)


def hidden(
    points_mm: Float, pose: Pose, head: Toolhead, nozzle_mm: tuple[float, float, float]
) -> NDArray[np.bool_]:
    """Return which points (n, 3) the head hides from the camera.

    The head is what the rig file says: a disc of ``radius_mm`` from the block's underside to ``height_mm``,
    and the nozzle below it.
    """
    low = nozzle_mm[2] + head.nozzle_length_mm
    top = nozzle_mm[2] + head.height_mm
    block = _behind_cylinder(points_mm, pose, nozzle_mm, head.radius_mm, low, top)
    return block | _behind_cylinder(points_mm, pose, nozzle_mm, head.nozzle_radius_mm, nozzle_mm[2], low)


def _behind_cylinder(
    points: Float, pose: Pose, at: tuple[float, float, float], radius: float, low: float, top: float
) -> NDArray[np.bool_]:
    """Return which lines from points to the camera cross an upright cylinder."""
    way = pose.place_mm - points
    start = points[:, :2] - np.array(at[:2])
    a = (way[:, :2] ** 2).sum(axis=1)
    b = (start * way[:, :2]).sum(axis=1)
    c = (start**2).sum(axis=1) - radius**2
    with np.errstate(divide="ignore", invalid="ignore"):
        root = np.sqrt(b * b - a * c)
        enter = np.where(a > 1e-12, (-b - root) / a, np.where(c <= 0, 0.0, np.nan))
        leave = np.where(a > 1e-12, (-b + root) / a, np.where(c <= 0, 1.0, np.nan))
        climb = np.where(np.abs(way[:, 2]) > 1e-12, way[:, 2], 1e-12)
        floor, roof = (low - points[:, 2]) / climb, (top - points[:, 2]) / climb
    first = np.maximum.reduce([enter, np.minimum(floor, roof), np.zeros(len(points))])
    last = np.minimum.reduce([leave, np.maximum(floor, roof), np.ones(len(points))])
    return np.asarray(first < last - 1e-9)  # NaN: the line passes by
