"""The things around the print: head, gantry, frame, table, wall, and the textures of bed and room."""

from __future__ import annotations

from functools import lru_cache

import cv2
import numpy as np
from numpy.typing import NDArray

from twinlapse.arrays import Float, Float32
from twinlapse.rehearsal.mesh import Mesh, box, cone, joined, prism
from twinlapse.rig import Printer

__all__ = [
    "ACCENT",
    "BED_THICK_MM",
    "BRASS",
    "GRAIN_STEP_MM",
    "OLD_BRASS",
    "PLATE_HUE",
    "PLATE_STEP_MM",
    "PROFILE",
    "SHELL",
    "SOCK",
    "STEEL",
    "TABLE_BELOW_MM",
    "WALL_BEHIND_MM",
    "bed_plate",
    "clump_mesh",
    "frame_mesh",
    "gantry_mesh",
    "grain_tile",
    "head_mesh",
    "speckle",
    "table_texture",
    "to_linear",
    "wall_texture",
]

BRASS = (0.46, 0.26, 0.075)
OLD_BRASS = (0.055, 0.045, 0.012)
STEEL = (0.42, 0.43, 0.45)
SOCK = (0.022, 0.026, 0.034)
SHELL = (0.035, 0.037, 0.042)
ACCENT = (0.05, 0.32, 0.16)
PROFILE = (0.10, 0.105, 0.115)
PLATE_STEP_MM = 0.5
PLATE_HUE = np.array([0.90, 1.0, 1.16])
GRAIN_STEP_MM = 0.05
BED_THICK_MM = 4.0
_SMEARED = 0.2  # height of what clings to the nozzle, of its radius
TABLE_BELOW_MM = 62.0
WALL_BEHIND_MM = 260.0


def head_mesh(brass: tuple[float, float, float] = BRASS) -> Mesh:
    """Return the print head, the nozzle's tip at the origin; old brass is dark."""
    fins = [cone((0, 2, 22 + 4 * i), (0, 2, 24 + 4 * i), (11, 11), STEEL, 20) for i in range(3)]
    return joined(
        cone((0, 0, 0), (0, 0, 0.5), (0.42, 0.5), brass, 40),
        cone((0, 0, 0.5), (0, 0, 3.0), (0.5, 2.6), brass, 40),
        cone((0, 0, 3.0), (0, 0, 4.6), (2.6, 2.6), brass, 40),
        prism((0, 0, 4.6), 7.6, 3.4, brass),
        box((-16, -2.6, 7.6), (3.4, 11, 17), SOCK),
        cone((0, 2, 16), (0, 2, 22), (2, 2), STEEL, 12),
        *fins,
        box((-20, -6, 34), (16, 22, 60), SHELL),
        box((-20.4, -6.4, 50), (16.4, -4, 53), ACCENT),
        cone((-2, -8, 43), (-2, -6, 43), (8.5, 8.5), (0.012, 0.012, 0.013), 24),
        box((-22, 8, 8), (-13, 24, 40), SHELL),
    )


def clump_mesh(hue: tuple[float, float, float]) -> Mesh:
    """Return filament that clings to the nozzle, the tip at the origin: flat smears, drops, burnt crusts."""
    dice = np.random.default_rng(36)
    burnt = (0.15 * hue[0] + 0.02, 0.15 * hue[1] + 0.012, 0.15 * hue[2] + 0.006)
    lumps = []
    for k in range(26):
        z = float(dice.uniform(0.25, 4.4))
        out = 0.5 + 2.1 * min(max((z - 0.5) / 2.5, 0.0), 1.0)  # radius of the nozzle there
        turn, size = float(dice.uniform(0, 2 * np.pi)), float(dice.uniform(0.1, 0.75) ** 1.5 + 0.08)
        outward = np.array([np.cos(turn), np.sin(turn), -0.8 if 0.5 < z < 3 else 0.0])
        outward /= np.linalg.norm(outward)
        drop = _drop((0.0, 0.0, 0.0), 1.3 * size, burnt if k % 3 else hue)
        flat = np.eye(3) - (1 - _SMEARED) * np.outer(outward, outward)  # smeared along the brass
        lumps.append(
            Mesh(
                corners_mm=drop.corners_mm @ flat + [out * np.cos(turn), out * np.sin(turn), z],
                normals=_unit(drop.normals @ np.linalg.inv(flat)),
                hues=drop.hues,
            )
        )
    return joined(*lumps)


