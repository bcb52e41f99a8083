"""Pictures of a printed box with a corner that may have risen, by no code of the project.

The print is a slab between two height maps, its underside and its top, on a bed that stays where it is:
under a raised corner the bed shows, in the dark. Rays of OpenCV's camera model meet the slab by stepping
down. Light, colours, nozzle and what spoils a picture are those of second_scenes.py. Lengths in mm.
"""

from __future__ import annotations

import functools
import math
from dataclasses import dataclass

import cv2
import numpy as np
import second_scenes as scenes

CELL = scenes.CELL
LOOKS = (  # plastic and bed, linear reflectance
    ((0.50, 0.09, 0.05), (0.07, 0.065, 0.06)),
    ((0.70, 0.66, 0.20), (0.05, 0.06, 0.08)),
    ((0.12, 0.22, 0.45), (0.33, 0.30, 0.24)),
    ((0.06, 0.055, 0.05), (0.38, 0.36, 0.34)),
)


@dataclass
class Slab:
    """Bed and print on a grid; row 0 is the front."""

    bed: scenes.Ground  # without a print
    top: np.ndarray  # (h, w) height of the print's top, 0 where there is none
    under: np.ndarray  # (h, w) height of its underside, beside the print as if it went on
    hue: np.ndarray  # (h, w, 3) of the print


class Box:
    """One print before a camera that is not quite the rig's."""

    def __init__(
        self,
        lines: tuple[np.ndarray, ...],
        layer_mm: float,
        seed: int,
        *,
        loose: int,  # lines at the beginning that lie beside the print
        plain: bool,
        parking_mm: float,
    ) -> None:
        dice = np.random.default_rng([seed, 907])
        self.seed, self.lines, self.loose, self.layer_mm = seed, lines, loose, layer_mm
        self.plastic, bed = LOOKS[seed % len(LOOKS)]
        grain = 0.0 if plain else float(dice.uniform(0.12, 0.3))
        self.spoil = scenes.Nuisance(
            glare=float(dice.uniform(0.1, 0.6)), bed_grain=grain, parking=parking_mm, noise=2.5
        )
        self.camera = camera(dice)
        self.grid, self.rays = scenes.rays_of(self.camera)
        outline = scenes.Layer([tuple(line) for line in lines[0]], [scenes.PITCH] * len(lines[0]))
        self.empty = scenes.lay(
            outline, self.plastic, bed, self.spoil, dice, gone=True, sheet_marks=not plain
        )

    def ground(self, layer: int, risen: tuple[float, float, float, float]) -> Slab:
        """Return the print after a layer, bent up by x, y, lift and reach."""
        top, tone, beside = self._flat[layer]
        h, w = top.shape
        x, y, lift, reach = risen
        across = self.empty.left + (np.arange(w) + 0.5) * CELL - x
        along = self.empty.front + (np.arange(h) + 0.5) * CELL - y
        away = np.hypot(*np.meshgrid(across, along))
        bent = lift * np.clip(1 - away / reach, 0, 1) ** 2 * ~beside
        on = top > 0
        hue = np.array(self.plastic, np.float32) * tone[..., None]
        return Slab(self.empty, np.where(on, top + bent, 0).astype(np.float32), bent.astype(np.float32), hue)

    @functools.cached_property
    def _flat(self) -> list[tuple[np.ndarray, np.ndarray, np.ndarray]]:
        """Height and tone of the print after each layer, and what lies beside it."""
        shape = self.empty.height.shape
        top, tone = np.zeros(shape, np.float32), np.ones(shape, np.float32)
        dice = np.random.default_rng([self.seed, 3])
        beside = np.zeros(shape, bool)
        after = []
        for k, lines in enumerate(self.lines):
            for n, (x0, y0, x1, y1) in enumerate(lines):
                _lay(self.empty, top, tone, (x0, y0, x1, y1), (k + 1) * self.layer_mm, self.layer_mm, dice)
                if k == 0 and n + 1 == self.loose:
                    beside = top > 0
            after.append((top.copy(), tone.copy(), beside))
        return after

    def shoot(self, slab: Slab, nozzle: tuple[float, float, float], run: int) -> np.ndarray:
        """Return a picture, uint8 RGB; each run misses its place by another error."""
        return shoot(slab, self, nozzle, np.random.default_rng([self.seed, run, 13]))


def camera(dice: np.random.Generator) -> scenes.Pinhole:
    """Off the rig's by up to 1 mm, 1 degree, 4 % of the focal length; k1 -0.15 to 0."""
    place = np.array([0.0, -28.0, 34.0]) + dice.uniform(-1, 1, 3) / math.sqrt(3)
    target = np.array([0.0, -6.0, 0.0]) + dice.uniform(-0.5, 0.5, 3)
    focal = 320 / math.tan(math.radians(30)) * (1 + dice.uniform(-0.04, 0.04))
    return scenes.Pinhole(place, target, float(dice.uniform(-1, 1)), focal, float(dice.uniform(-0.15, 0)))


