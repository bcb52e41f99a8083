"""Where a camera stands and looks, and where the print is for it while the nozzle stands at a place.

All places are in G-code coordinates: millimetres in the frame of the bed, x right, y back, z up. G-code
moves the nozzle relative to the bed; which of the two really moves is the machine's affair (`shift_axes`).
Seen from the bed, a camera on the head follows the nozzle; one on the frame goes the way the bed does not.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from twinlapse.arrays import Float
from twinlapse.optics.lens import axis_px, focal_px, project, unproject
from twinlapse.rig.camera import Camera, Lens
from twinlapse.rig.kinematics import shift_axes
from twinlapse.rig.printer import Printer

__all__ = [
    "FRAME_WAY",
    "FULL",
    "GANTRY_PLACE_MM",
    "HEAD_PLACE_MM",
    "Place",
    "Pose",
    "bed_middle",
    "bed_shift",
    "in_picture",
    "looked_at_mm",
    "looking_of",
    "mounted",
    "on_plane",
    "pose_along",
    "pose_in_bed",
    "pose_looking",
    "pose_on_mount",
    "rest_of",
    "see",
    "see_with_depth",
    "volume_corners",
]

Place = tuple[float, float, float]

HEAD_PLACE_MM = (23.0, -19.0, 25.0)  # beside and before the tip, 39 mm away, looking down on it at 40 degrees
GANTRY_PLACE_MM = (0.0, -70.0, 45.0)
FRAME_WAY = (-0.46, -0.74, 0.49)  # from the bed's middle: front left, above
_NEAREST_MM = 1e-3  # depth below which `see_with_depth` divides by this instead
FULL = 0.94  # share of the picture that the build volume fills


@dataclass(frozen=True, slots=True, kw_only=True)
class Pose:
    """Where a camera stands and how it is turned."""

    place_mm: Float  # (3,) entrance pupil
    axes: Float  # (3, 3) rows: its right, down and forward directions, unit vectors

    @property
    def steep_rad(self) -> float:
        """How far below level it looks: pi / 2 is straight down."""
        return math.asin(float(np.clip(-self.axes[2, 2], -1.0, 1.0)))

    def moved(self, way_mm: Float) -> Pose:
        """Return the pose shifted by `way_mm`."""
        return Pose(place_mm=self.place_mm + way_mm, axes=self.axes)

    def turned(self, angles_rad: tuple[float, float, float]) -> Pose:
        """Return the pose turned by small angles about its right, down and forward axes, in this order."""
        turn = np.eye(3)
        for axis, angle in enumerate(angles_rad):
            a, b = (axis + 1) % 3, (axis + 2) % 3
            step = np.eye(3)
            step[a, a] = step[b, b] = np.cos(angle)
            step[a, b], step[b, a] = np.sin(angle), -np.sin(angle)
            turn = step @ turn
        return Pose(place_mm=self.place_mm, axes=turn @ self.axes)

    def to_camera(self, points_mm: NDArray[np.floating]) -> Float:
        """Return points (..., 3) in camera axes."""
        return np.asarray((np.asarray(points_mm, np.float64) - self.place_mm) @ self.axes.T)

    def to_world(self, rays: Float) -> Float:
        """Return directions (..., 3) given in camera axes in the frame in which the pose is given."""
        return np.asarray(rays @ self.axes)


def pose_looking(place_mm: Float | Place, look_mm: Float | Place, roll_deg: float = 0.0) -> Pose:
    """Return the pose of a camera that looks from one point to another, its picture's upper edge upward.

    A positive roll turns the camera clockwise, seen from behind it. A camera that looks straight down has the
    bed's back edge at the upper edge of its picture.

    Raises
    ------
    ValueError
        when the two points are the same.
    """
    place = np.asarray(place_mm, np.float64)
    forward = np.asarray(look_mm, np.float64) - place
    length = np.linalg.norm(forward)
    if length < 1e-9:
        raise ValueError("place_mm and look_mm are the same point", "let the camera look at another point")
    forward = forward / length
    up = np.array([0.0, 0, 1]) if abs(forward[2]) < 0.999 else np.array([0.0, 1, 0])
    right = np.cross(forward, up)
    right /= np.linalg.norm(right)
    down = np.cross(forward, right)
    roll = math.radians(roll_deg)
    turned = (
        math.cos(roll) * right + math.sin(roll) * down,
        math.cos(roll) * down - math.sin(roll) * right,
        forward,
    )
    return Pose(place_mm=place, axes=np.array(turned))


def looking_of(pose: Pose, distance_mm: float) -> tuple[Place, Place, float]:
    """Return the place, a point looked at and the roll that make up a pose: `pose_looking` turned round."""
    look = pose.place_mm + distance_mm * pose.axes[2]
    level = pose_looking(pose.place_mm, look)
    roll = math.degrees(math.atan2(pose.axes[0] @ level.axes[1], pose.axes[0] @ level.axes[0]))
    return _triple(pose.place_mm), _triple(look), roll


def pose_on_mount(camera: Camera, printer: Printer) -> Pose:
    """Return a camera's pose in the frame of what carries it.

    Where the rig names none: a frame camera stands in front, left and above, as near as the whole build
    volume is in its picture; a camera on the head stands beside the nozzle's tip and looks at it.
    """
    place, look = camera.place_mm, camera.look_mm
    if camera.mount in ("toolhead", "gantry"):
        standard = HEAD_PLACE_MM if camera.mount == "toolhead" else GANTRY_PLACE_MM
        target = (0.0, 0.0, 0.0)
        if place is not None and look is None and place[:2] == (0.0, 0.0):
            target = (0.0, 1.0, -abs(place[2]))  # straight above the tip: it cannot look through the head
        return pose_looking(place or standard, look or target, camera.roll_deg)
    x, y = bed_middle(printer)
    if camera.mount == "bed":
        corner = (printer.x_range_mm[0] - 70.0, printer.y_range_mm[0] - 70.0, 130.0)
        return pose_looking(place or corner, look or (x, y, 20.0), camera.roll_deg)
    if place is None:
        return _seeing_all(camera, printer)
    return pose_looking(place, look or (x, y, 0.0), camera.roll_deg)


def looked_at_mm(camera: Camera, printer: Printer) -> float:
    """Return the distance from a camera to what it is aimed at: the nozzle tip, or the middle of the bed."""
    own = pose_on_mount(camera, printer)
    if camera.mount in ("toolhead", "gantry"):
        return float(np.linalg.norm(own.place_mm))
    return float(np.linalg.norm(own.place_mm - [*bed_middle(printer), 0.0]))


def bed_middle(printer: Printer) -> tuple[float, float]:
    """Return the middle of the bed."""
    return sum(printer.x_range_mm) / 2, sum(printer.y_range_mm) / 2


def rest_of(camera: Camera, printer: Printer) -> Place:
    """Return the nozzle's place at which the bed is where the places of frame cameras are measured."""
    x, y = camera.park_mm or bed_middle(printer)
    return (x, y, 0.0)