def _unit(normals: Float) -> Float:
    return np.asarray(normals / np.maximum(np.linalg.norm(normals, axis=-1, keepdims=True), 1e-9))


def _drop(middle_mm: tuple[float, float, float], radius_mm: float, hue: tuple[float, float, float]) -> Mesh:
    """Return a ball of five rings."""
    x, y, z = (float(v) for v in middle_mm)
    angle = np.radians([-89, -45, -15, 15, 45, 89])
    height, wide = z + radius_mm * np.sin(angle), radius_mm * np.cos(angle)
    return joined(
        *(
            cone((x, y, low), (x, y, high), (a, b), hue, 10)
            for low, high, a, b in zip(
                height[:-1].tolist(), height[1:].tolist(), wide[:-1].tolist(), wide[1:].tolist(), strict=True
            )
        )
    )


def gantry_mesh(printer: Printer) -> Mesh:
    """Return the X beam and its ends; along X in G-code coordinates, along Y and Z from the nozzle's tip."""
    low, high = printer.x_range_mm
    return joined(
        box((low - 44, 24, 34), (high + 44, 44, 54), PROFILE),
        box((low - 44, 22.5, 42), (high + 44, 24, 46), STEEL),
        box((low - 66, 14, 24), (low - 40, 56, 74), SHELL),
        box((high + 40, 14, 24), (high + 66, 56, 74), SHELL),
    )


def frame_mesh(printer: Printer, head_y_mm: float) -> Mesh:
    """Return the machine's standing parts in the frame of the room."""
    x0, x1 = printer.x_range_mm
    y0, y1 = printer.y_range_mm
    top = printer.height_mm + 90
    foot = -TABLE_BELOW_MM
    if printer.kinematics == "bed-moves-y":
        back = head_y_mm + 26
        posts = [box((x - 11, back, foot), (x + 11, back + 22, top), PROFILE) for x in (x0 - 54, x1 + 54)]
        rails = [
            box((x - 8, head_y_mm - 200, -34), (x + 8, head_y_mm + 170, -16), PROFILE)
            for x in ((x0 + x1) / 2 - 60, (x0 + x1) / 2 + 60)
        ]
        return joined(
            *posts,
            *rails,
            box((x0 - 65, back, top), (x1 + 65, back + 22, top + 22), PROFILE),
            box((x0 - 65, back - 10, foot), (x1 + 65, back + 32, foot + 26), PROFILE),
            box((x0 - 30, head_y_mm - 190, foot), (x1 + 30, head_y_mm - 168, foot + 30), PROFILE),
            box((x0 - 30, head_y_mm + 150, foot), (x1 + 30, head_y_mm + 172, foot + 30), PROFILE),
        )
    if printer.kinematics == "bed-moves-z":
        corners = [(x, y) for x in (x0 - 60, x1 + 60) for y in (y0 - 60, y1 + 60)]
        posts = [
            box((x - 10, y - 10, -printer.height_mm - 60), (x + 10, y + 10, 70), PROFILE)
            for x, y in corners[1:]
        ]
        rails = [box((x - 10, y0 - 60, 40), (x + 10, y1 + 60, 60), PROFILE) for x in (x0 - 60, x1 + 60)]
        return joined(*posts, *rails, box((x0 - 60, y1 + 50, 40), (x1 + 60, y1 + 70, 60), PROFILE))
    reach = max(x1 - x0, y1 - y0) / 2 + 50
    middle = ((x0 + x1) / 2, (y0 + y1) / 2)
    towers = []
    for degrees in (90, 210, 330):
        x = middle[0] + reach * np.cos(np.radians(degrees))
        y = middle[1] + reach * np.sin(np.radians(degrees))
        towers.append(cone((x, y, foot), (x, y, top + 150), (11, 11), PROFILE, 12))
    return joined(*towers)


