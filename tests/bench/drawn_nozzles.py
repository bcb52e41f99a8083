"""Photographed nozzles before drawn prints: frames of a camera that rides, whose truth is known.

The nozzle is cut out of a photograph with a soft rim and laid before a room and a print that are new in every
frame; the camera's shaking moves all of it. Nothing here is shared with what measures the frames.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from drawn_frames import Drawn

# corners of nozzle and block in the photographs, in 800ths of the width and 450ths of the height
OUTLINES = {
    "0021": "0,0 800,0 800,45 710,55 700,68 570,68 520,58 508,222 400,345 370,345 270,238 262,85 0,85",
    "1111": "0,0 620,0 620,4 500,12 440,30 412,75 398,182 290,315 262,315 145,182 138,35 0,35",
    "2011": "0,0 615,0 600,12 500,14 410,8 396,15 392,190 285,310 255,316 235,305 150,215 132,165 128,25 0,28",  # noqa: E501
    "2120": "225,0 490,0 490,190 400,275 360,315 340,315 310,290 260,205 262,20 225,5",
}


@dataclass(frozen=True, kw_only=True)
class Look:
    """How a camera sees the nozzle."""

    size: tuple[int, int] = (640, 480)
    across: float = 0.75  # share of the photograph's width that is seen: less is closer
    soft_px: float = 0.0
    dirt: int = 0  # spots on the nozzle
    dazzled: bool = False  # windows behind it are blown out
    shake_px: float = 1.0


LOOKS = {
    "640x480": Look(),
    "soft 480x360": Look(size=(480, 360), soft_px=1.5),
    "soft and dazzled 480x360": Look(size=(480, 360), soft_px=1.2, dazzled=True),
    "dirty": Look(dirt=40),
    "half of the width": Look(across=0.5),
    "dazzled": Look(dazzled=True),
    "shaken by 3 px": Look(shake_px=3.0),
}


def _cut(photo: Path, look: Look, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """Return picture (height, width, 3) and share (height, width) of the nozzle, twice the frame's size."""
    image = cv2.imread(str(photo)).astype(np.float32)
    tall, wide = image.shape[:2]
    corners = np.array([part.split(",") for part in OUTLINES[photo.stem].split()], float)
    corners *= [wide / 800, tall / 450]
    mask = cv2.fillPoly(np.zeros((tall, wide), np.float32), [np.rint(corners).astype(np.int32)], 1.0)
    mask = cv2.GaussianBlur(mask, (0, 0), 3.0)
    lowest = corners[corners[:, 1] > 0.6 * tall, 0].mean()
    for _ in range(look.dirt):
        at = rng.uniform([lowest - 150, 0], [lowest + 150, 0.6 * tall])
        cv2.circle(image, np.rint(at).astype(int).tolist(), int(rng.integers(4, 18)),
                   rng.uniform(10, 120, 3).tolist(), -1)  # fmt: skip
    width = look.across * wide
    left = np.clip(lowest - width / 2, 0, wide - width)
    out = (2 * look.size[0], 2 * look.size[1])
    by = out[0] / width
    move = np.array([[by, 0, -left * by], [0, by, 0.0]])
    # what lies below the photograph is print in any case
    picture, share = (cv2.warpAffine(part, move, out, flags=cv2.INTER_AREA, borderMode=cv2.BORDER_REPLICATE)
                      for part in (image, mask))  # fmt: skip
    share[min(out[1], round(tall * by)) :] = 0
    return picture, share


def _behind(look: Look, rng: np.random.Generator) -> np.ndarray:
    """Return a room and a print that nobody saw before, twice the frame's size."""
    width, height = 2 * look.size[0], 2 * look.size[1]
    room = cv2.resize(rng.uniform(10, 190, (4, 6, 3)).astype(np.float32), (width, height),
                      interpolation=cv2.INTER_CUBIC)  # fmt: skip
    for _ in range(4 if look.dazzled else 1):
        x, y = int(rng.uniform(0, width)), int(rng.uniform(0, 0.5 * height))
        room[y : y + height // 3, x : x + width // 4] = 420 if look.dazzled else 180
    room = cv2.GaussianBlur(room, (0, 0), width / 60)
    # beads that run at an angle, in perspective, on a colour of their own
    y, x = np.mgrid[0:height, 0:width].astype(np.float32)
    horizon = height * rng.uniform(0.45, 0.62)
    depth = np.maximum(y - horizon, 1) / height
    angle = rng.uniform(0, np.pi)
    phase = (x - width / 2) / depth / width * np.cos(angle) + np.sin(angle) / depth
    beads = 0.6 + 0.4 * np.sin(phase * rng.uniform(8, 20) + rng.uniform(0, 6))
    grain = cv2.resize(rng.uniform(0.6, 1.0, (height // 8, width // 8)).astype(np.float32), (width, height))
    printed = (beads * grain)[..., None] * rng.uniform(20, 230, 3).astype(np.float32)
    printed = cv2.GaussianBlur(printed, (0, 0), 2.5)
    there = np.clip((y - horizon) / 8, 0, 1)[..., None]
    return np.asarray(room * (1 - there) + printed * there, np.float32)


def draw(folder: Path, photo: Path, title: str, count: int, seed: int) -> Drawn:
    """Write the frames of one look at one photograph and return them with their truth."""
    look, rng = LOOKS[title], np.random.default_rng((seed, int(photo.stem)))
    folder.mkdir(parents=True, exist_ok=True)
    metal, share = _cut(photo, look, rng)
    width, height = look.size
    maps = []
    for place in range(count):
        move = cv2.getRotationMatrix2D((width / 2, height / 2), float(rng.normal(0, 0.05)), 1.0)
        move[:, 2] += rng.normal(0, look.shake_px, 2)
        maps.append(move)
        path = folder / f"{place + 1:06d}.jpg"
        if path.exists():
            continue
        own = np.random.default_rng((seed, int(photo.stem), place))
        view = _behind(look, own) * (1 - share[..., None]) + metal * share[..., None]
        view = cv2.GaussianBlur(view, (0, 0), 1.0)
        # two pixels make one of the frame: their middle is where it was
        half = np.hstack([move[:, :2] / 2, (move[:, 2] - move[:, :2] @ [0.25, 0.25])[:, None]])
        laid = cv2.warpAffine(view, half, look.size, flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
        if look.soft_px:
            laid = cv2.GaussianBlur(laid, (0, 0), look.soft_px)
        laid = laid * np.exp(own.normal(0, 0.03)) + own.normal(0, 1.5, laid.shape)
        codes = np.clip(np.rint(laid), 0, 255).astype(np.uint8)
        cv2.imwrite(str(path), codes, [cv2.IMWRITE_JPEG_QUALITY, 88])
    down, across = np.nonzero(cv2.resize(share, look.size) > 0.95)
    some = np.linspace(0, len(down) - 1, 40).astype(int)
    points = np.stack([across[some], down[some]], axis=1).astype(float)
    return Drawn(
        title=f"{photo.stem}, {title}", folder=folder, size=look.size,
        bodies={"nozzle": (points, np.array(maps))},
    )  # fmt: skip


def every_set(folder: Path, photos: Path, count: int, seed: int) -> Iterator[Drawn]:
    """Draw all looks at all photographs of a folder that are known, one after the other."""
    for photo in sorted(photos.glob("*.jpg")):
        if photo.stem in OUTLINES:
            for number, title in enumerate(LOOKS):
                yield draw(folder / f"{photo.stem}-{number}-{seed}", photo, title, count, seed)
