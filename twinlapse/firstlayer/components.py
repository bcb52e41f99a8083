"""Masks of a map, and the connected pieces of them, measured."""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from twinlapse.arrays import Float32
from twinlapse.firstlayer.canvas import Canvas

__all__ = ["Component", "Mask", "components_of", "grown", "moved", "shrunk"]

Mask = NDArray[np.bool_]


@dataclass(frozen=True, slots=True, kw_only=True)
class Component:
    """A connected piece of a mask."""

    at_mm: tuple[float, float]
    box_mm: tuple[float, float, float, float]
    length_mm: float
    width_mm: float
    area_mm2: float
    turn_rad: float  # of its long side, anticlockwise from X, 0 to pi
    lowest: float  # score
    highest: float
    contrast: float  # how far its score is from the middle, 0 to 1
    within: float = 1.0  # share of it that lies in a mask that was asked about
    lowest_within: float = 0.0  # score there


def components_of(
    mask: Mask, score: Float32, canvas: Canvas, smallest_mm2: float, within: Mask | None = None
) -> list[Component]:
    """Return the pieces of a mask that are large enough; hairs of one pixel are left out.

    What share of each lies `within` another mask is said with it.
    """
    whole = _opened(mask)
    count, labels, stats, _ = cv2.connectedComponentsWithStats(whole, connectivity=8)
    step = canvas.step_mm
    pieces = []
    for label in range(1, count):
        area = float(stats[label, cv2.CC_STAT_AREA]) * step**2
        if area < smallest_mm2:
            continue
        x, y, w, h = (int(v) for v in stats[label, :4])
        own = labels[y : y + h, x : x + w] == label
        inner = own if within is None else own & within[y : y + h, x : x + w]
        outline = np.argwhere(own)[:, ::-1].astype(np.float32)
        (cx, cy), size, _ = cv2.minAreaRect(outline)
        sides = sorted((side + 1) * step for side in size)
        at = canvas.to_mm(np.array([cx + x, cy + y]))
        corner = canvas.to_mm(np.array([x - 0.5, y + h - 0.5]))
        pieces.append(
            Component(
                at_mm=(round(float(at[0]), 2), round(float(at[1]), 2)),
                box_mm=(
                    round(float(corner[0]), 2),
                    round(float(corner[1]), 2),
                    round(w * step, 2),
                    round(h * step, 2),
                ),
                length_mm=float(sides[1]),
                width_mm=float(sides[0]),
                area_mm2=area,
                turn_rad=_turn(outline),
                lowest=float(score[y : y + h, x : x + w][own].min()),
                highest=float(score[y : y + h, x : x + w][own].max()),
                contrast=float(np.abs(2 * np.clip(score[y : y + h, x : x + w][own], 0, 1) - 1).mean()),
                within=float(inner.sum() / own.sum()),
                lowest_within=float(score[y : y + h, x : x + w][inner].min()) if inner.any() else math.inf,
            )
        )
    return pieces


def _opened(mask: Mask) -> NDArray[np.uint8]:
    """Return what of a mask lies in squares of two pixels.

    OpenCV's own opening would move all of it by a pixel: it does not turn an even kernel over.
    """
    square = np.ones((2, 2), np.uint8)
    corners = cv2.erode(mask.astype(np.uint8), square, anchor=(0, 0), borderValue=0)
    return np.asarray(cv2.dilate(corners, square, anchor=(1, 1)), np.uint8)


def _turn(outline: Float32) -> float:
    """Return the direction of the long side of points (n, 2) px, rows running toward the front."""
    off = outline - outline.mean(axis=0)
    (xx, xy), (_, yy) = (off.T @ off).tolist()
    return -0.5 * math.atan2(2 * xy, xx - yy) % math.pi


def moved(mask: Mask, shift_px: tuple[int, int]) -> Mask:
    """Return a mask moved by pixels (x, y)."""
    dx, dy = shift_px
    out = np.zeros_like(mask)
    h, w = mask.shape
    out[max(dy, 0) : h + min(dy, 0), max(dx, 0) : w + min(dx, 0)] = mask[
        max(-dy, 0) : h + min(-dy, 0), max(-dx, 0) : w + min(-dx, 0)
    ]
    return out


def shrunk(mask: Mask, by_px: float) -> Mask:
    """Return what of a mask is further than so many pixels within it."""
    far = cv2.distanceTransform(mask.astype(np.uint8), cv2.DIST_L2, 5)
    return np.asarray(far > by_px)


def grown(mask: Mask, by_px: float) -> Mask:
    """Return a mask and what is within so many pixels of it."""
    far = cv2.distanceTransform((~mask).astype(np.uint8), cv2.DIST_L2, 5)
    return np.asarray(far <= by_px)