def to_linear(picture: NDArray[np.generic]) -> Float32:
    """Return 8-bit sRGB as linear light (IEC 61966-2-1)."""
    value = picture.astype(np.float32) / 255
    return np.where(value <= 0.04045, value / 12.92, ((value + 0.055) / 1.055) ** 2.4).astype(np.float32)


def speckle(dice: np.random.Generator, shape: tuple[int, int], sigmas: tuple[float, ...]) -> Float32:
    """Return a seamless texture of mean 0 and spread 1: noise blurred to several sizes of grain."""
    total = np.zeros(shape, np.float32)
    for sigma in sigmas:
        noise = dice.standard_normal(shape).astype(np.float32)
        if sigma > 0:
            margin = int(4 * sigma) + 1
            padded = np.pad(noise, margin, mode="wrap")
            blurred = cv2.GaussianBlur(padded, (0, 0), sigma)[margin:-margin, margin:-margin]
            noise = np.asarray(blurred, np.float32)
        total += noise / noise.std()
    return np.asarray(total / total.std(), np.float32)


@lru_cache(maxsize=4)
def grain_tile(*, textured: bool = True, pebbled: bool = False) -> Float32:
    """Return the bed's fine texture, mean 1; it repeats after 51.2 mm. `pebbled` is a coarse grain."""
    if pebbled:  # grains of a third of a millimetre, bright on their tops, as powder-coated sheets have them
        grain = speckle(np.random.default_rng(35), (1024, 1024), (3.0, 4.0))
        return np.asarray(np.clip(1 + 0.55 * np.maximum(grain, -0.8), 0.3, 2.6), np.float32)
    dice = np.random.default_rng(31)
    grain = speckle(dice, (1024, 1024), (1.2, 2.5, 6.0))
    depth = 0.22 if textured else 0.03
    return np.asarray(np.clip(1 + depth * grain, 0.3, 2.0), np.float32)


@lru_cache(maxsize=4)
def bed_plate(printer: Printer, *, lines: bool = True, level: float = 36.0) -> Float32:
    """Return the bed's brightness: a sheet of a level, with `lines` a grid of 10 mm, a name and scuffs."""
    step = PLATE_STEP_MM
    size = (round(printer.bed_mm[0] / step), round(printer.bed_mm[1] / step))
    dice = np.random.default_rng(32)
    plate: Float32 = np.full((size[1], size[0]), level, np.float32)
    plate += 2.6 * speckle(dice, (size[1], size[0]), (0.0, 1.5, 5.0, 18.0))
    if not lines:
        return to_linear(np.clip(plate, 0, 255).astype(np.uint8))
    grid = np.zeros((size[1], size[0]), np.float32)
    for k in range(0, int(max(printer.bed_mm)) + 1, 10):
        at, strong = round(k / step), 1.0 if k % 50 == 0 else 0.45
        if at < size[0]:
            grid[:, at] = np.maximum(grid[:, at], strong)
        if at < size[1]:
            grid[at, :] = np.maximum(grid[at, :], strong)
    plate += 34 * cv2.GaussianBlur(grid, (0, 0), 0.6)
    for _ in range(9):
        angle, length = dice.uniform(0, np.pi), dice.uniform(15, 70) / step
        middle = dice.uniform(0.1, 0.9, 2) * size
        way = 0.5 * length * np.array([np.cos(angle), np.sin(angle)])
        scratch = np.zeros((size[1], size[0]), np.uint8)
        first, last = np.rint(middle - way).astype(int), np.rint(middle + way).astype(int)
        cv2.line(scratch, first.tolist(), last.tolist(), (255,), 1, cv2.LINE_AA)
        plate += scratch * np.float32(9 / 255)
    _write(plate, "GARDEN CLUB", (0.06, 0.055), 0.9 * size[0] / 440)
    _write(plate, "220", (0.88, 0.95), 0.6 * size[0] / 440)
    return to_linear(np.clip(plate, 0, 255).astype(np.uint8))


