"""What may spoil the pictures of a nozzle camera: a clump on the nozzle, motion.

No code of the project draws. A clump is balls of plastic met by rays of OpenCV's camera model. Motion is a
straight path of the picture in linear light, the nozzle left still.
"""

from __future__ import annotations

import math
from dataclasses import replace

import cv2
import numpy as np
import second_scenes as scenes

from twinlapse.optics.pose import Pose, looking_of
from twinlapse.rig import Camera


def known_camera(true: scenes.Pinhole) -> Camera:
    """The project's camera that takes the same pictures."""
    place, look, roll = looking_of(Pose(place_mm=true.place, axes=true.turn()), 40.0)
    plain = Camera(name="nozzle", mount="toolhead", place_mm=place, look_mm=look, roll_deg=roll)
    across = 2 * math.degrees(math.atan(true.size[0] / 2 / true.focal_px))
    return replace(plain, lens=replace(plain.lens, across_deg=across, distortion=(true.k1, 0.0, 0.0, 0.0)))


def clump_of(wide_mm: float, plastic: tuple[float, ...], dice: np.random.Generator) -> list[tuple]:
    """A few balls of plastic on the cone or under the tip: middle, radius and colour each."""
    turn, up = dice.uniform(0, 2 * math.pi), dice.uniform(0.3, 2.0)
    out = 0.4 + up * 0.75  # the cone there
    middle = np.array([out * math.cos(turn), out * math.sin(turn), up])
    balls = [(middle, wide_mm / 2)]
    for _ in range(3):
        balls.append((middle + dice.normal(0, wide_mm / 4, 3), wide_mm / 2 * dice.uniform(0.4, 0.8)))
    return [(at, radius, np.array(plastic) * dice.uniform(0.7, 1.1)) for at, radius in balls]


def with_clump(
    picture: np.ndarray, camera: scenes.Pinhole, balls: list[tuple], dice: np.random.Generator
) -> np.ndarray:
    """Paint balls that hang on the nozzle over a picture, shaded by a lamp beside the lens.

    What is behind the nozzle's cone is painted over by it.
    """
    turn = camera.turn()
    light = np.power(picture.astype(np.float64) / 255, 2.2)
    before = light.copy()
    gain = np.percentile(light.mean(-1), 97) / 0.75
    w, h = camera.size
    x, y = np.meshgrid(np.arange(w), np.arange(h))
    flat = cv2.undistortPoints(
        np.stack([x, y], -1).reshape(-1, 1, 2).astype(np.float64),
        camera.matrix(),
        np.array([camera.k1, 0, 0, 0, 0]),
    ).reshape(h, w, 2)
    rays = np.concatenate([flat, np.ones((h, w, 1))], -1)
    rays /= np.linalg.norm(rays, axis=-1, keepdims=True)
    near = np.full((h, w), np.inf)
    for at, radius, hue in balls:
        middle = turn @ (at - camera.place)
        along = rays @ middle
        off = middle @ middle - along**2
        hit = off < radius**2
        far = along - np.sqrt(np.maximum(radius**2 - off, 0))
        normal = (rays * far[..., None] - middle) / radius
        shade = 0.35 + 0.8 * np.maximum(0, -(normal * rays).sum(-1))
        front = hit & (far < near)
        light[front] = (max(gain, 0.3) * shade[..., None] * hue)[front]
        near = np.where(front, far, near)
    cone = nozzle_of(camera, (h, w))
    axis = np.linalg.norm(camera.place)  # what is further than the nozzle's axis is hidden by the cone
    light = np.where((cone & (near > axis))[..., None], before, light)
    out = 255 * np.power(np.clip(light, 0, 1), 1 / 2.2)
    changed = np.abs(light - before).max(-1) > 0
    out = out + dice.normal(0, 2.0, out.shape) * changed[..., None]
    return np.clip(out, 0, 255).astype(np.uint8)


def nozzle_of(camera: scenes.Pinhole, shape: tuple[int, int]) -> np.ndarray:
    """Return where the renderer paints the nozzle and the block."""
    light = np.zeros((*shape, 3))
    scenes._nozzle(light, camera, np.zeros(shape))
    return light.any(axis=2)


def moved(picture: np.ndarray, length_px: float, angle_rad: float, still: np.ndarray) -> np.ndarray:
    """Return the picture with all but the nozzle moved along a straight path while it was exposed."""
    light = np.power(picture.astype(np.float32) / 255, 2.2)
    total = np.zeros_like(light)
    steps = np.linspace(-0.5, 0.5, 25) * length_px
    for step in steps:
        way = np.array([[1, 0, step * math.cos(angle_rad)], [0, 1, step * math.sin(angle_rad)]])
        total += cv2.warpAffine(light, way, picture.shape[1::-1], borderMode=cv2.BORDER_REPLICATE)
    total /= len(steps)
    soft = cv2.GaussianBlur(still.astype(np.float32), (0, 0), 1.0)[..., None]
    return np.round(255 * np.power(np.clip(soft * light + (1 - soft) * total, 0, 1), 1 / 2.2)).astype(
        np.uint8
    )
