"""The picture plane of a map: millimetres of the bed to pixels seen from straight above."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from twinlapse.arrays import Float

__all__ = ["Canvas", "canvas_around", "canvas_over"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Canvas:
    """A rectangle of the bed as pixels; row 0 is its back edge, so that a map looks as the bed does."""

    left_mm: float
    back_mm: float
    step_mm: float  # size of a pixel
    width: int
    height: int

    @property
    def shape(self) -> tuple[int, int]:
        """Height and width in pixels."""
        return self.height, self.width

    def to_px(self, points_mm: Float) -> Float:
        """Return pixels (..., 2), x and y, of places (..., 2); the middle of the first pixel is (0, 0)."""
        points = np.asarray(points_mm, np.float64)
        x = (points[..., 0] - self.left_mm) / self.step_mm - 0.5
        y = (self.back_mm - points[..., 1]) / self.step_mm - 0.5
        return np.stack([x, y], axis=-1)

    def to_mm(self, pixels: Float) -> Float:
        """Return places (..., 2) of pixels (..., 2)."""
        pixels = np.asarray(pixels, np.float64)
        x = self.left_mm + (pixels[..., 0] + 0.5) * self.step_mm
        y = self.back_mm - (pixels[..., 1] + 0.5) * self.step_mm
        return np.stack([x, y], axis=-1)

    def grid_mm(self) -> Float:
        """Return the place of every pixel, (height, width, 2)."""
        return self.to_mm(np.stack(np.meshgrid(np.arange(self.width), np.arange(self.height)), axis=-1))


def canvas_around(middle_mm: Float, side_mm: float, step_mm: float) -> Canvas:
    """Return a square canvas about a place (2,)."""
    left, back = np.asarray(middle_mm) + np.array([-side_mm, side_mm]) / 2
    side = round(side_mm / step_mm)
    return Canvas(left_mm=float(left), back_mm=float(back), step_mm=step_mm, width=side, height=side)


def canvas_over(low_mm: Float, high_mm: Float, step_mm: float, margin_mm: float) -> Canvas:
    """Return the canvas that holds a box with a margin, its edges on whole steps."""
    left, front = np.floor((np.asarray(low_mm) - margin_mm) / step_mm)
    right, back = np.ceil((np.asarray(high_mm) + margin_mm) / step_mm)
    return Canvas(
        left_mm=float(left * step_mm),
        back_mm=float(back * step_mm),
        step_mm=step_mm,
        width=int(right - left),
        height=int(back - front),
    )
