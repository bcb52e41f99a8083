"""Places along the lines of a layer, and the map read at places: what `laying` and `outer_width` look at."""

from __future__ import annotations

import math

import cv2
import numpy as np

from twinlapse.arrays import Bool, Float, Float32, Int
from twinlapse.firstlayer.canvas import Canvas
from twinlapse.firstlayer.expected import Lines

__all__ = ["ALONG_STEP_MM", "LINE_WAYS", "OFFSETS", "all_in", "profile_places", "read_at"]

ALONG_STEP_MM = 0.3  # between profiles along a line
LINE_WAYS = 6  # bins of 30 degrees
# samples of a profile across one line, in widths of it
OFFSETS: Float = np.linspace(-0.5, 0.5, 10)[:-1] + 0.5 / 9


def profile_places(lines: Lines) -> tuple[Float, Float, Float, Int]:
    """Return places along all lines (n, 2), their normals (n, 2), pitches (n,) and bins of direction (n,)."""
    length = lines.length_mm
    count = np.floor(length / ALONG_STEP_MM).astype(np.int64)
    piece = np.repeat(np.arange(len(lines)), count)
    share = (np.arange(len(piece)) - np.repeat(np.cumsum(count) - count, count) + 0.5) / np.maximum(
        count[piece], 1
    )
    way = lines.last_mm - lines.first_mm
    unit = way / np.maximum(length, 1e-9)[:, None]
    angle = np.arctan2(unit[:, 1], unit[:, 0]) % math.pi
    unit = np.column_stack([np.cos(angle), np.sin(angle)])
    normal = np.column_stack([-unit[:, 1], unit[:, 0]])
    bins = np.round(angle / math.pi * LINE_WAYS).astype(np.int64) % LINE_WAYS
    places = lines.first_mm[piece] + share[:, None] * way[piece]
    return places, normal[piece], lines.width_mm[piece], bins[piece]


def all_in(mask: Bool, canvas: Canvas, places: Float) -> Bool:
    """Return which rows of places (n, k, 2) lie in a mask with all their k places."""
    pixels = np.rint(canvas.to_px(places)).astype(np.int64)
    x = np.clip(pixels[..., 0], 0, canvas.width - 1)
    y = np.clip(pixels[..., 1], 0, canvas.height - 1)
    return np.asarray(mask[y, x].all(axis=1))


def read_at(picture: Float32, canvas: Canvas, places: Float) -> Float:
    """Return a map (h, w) or (h, w, 3) at places (n, k, 2), between pixels: (n, k) or (n, k, 3)."""
    pixels = canvas.to_px(places).astype(np.float32)
    out = [
        cv2.remap(picture, part[..., 0], part[..., 1], cv2.INTER_LINEAR)
        for part in np.array_split(pixels, max(1, -(-len(pixels) // 30000)))
    ]
    return np.concatenate(out).astype(np.float64)