def _write(plate: Float32, text: str, at: tuple[float, float], scale: float) -> None:
    ink: NDArray[np.uint8] = np.zeros((plate.shape[0], plate.shape[1]), np.uint8)
    height, width = plate.shape[0], plate.shape[1]
    place = (int(at[0] * width), int((1 - at[1]) * height))
    cv2.putText(ink, text, place, cv2.FONT_HERSHEY_SIMPLEX, scale, 255, 1, cv2.LINE_AA)
    plate += ink[::-1] * np.float32(90 / 255)  # row 0 of the plate is the front edge


@lru_cache(maxsize=4)
def table_texture() -> Float32:
    """Return 1600 x 1600 mm of table top, 1 mm a cell."""
    dice = np.random.default_rng(33)
    fine = speckle(dice, (1600, 1600), (0.0, 1.0))
    streaks = cv2.resize(speckle(dice, (1600, 64), (0.8,)), (1600, 1600), interpolation=cv2.INTER_CUBIC)
    boards = np.repeat(dice.uniform(-1, 1, 16), 100)[:, None]
    tone = 1 + 0.045 * fine + 0.10 * streaks + 0.10 * boards
    tone[::100] *= 0.45
    tone[1::100] *= 0.7
    return np.asarray((np.clip(tone, 0.1, 2)[:, :, None] * np.array([0.23, 0.135, 0.07])), np.float32)


@lru_cache(maxsize=4)
def wall_texture() -> Float32:
    """Return 1800 x 1000 mm of wall with a shelf of pots and a few pinned sheets, row 0 on top."""
    dice = np.random.default_rng(34)
    wall = np.full((1000, 1800, 3), (168, 172, 160), np.float32)
    wall += 3.2 * speckle(dice, (1000, 1800), (0.7, 3.0, 30.0))[:, :, None]
    canvas = np.clip(wall, 0, 255).astype(np.uint8)
    cv2.rectangle(canvas, (0, 560), (1800, 584), (96, 70, 48), -1)
    cv2.rectangle(canvas, (0, 584), (1800, 592), (52, 38, 28), -1)
    for k in range(14):
        x, tall = 70 + 128 * k + int(dice.uniform(-20, 20)), int(dice.uniform(60, 105))
        clay = (176 + int(dice.uniform(-18, 18)), 92 + int(dice.uniform(-12, 12)), 58)
        pot = np.array([[x - 40, 560 - tall], [x + 40, 560 - tall], [x + 28, 560], [x - 28, 560]])
        cv2.fillPoly(canvas, [pot], clay, cv2.LINE_AA)
        cv2.rectangle(canvas, (x - 45, 560 - tall - 14), (x + 45, 560 - tall + 4), clay, -1)
        for _ in range(18):
            tip = (x + int(dice.uniform(-55, 55)), 560 - tall - int(dice.uniform(25, 130)))
            green = (70 + int(dice.uniform(-25, 25)), 124 + int(dice.uniform(-30, 30)), 58)
            cv2.line(canvas, (x, 560 - tall - 14), tip, green, 3, cv2.LINE_AA)
            cv2.ellipse(canvas, tip, (15, 7), float(dice.uniform(0, 180)), 0, 360, green, -1, cv2.LINE_AA)
    for k in range(6):
        x, y = 120 + 290 * k, 660 + int(dice.uniform(0, 60))
        cv2.rectangle(canvas, (x, y), (x + 150, y + 200), (222, 220, 208), -1)
        for row in range(7):
            cv2.line(
                canvas,
                (x + 15, y + 30 + 22 * row),
                (x + int(dice.uniform(70, 135)), y + 30 + 22 * row),
                (120, 122, 126),
                3,
            )
    return to_linear(cv2.GaussianBlur(canvas, (0, 0), 1.6)) * 0.5
