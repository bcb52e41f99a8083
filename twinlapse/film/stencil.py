"""Plates: translucent drawings with a place, laid over a picture without touching the rest of it."""

from __future__ import annotations

import functools
from dataclasses import dataclass, replace
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from twinlapse.arrays import Picture
from twinlapse.film.colour import coded_cover
from twinlapse.film.lettering import Coverage

__all__ = ["Colour", "Plate", "columns", "plate", "rgb", "rounded", "shadow"]

Colour = tuple[int, int, int]


@dataclass(frozen=True, slots=True, eq=False)
class Plate:
    """A drawing whose colours are multiplied by its cover already."""

    x: int
    y: int
    colour: Picture  # (height, width, 3)
    keep: Picture  # (height, width, 3): 255 where the picture below stays, 0 where it is covered

    def coded(self) -> Plate:
        """Return the same drawing in the film's own codes."""
        return _coded(self) if self.colour.size else self

    def around(self, left: int, top: int, right: int, bottom: int) -> tuple[Plate, ...]:
        """Return the same drawing as four, without what lies inside a box of the canvas."""
        height, width = self.colour.shape[:2]
        x0, x1 = (min(max(0, x - self.x), width) for x in (left, right))
        y0, y1 = (min(max(0, y - self.y), height) for y in (top, bottom))
        boxes = ((0, y0, 0, width), (y1, height, 0, width), (y0, y1, 0, x0), (y0, y1, x1, width))
        return tuple(
            Plate(
                self.x + first,
                self.y + upper,
                np.ascontiguousarray(self.colour[upper:lower, first:last]),
                np.ascontiguousarray(self.keep[upper:lower, first:last]),
            )
            for upper, lower, first, last in boxes
            if upper < lower and first < last
        )

    def lay(self, canvas: Picture) -> None:
        """Draw onto `canvas` in place; what lies outside is cut off."""
        height, width = canvas.shape[:2]
        x0, y0 = max(0, self.x), max(0, self.y)
        x1 = min(width, self.x + self.colour.shape[1])
        y1 = min(height, self.y + self.colour.shape[0])
        if x0 >= x1 or y0 >= y1:
            return
        own = (slice(y0 - self.y, y1 - self.y), slice(x0 - self.x, x1 - self.x))
        below = canvas[y0:y1, x0:x1]
        canvas[y0:y1, x0:x1] = cv2.add(cv2.multiply(below, self.keep[own], scale=1 / 255), self.colour[own])


@functools.lru_cache(maxsize=32)
def _coded(drawing: Plate) -> Plate:
    return replace(drawing, colour=coded_cover(drawing.colour, drawing.keep))


def rgb(text: str) -> Colour:
    """Return the colour that "#rrggbb" names."""
    return (int(text[1:3], 16), int(text[3:5], 16), int(text[5:7], 16))


def plate(x: int, y: int, cover: Coverage, colour: Colour, strength: float = 1.0) -> Plate:
    """Return a plate of one colour with the given cover (height, width), 0 to 255."""
    if not cover.size:  # a bar of which nothing is done yet
        nothing = np.zeros((*cover.shape, 3), np.uint8)
        return Plate(x, y, nothing, nothing)
    alpha = np.arange(256, dtype=np.float32)[:, None] * strength
    tint = np.rint(alpha * (np.array(colour, np.float32) / 255)).astype(np.uint8)
    keep = np.rint(255 - alpha).astype(np.uint8)
    codes = cv2.merge([cover] * 3)
    drawn, kept = (cv2.LUT(codes, np.broadcast_to(table, (1, 256, 3)).copy()) for table in (tint, keep))
    return Plate(x, y, np.asarray(drawn, np.uint8), np.asarray(kept, np.uint8))


def rounded(width: int, height: int, radius: float, *, inset: float = 0.0) -> Coverage:
    """Return the cover of a rectangle with round corners, edges softened over one pixel.

    `inset` shrinks it on all sides. The distance to a rounded box is exact (common practice, no source).
    """
    radius = max(0.0, min(radius, min(width, height) / 2) - inset)
    x = np.abs(np.arange(width) + 0.5 - width / 2)[None, :] - (width / 2 - inset - radius)
    y = np.abs(np.arange(height) + 0.5 - height / 2)[:, None] - (height / 2 - inset - radius)
    outside = np.hypot(np.maximum(x, 0), np.maximum(y, 0)) + np.minimum(np.maximum(x, y), 0) - radius
    return _u8(np.rint(255 * np.clip(0.5 - outside, 0, 1)))


def shadow(width: int, height: int, radius: float, reach: int) -> Coverage:
    """Return the cover of the soft shadow of a rounded box, with a margin of `reach` on all sides."""
    box = np.zeros((height + 2 * reach, width + 2 * reach), np.uint8)
    box[reach : reach + height, reach : reach + width] = rounded(width, height, radius)
    return np.asarray(cv2.GaussianBlur(box, (0, 0), reach / 2.5), dtype=np.uint8)


def columns(values: NDArray[np.floating], width: int) -> Coverage:
    """Return a cover that changes from row to row only."""
    return _u8(np.repeat(np.rint(np.clip(values, 0, 1) * 255)[:, None], width, axis=1))


def _u8(values: Any) -> Picture:
    drawn: Picture = np.asarray(values, dtype=np.uint8)
    return drawn
