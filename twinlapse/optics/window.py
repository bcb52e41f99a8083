"""The part of the bed that a nozzle camera shows well: the window by which a survey is laid out."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from twinlapse.arrays import Float
from twinlapse.errors import RigError
from twinlapse.optics.pose import Pose, in_picture, pose_on_mount, see
from twinlapse.optics.view import blur_px, hidden, pixel_size, sharpness
from twinlapse.rig.camera import Camera
from twinlapse.rig.printer import Printer, Toolhead

__all__ = [
    "BLUR_PX",
    "COARSEST",
    "EDGE",
    "LEVEL_DEG",
    "LEVEL_MM",
    "RISE_MM",
    "Window",
    "defocus_px",
    "detail_mm",
    "usable",
    "window_of",
]

RISE_MM = 1.0  # of the tip above the layer while a survey travels and stands
_STEP_MM = 1.0
_REACH_MM = 70.0
COARSEST = 3.0  # a pixel may show this many times what it shows where the camera sees finest
# a camera that looks less steeply than this sees its foreground much finer than the rest; there a pixel may
# show most of a usual line: gaps of 0.8 mm are still two pixels long
LEVEL_DEG, LEVEL_MM = 40.0, 0.35
BLUR_PX = (
    4.0  # about a line of the nozzle: more, and neighbouring lines run together; common practice, no source
)
EDGE = 0.97  # of the picture: its rim is left out


@dataclass(frozen=True, slots=True, kw_only=True)
class Window:
    """A rectangle on the layer, relative to the point below the nozzle's tip."""

    x_mm: tuple[float, float]
    y_mm: tuple[float, float]

    @property
    def size_mm(self) -> tuple[float, float]:
        """Width and depth."""
        return self.x_mm[1] - self.x_mm[0], self.y_mm[1] - self.y_mm[0]

    @property
    def middle_mm(self) -> tuple[float, float]:
        """Its middle."""
        return sum(self.x_mm) / 2, sum(self.y_mm) / 2


def usable(points_mm: Float, camera: Camera, printer: Printer, rise_mm: float) -> NDArray[np.bool_]:
    """Return which points (n, 3), relative to the tip, the camera shows sharp, fine and unhidden.

    Parameters
    ----------
    points_mm
        On the layer: z is ``-rise_mm``.
    rise_mm : float
        Height of the tip above the layer.
    """
    pose = pose_on_mount(camera, printer)
    shown = in_picture(see(points_mm, pose, camera.lens), camera.lens, EDGE)
    good = shown.copy()
    if not shown.any():
        return good
    size = pixel_size(points_mm[shown], pose, camera.lens)
    blur = defocus_px(points_mm[shown], pose, camera)
    covered = hidden(points_mm[shown], pose, _nozzle_alone(printer.toolhead), (0.0, 0.0, 0.0))
    good[shown] = (size <= _coarsest_mm(size, pose)) & (blur <= BLUR_PX) & ~covered
    # a camera that sees the tip has nothing of the head on its own side of it; beyond, the block may be
    toward = pose.place_mm[:2] / max(float(np.hypot(*pose.place_mm[:2])), 1e-9)
    along, head = points_mm[:, :2] @ toward, printer.toolhead
    up = (head.nozzle_length_mm - points_mm[:, 2]) / (pose.place_mm[2] - points_mm[:, 2])
    under_block = along + up * (pose.place_mm[:2] @ toward - along) < head.block_radius_mm
    return np.asarray(good & (along >= -head.nozzle_radius_mm) & ~((along < 0) & under_block))


def detail_mm(points_mm: Float, camera: Camera, printer: Printer) -> Float:
    """Return the size in mm of the smallest thing that is seen at points (n, 3): a pixel, and its blur.

    The blur is that of depth (thin lens); NaN where the camera does not see the point.
    """
    pose = pose_on_mount(camera, printer)
    blur = defocus_px(points_mm, pose, camera)
    return np.asarray(pixel_size(points_mm, pose, camera.lens) * np.hypot(1.0, blur))


def defocus_px(points_mm: Float, pose: Pose, camera: Camera) -> Float:
    """Return the diameter of the blur of points, as `blur_px`, for many."""
    depth = np.maximum(pose.to_camera(points_mm)[:, 2], 1e-3)
    focus = sharpness(camera.lens, float(np.linalg.norm(pose.place_mm))).focus_mm
    return np.asarray(np.abs(depth - focus) / depth * blur_px(camera.lens, focus, 2 * focus) * 2)


def _nozzle_alone(head: Toolhead) -> Toolhead:
    length = head.nozzle_length_mm
    return Toolhead(
        radius_mm=0.0, height_mm=length, nozzle_radius_mm=head.nozzle_radius_mm, nozzle_length_mm=length
    )


def _coarsest_mm(size_mm: Float, pose: Pose) -> float:
    """Return how much of the layer a pixel may show at most."""
    steep = math.degrees(pose.steep_rad)
    finest = COARSEST * float(np.nanmin(size_mm))
    return finest if steep >= LEVEL_DEG else max(finest, LEVEL_MM)


def window_of(camera: Camera, printer: Printer, rise_mm: float) -> Window:
    """Return the largest upright rectangle of the layer that a head camera shows well.

    Raises
    ------
    RigError
        when there is none of at least 4 mm.
    """
    steps = np.arange(-_REACH_MM, _REACH_MM + _STEP_MM / 2, _STEP_MM)
    grid = np.stack(np.meshgrid(steps, steps), axis=-1).reshape(-1, 2)
    points = np.column_stack([grid, np.full(len(grid), -rise_mm)])
    good = usable(points, camera, printer, rise_mm).reshape(len(steps), len(steps))
    top, left, bottom, right = _largest_rectangle(good)
    if min(bottom - top, right - left) * _STEP_MM < 4:
        raise RigError(
            f'camera "{camera.name}" shows no part of the layer well enough for a survey',
            "see what 'twinlapse rig check' says of its place, lens and focus",
        )
    return Window(
        x_mm=(float(steps[left]), float(steps[right])), y_mm=(float(steps[top]), float(steps[bottom]))
    )


def _largest_rectangle(good: NDArray[np.bool_]) -> tuple[int, int, int, int]:
    """Return first row, first column, last row, last column of the largest rectangle of true cells."""
    best, box = 0, (0, 0, 0, 0)
    heights = np.zeros(good.shape[1], np.int64)
    for row, line in enumerate(good):
        heights = np.where(line, heights + 1, 0)
        open_from: list[tuple[int, int]] = []  # (column, height), heights rising
        for column, height in enumerate([*heights.tolist(), 0]):
            start = column
            while open_from and open_from[-1][1] >= height:
                start, tall = open_from.pop()
                if tall * (column - start) > best:
                    best = tall * (column - start)
                    box = (row - tall + 1, start, row, column - 1)
            open_from.append((start, height))
    return box