def _lay(
    bed: scenes.Ground,
    top: np.ndarray,
    tone: np.ndarray,
    line: tuple[float, float, float, float],
    high: float,
    thick: float,
    dice: np.random.Generator,
) -> None:
    """Put a line with a rounded top onto a height map."""
    ends = np.array(line).reshape(2, 2)
    origin = np.array([bed.left, bed.front])
    half = scenes.PITCH / 2 + 0.03
    low = np.maximum(((ends.min(axis=0) - half - origin) / CELL).astype(int), 0)
    back = np.ceil((ends.max(axis=0) + half - origin) / CELL).astype(int) + 1
    part = (slice(low[1], back[1]), slice(low[0], back[0]))
    places = [origin[i] + (np.arange(low[i], back[i]) + 0.5) * CELL for i in (0, 1)]
    x, y = np.meshgrid(*places)
    x, y = x[: top[part].shape[0], : top[part].shape[1]], y[: top[part].shape[0], : top[part].shape[1]]
    way = ends[1] - ends[0]
    t = np.clip(((x - ends[0, 0]) * way[0] + (y - ends[0, 1]) * way[1]) / max(way @ way, 1e-12), 0, 1)
    off = np.hypot(x - ends[0, 0] - t * way[0], y - ends[0, 1] - t * way[1]) / half
    on = off < 1
    height = high - 0.4 * thick * (1 - np.sqrt(np.maximum(0, 1 - off**2)))
    tone[part] = np.where(on & (height > top[part]), np.float32(1 + 0.03 * dice.normal()), tone[part])
    top[part] = np.where(on, np.maximum(height, top[part]), top[part])


def shoot(slab: Slab, box: Box, nozzle: tuple[float, float, float], dice: np.random.Generator) -> np.ndarray:
    """Return the picture, uint8 RGB."""
    spoil, grid, rays = box.spoil, box.grid, box.rays
    h, w = grid.shape[:2]
    tip = np.array(nozzle) + np.array([*dice.normal(0, spoil.parking, 2), 0.0])
    eye = box.camera.place + tip
    down = rays[..., 2] < -0.02
    safe = np.where(down, rays[..., 2], -1.0)
    highest = float(slab.top.max()) + 0.01
    at = np.zeros((2, h, w), np.float32)
    hit = ~down
    on_print = np.zeros((h, w), bool)
    far = np.zeros((h, w))
    for level in np.linspace(highest, 0.0, max(10, int(highest / 0.05))):
        t = (level - eye[2]) / safe
        x = ((eye[0] + t * rays[..., 0] - slab.bed.left) / CELL - 0.5).astype(np.float32)
        y = ((eye[1] + t * rays[..., 1] - slab.bed.front) / CELL - 0.5).astype(np.float32)
        above = cv2.remap(slab.top, x, y, cv2.INTER_LINEAR) >= max(level, 1e-3)
        solid = above & (cv2.remap(slab.under, x, y, cv2.INTER_LINEAR) <= level)
        new = ~hit & (solid | (level == 0.0))
        at[0][new], at[1][new], far[new] = x[new], y[new], t[new]
        on_print |= new & solid
        hit |= new

    def pick(a: np.ndarray, blur: float = 0.0) -> np.ndarray:
        a = cv2.GaussianBlur(a.astype(np.float32), (0, 0), blur) if blur else a.astype(np.float32)
        return cv2.remap(a, at[0], at[1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)

    slope_y, slope_x = np.gradient(cv2.GaussianBlur(slab.top, (0, 0), 1.0), CELL)
    normal = np.stack([-pick(slope_x), -pick(slope_y), np.ones((h, w), np.float32)], -1)
    normal[~on_print] = (0, 0, 1)
    normal /= np.linalg.norm(normal, axis=-1, keepdims=True)
    point = eye + far[..., None] * rays
    lamp = eye + np.array([2.0, -1.0, 3.0]) - point
    dist = np.linalg.norm(lamp, axis=-1, keepdims=True)
    lamp = lamp / np.maximum(dist, 1e-6)
    view = (eye - point) / np.maximum(np.linalg.norm(eye - point, axis=-1, keepdims=True), 1e-6)
    half = (lamp + view) / np.maximum(np.linalg.norm(lamp + view, axis=-1, keepdims=True), 1e-6)
    light = 0.35 + 0.9 * np.maximum(0, (normal * lamp).sum(-1)) * (40 / np.maximum(dist[..., 0], 5)) ** 2
    # where the way from the bed to the lamp meets the raised print, room light alone is left
    over = pick(slab.under)[..., None] * lamp[..., :2] / np.maximum(lamp[..., 2:], 0.1) / CELL
    over_x, over_y = (at[k] + over[..., k].astype(np.float32) for k in (0, 1))
    raised = cv2.remap(slab.top * (slab.under > 0.03), over_x, over_y, cv2.INTER_LINEAR) > 0.05
    light *= np.where(raised & ~on_print, 0.4, 1.0)
    shine = np.maximum(0, (normal * half).sum(-1)) ** 50 * spoil.glare * np.where(on_print, 1.0, 0.5)
    hue = [np.where(on_print, pick(slab.hue[..., c]), pick(slab.bed.hue[..., c])) for c in range(3)]
    picture = np.stack(hue, -1) * light[..., None] + shine[..., None]
    picture[~down] = 0.15
    return scenes.developed(picture, box.camera, far, grid, spoil, dice)
