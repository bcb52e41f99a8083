"""The light of the room and what the growing print keeps of it: a shadow map and a map of heights."""

from __future__ import annotations

import cv2
import numpy as np

from twinlapse.arrays import Float, Float32
from twinlapse.rehearsal.beads import Beads
from twinlapse.rehearsal.render_kernels import cast_shade

__all__ = [
    "BOUNCE",
    "KEY",
    "KEY_WAY",
    "NOTHING",
    "SHINE",
    "SKY",
    "Shade",
    "room_light",
    "room_lit",
]

KEY_WAY = np.array([0.48, -0.42, 0.77]) / np.linalg.norm([0.48, -0.42, 0.77])  # toward the light
KEY, SKY, BOUNCE, SHINE = 0.95, 0.42, 0.10, 0.05
_CELL_MM = 0.45
_MARGIN_MM = 12.0
NOTHING = -1e9


class Shade:
    """What is laid so far as seen from the light and from above."""

    def __init__(self, low_mm: Float, high_mm: Float) -> None:
        low, high = np.array(low_mm) - _MARGIN_MM, np.array(high_mm) + _MARGIN_MM
        low[2] = min(low[2], 0)
        across = np.cross([0.0, 0, 1], KEY_WAY)
        across /= np.linalg.norm(across)
        along = np.cross(KEY_WAY, across)
        corners = np.array(
            [[x, y, z] for x in (low[0], high[0]) for y in (low[1], high[1]) for z in (low[2], high[2])]
        )
        a, b = corners @ across, corners @ along
        self.frame = np.array([*across, *along, *KEY_WAY, _CELL_MM, a.min(), b.min()])
        shape = (int(np.ptp(b) / _CELL_MM) + 2, int(np.ptp(a) / _CELL_MM) + 2)
        self.map: Float32 = np.full(shape, NOTHING, np.float32)
        self.corner = low[:2].copy()
        self.heights: Float32 = np.zeros((int(high[1] - low[1]) + 1, int(high[0] - low[0]) + 1), np.float32)
        self.crowd: Float32 = self.heights.copy()
        self.laid = 0

    def lay(self, beads: Beads, count: int) -> None:
        """Enter the beads up to `count`, those entered before left out."""
        new = slice(self.laid, count)
        if count > self.laid:
            cast_shade(
                beads.first_mm[new],
                beads.last_mm[new],
                beads.half_width_mm[new],
                beads.half_height_mm[new],
                self.map,
                self.frame,
                self.heights,
                self.corner,
            )
            self.crowd = np.asarray(cv2.GaussianBlur(self.heights, (0, 0), 9.0), np.float32)
            self.laid = count


def room_light(lamp_mm: Float | None = None, lamp: float = 0.0, room: float = 1.0) -> Float:
    """Return the light as the painting loops take it; `lamp` is a small lamp beside a camera."""
    at = np.zeros(3) if lamp_mm is None else lamp_mm
    return np.array([*KEY_WAY, KEY * room, SKY * room, BOUNCE * room, *at, lamp, SHINE, 0.0])


def room_lit(normals: Float, hues: Float, room: float = 1.0) -> Float:
    """Return the colours of unshaded surfaces in the light of the room."""
    key = np.clip(normals @ KEY_WAY, 0, None) * KEY
    sky = SKY * (0.5 + 0.5 * normals[..., 2]) + BOUNCE * (0.5 - 0.5 * normals[..., 2])
    return np.asarray(hues * (room * (key + sky))[..., None])