def bed_shift(printer: Printer, nozzle_mm: Place, rest_mm: Place) -> Float:
    """Return how far the bed stands from its place while the nozzle is at `nozzle_mm`, in the room, (3,)."""
    moving = shift_axes(printer.kinematics, "frame")  # what shifts for the frame is what the bed does
    ways = [
        rest - now if axis in moving else 0.0
        for axis, rest, now in zip("xyz", rest_mm, nozzle_mm, strict=True)
    ]
    return np.array(ways)


def pose_in_bed(camera: Camera, printer: Printer, nozzle_mm: Place, rest_mm: Place | None = None) -> Pose:
    """Return a camera's pose in G-code coordinates while the nozzle stands at a place.

    Parameters
    ----------
    camera, printer
    nozzle_mm : (x, y, z)
        Where the G-code says that the nozzle is.
    rest_mm : (x, y, z), optional
        The nozzle's place at which the bed is where the rig's places of frame cameras were measured.
    """
    return pose_on_mount(camera, printer).moved(_carried(camera, printer, nozzle_mm, rest_mm))


def pose_along(camera: Camera, printer: Printer) -> tuple[Pose, Float]:
    """Return a camera's pose in G-code coordinates as a linear function of the nozzle's place.

    Returns
    -------
    Pose
        While the nozzle is at (0, 0, 0).
    ndarray of shape (3,)
        How far the pose moves along each axis for 1 mm of the nozzle along it: on every machine a pose shifts
        along the axis that moves, or not at all.
    """
    still = pose_in_bed(camera, printer, (0.0, 0.0, 0.0))
    steps: tuple[Place, ...] = ((1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0))
    moved = [pose_in_bed(camera, printer, step).place_mm[axis] for axis, step in enumerate(steps)]
    return still, np.array(moved) - still.place_mm


