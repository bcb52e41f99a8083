"""Where on the layer the pixels of a picture look, and what the toolpath asks for there."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from twinlapse.arrays import Float, Float32
from twinlapse.firstlayer.canvas import Canvas
from twinlapse.optics.lens import axis_px, focal_px, unproject
from twinlapse.optics.pose import Pose, looking_of, pose_on_mount
from twinlapse.rig import Camera, Lens, Printer

__all__ = [
    "BEHIND_NOZZLE_MM",
    "BESIDE_NOZZLE_MM",
    "FARTHEST_MM",
    "FOLD_SHARE",
    "GLOBAL",
    "LEVEL_DEG",
    "ROW",
    "BlurredMask",
    "PictureGround",
    "blurred_mask",
    "camera_stepped",
]

ROW = 1024
FARTHEST_MM = 70.0  # from the tip
LEVEL_DEG = 8.0  # pixels that look at the layer at less are left out
BESIDE_NOZZLE_MM = 1.5  # a margin for what the pose is off
BEHIND_NOZZLE_MM = 2.0  # beyond, the block may stand before the bed
FOLD_SHARE = 0.95
GLOBAL = 9  # place 3, turn 3, log focal length, k1, growth of the lines


@dataclass(frozen=True, slots=True)
class BlurredMask:
    """Where lines should lie, blurred, with its slopes."""

    canvas: Canvas
    value: Any  # (h, w) float32
    slope_x: Any  # per mm
    slope_y: Any

    def at(self, places: Float) -> tuple[Float32, Float32, Float32]:
        """Return value and slopes at places (n, 2)."""
        pixels = self.canvas.to_px(places).astype(np.float32)
        rows = -(-len(pixels) // ROW)  # OpenCV takes no picture of more than 32767 rows or columns
        whole: Any = np.pad(pixels, ((0, rows * ROW - len(pixels)), (0, 0))).reshape(rows, ROW, 2)
        at_once: Any = None  # both coordinates are in the one map
        found = [
            np.asarray(
                cv2.remap(picture, whole, at_once, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT)
            ).ravel()[: len(pixels)]
            for picture in (self.value, self.slope_x, self.slope_y)
        ]
        return found[0], found[1], found[2]


def blurred_mask(sharp: Float32, canvas: Canvas, blur_mm: float) -> BlurredMask:
    """Return a mask (h, w) blurred by `blur_mm`, one standard deviation, with its slopes."""
    value = cv2.GaussianBlur(sharp, (0, 0), blur_mm / canvas.step_mm)
    down, across = np.gradient(value)
    step = canvas.step_mm
    return BlurredMask(
        canvas=canvas,
        value=np.asarray(value, np.float32),
        slope_x=np.asarray(across / step, np.float32),
        slope_y=np.asarray(-down / step, np.float32),
    )


class PictureGround:
    """Where on the layer the pixels of a picture look, from the point below the tip, and how that changes.

    `places` (n, 2) mm and `good` (n,) belong to the pixels of a grid of `shape`, `pixels` (n, 2) px.
    """

    def __init__(
        self, camera: Camera, printer: Printer, rise_mm: float, shape: tuple[int, int], theta: Float
    ) -> None:
        self.camera, self.printer, self.rise_mm, self.shape, self.theta = (
            camera,
            printer,
            rise_mm,
            shape,
            theta,
        )
        lens = camera.lens
        sides = (lens.height_px, lens.width_px)
        axes = [(np.arange(n) + 0.5) * side / n - 0.5 for n, side in zip(shape, sides, strict=True)]
        y, x = np.meshgrid(*axes, indexing="ij")
        self.pixels = np.column_stack([x.ravel(), y.ravel()])
        self.good = np.zeros(len(self.pixels), np.bool_)
        self.places = np.zeros_like(self.pixels)
        inner = np.flatnonzero(_before_fold(self.pixels, camera_stepped(camera, printer, theta).lens))
        places, level = self._bed(self.pixels[inner], theta)
        with np.errstate(invalid="ignore"):
            good = (level < -math.sin(math.radians(LEVEL_DEG))) & (np.hypot(*places.T) < FARTHEST_MM)
        self.eye_mm = pose_on_mount(camera_stepped(camera, printer, theta), printer).place_mm
        self.good[inner[good]] = ~self._hidden(places[good], self.eye_mm)
        self.places[inner[good]] = places[good]

    def deeper(self, depth_mm: float) -> Float:
        """Return where the pixels look on a plane that lies deeper, (n, 2)."""
        eye, height = self.eye_mm[:2], self.eye_mm[2] + self.rise_mm
        return np.asarray(eye + (self.places - eye) * ((height + depth_mm) / height))

    def slopes(self, chosen: NDArray[np.int64]) -> Float:
        """Return how places of chosen pixels change with the first eight parameters, (n, 2, 8)."""
        pixels, now = self.pixels[chosen], self.places[chosen]
        out = np.zeros((len(chosen), 2, 8))
        for k in range(8):
            step = np.zeros(GLOBAL)
            step[k] = 1e-3 if k < 3 else 1e-4
            out[..., k] = np.nan_to_num((self._bed(pixels, self.theta + step)[0] - now) / step[k])
        return out

    def _bed(self, pixels: Float, theta: Float) -> tuple[Float, Float]:
        seen = camera_stepped(self.camera, self.printer, theta)
        pose = pose_on_mount(seen, self.printer)
        ways = pose.to_world(unproject(pixels, seen.lens))
        with np.errstate(divide="ignore", invalid="ignore"):
            far = (-self.rise_mm - pose.place_mm[2]) / ways[:, 2]
            return (pose.place_mm + far[:, None] * ways)[:, :2], ways[:, 2]

    def _hidden(self, places: Float, eye: Float) -> NDArray[np.bool_]:
        """Return which places the nozzle, or what stands behind it, may hide."""
        away = -eye[:2] / max(float(np.hypot(*eye[:2])), 1e-9)
        along, aside = places @ away, np.abs(places @ np.array([-away[1], away[0]]))
        wide = self.printer.toolhead.nozzle_radius_mm + BESIDE_NOZZLE_MM
        return np.asarray((along > BEHIND_NOZZLE_MM) | ((along > -BESIDE_NOZZLE_MM) & (aside < wide)))


def _before_fold(pixels: Float, lens: Lens) -> NDArray[np.bool_]:
    """Return which pixels lie well inside the radius at which a negative k1 folds the picture back."""
    k1 = lens.distortion[0] if lens.distortion else 0.0
    if lens.kind == "fisheye" or k1 >= 0:
        return np.ones(len(pixels), np.bool_)
    # r (1 + k1 r^2) is largest at r^2 = -1 / (3 k1)
    largest = 2 / 3 / math.sqrt(-3 * k1)
    radius = np.hypot(*((pixels - np.array(axis_px(lens))) / focal_px(lens)).T)
    return np.asarray(radius < FOLD_SHARE * largest)


def camera_stepped(camera: Camera, printer: Printer, theta: Float) -> Camera:
    """Return a camera changed by place (3) mm, turn (3) rad, log focal length, k1; the rest is ignored."""
    pose = pose_on_mount(camera, printer)
    turn = np.asarray(cv2.Rodrigues(-theta[3:6])[0], np.float64)
    place, look, roll = looking_of(
        Pose(place_mm=pose.place_mm + theta[:3], axes=turn @ pose.axes),
        float(np.linalg.norm(pose.place_mm)) or 40.0,
    )
    return replace(
        camera, place_mm=place, look_mm=look, roll_deg=roll, lens=_lens_of(camera.lens, theta[6], theta[7])
    )


def _lens_of(lens: Lens, log_focal: float, k1: float) -> Lens:
    half = lens.width_px / 2 / (focal_px(lens) * math.exp(log_focal))
    across = 2 * half if lens.kind == "fisheye" else 2 * math.atan(half)
    bent = list(lens.distortion) or [0.0, 0.0, 0.0, 0.0]
    bent[0] += k1
    return replace(lens, across_deg=math.degrees(across), distortion=tuple(bent))