def mounted(
    pose: Pose, camera: Camera, printer: Printer, nozzle_mm: Place, rest_mm: Place | None = None
) -> Pose:
    """Return a pose given in G-code coordinates in the frame of what carries the camera."""
    return pose.moved(-_carried(camera, printer, nozzle_mm, rest_mm))


def _carried(camera: Camera, printer: Printer, nozzle_mm: Place, rest_mm: Place | None) -> Float:
    if camera.mount == "bed":
        return np.zeros(3)
    if camera.mount == "toolhead":
        return np.array(nozzle_mm)
    rest = rest_mm or rest_of(camera, printer)
    bed = bed_shift(printer, nozzle_mm, rest)
    if camera.mount == "frame":
        return -bed
    x, y = bed_middle(printer)
    # the beam climbs with Z where the bed slides along Y, else it stands
    beam = (x, rest[1], nozzle_mm[2]) if printer.kinematics == "bed-moves-y" else (x, y, rest[2])
    return np.array(beam) - bed


def see(points_mm: Float, pose: Pose, lens: Lens) -> Float:
    """Return the pixels (..., 2) at which points (..., 3) appear; NaN for what the camera cannot see."""
    return project(pose.to_camera(points_mm), lens)


def see_with_depth(points_mm: NDArray[np.floating], pose: Pose, lens: Lens) -> tuple[Float, Float]:
    """Return the pixels (n, 2) at which points (n, 3) appear, and their depths along the axis in mm, (n,).

    For points that the camera cannot see the pixels are undefined: NaN, or far outside the picture. The
    undistorted pinhole takes a shorter path here than in `see`, since a rendered picture asks this of every
    bead.
    """
    points = pose.to_camera(points_mm)
    depth = points[:, 2]
    if lens.kind == "pinhole" and not any(lens.distortion):
        flat = points[:, :2] / np.maximum(depth, _NEAREST_MM)[:, None]
        return flat * focal_px(lens) + np.array(axis_px(lens)), depth
    return project(points, lens), depth


def on_plane(pixels: Float, pose: Pose, lens: Lens, z_mm: float | Float = 0.0) -> Float:
    """Return the points (..., 3) of the level plane at `z_mm` that pixels (..., 2) see; NaN: it sees none."""
    ways = pose.to_world(unproject(pixels, lens))
    with np.errstate(divide="ignore", invalid="ignore"):
        far = (np.asarray(z_mm)[..., None] - pose.place_mm[2]) / ways[..., 2:]
    return np.asarray(np.where(far > 0, pose.place_mm + far * ways, np.nan))


def volume_corners(printer: Printer, z_mm: float | None = None) -> Float:
    """Return the eight corners of the build volume, (8, 3), bed first; `z_mm` in place of its full height."""
    (x0, x1), (y0, y1) = printer.x_range_mm, printer.y_range_mm
    top = printer.height_mm if z_mm is None else z_mm
    return np.array([[x, y, z] for z in (0.0, top) for x, y in ((x0, y0), (x1, y0), (x1, y1), (x0, y1))])


def in_picture(pixels: Float, lens: Lens, share: float = 1.0) -> NDArray[np.bool_]:
    """Return which pixels (..., 2) lie in the middle `share` of the picture's width and height."""
    size = np.array([lens.width_px, lens.height_px])
    return np.asarray((np.abs(pixels - (size - 1) / 2) <= share * size / 2).all(axis=-1))


def _seeing_all(camera: Camera, printer: Printer) -> Pose:
    corners = volume_corners(printer)
    if printer.kinematics == "bed-moves-z":
        corners = corners - [0.0, 0.0, printer.height_mm]  # the bed sinks, and the print with it
    target = corners.mean(axis=0) if camera.look_mm is None else np.array(camera.look_mm)
    way = np.array(FRAME_WAY) / np.linalg.norm(FRAME_WAY)
    near, far = 100.0, 8000.0
    for _ in range(30):
        distance = (near + far) / 2
        pose = pose_looking(target + way * distance, target, camera.roll_deg)
        seen = in_picture(see(corners, pose, camera.lens), camera.lens, FULL)
        near, far = (near, distance) if seen.all() else (distance, far)
    return pose_looking(target + way * far, target, camera.roll_deg)


def _triple(values: Float) -> Place:
    return (float(values[0]), float(values[1]), float(values[2]))
