"""Frames whose truth is known, drawn by code that shares nothing with what measures them.

A scene is a photograph; a bed, a print and a toolhead may move in it by motions of their own. Every pixel of
a frame is one evaluation of Catmull and Rom's cubic at its exact place in the scene, for any map from frame
to scene: shift, turn, scale, a shear that rises from row to row (a rolling shutter), and the mean over
several maps for a frame that moved while it was exposed. Noise and JPEG come last.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import numba
import numpy as np
from PIL import Image

Plane = np.ndarray
OPENCV_SAMPLES = Path("/usr/share/doc/opencv-doc/examples/data")  # Debian's package opencv-doc
MARGIN_PX = 150  # of the scene around the first frame


@dataclass(frozen=True, kw_only=True)
class Drawn:
    """n frames on the disk, and for each body where its points lie in each of them."""

    title: str
    folder: Path
    size: tuple[int, int]
    bodies: dict[str, tuple[Plane, Plane]]  # name -> (k, 2) points in frame 0's pixels, (n, 2, 3) their maps
    unusable: frozenset[int] = frozenset()  # places of frames that show nothing that could be held
    hold: str = "auto"

    def residuals(self, matrices: Plane, body: str) -> Plane:
        """Return (n, k) px: how far points of a body lie from their usual place once `matrices` are undone.

        ``matrices`` (n, 2, 3) lead from a common reference to each frame; which one does not matter.
        """
        points, true = self.bodies[body]
        landed = []
        for matrix, own in zip(matrices, true, strict=True):
            there = points @ own[:, :2].T + own[:, 2]
            landed.append((there - matrix[:, 2]) @ np.linalg.inv(matrix[:, :2]).T)
        at = np.array(landed)
        good = [place for place in range(len(at)) if place not in self.unusable]
        return np.hypot(*np.moveaxis(at - np.median(at[good], axis=0), -1, 0))


@dataclass(frozen=True, kw_only=True)
class Shake:
    """How a frame was taken: its map from frame to scene is built from these."""

    x_px: float = 0.0
    y_px: float = 0.0
    turn_deg: float = 0.0
    scale: float = 1.0
    row_skew: float = 0.0  # px to the right for each row down
    blur_px: tuple[float, float] = (0.0, 0.0)  # way during the exposure
    light: float = 1.0
    bed_px: tuple[float, float] = (0.0, 0.0)

    def map(self, size: tuple[int, int]) -> Plane:
        """Return the map from a place in a still frame to this one, (2, 3)."""
        turn = np.deg2rad(self.turn_deg)
        spin = self.scale * np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
        spin = np.array([[1.0, self.row_skew], [0.0, 1.0]]) @ spin
        middle = np.array(size) / 2
        return np.hstack([spin, (middle - spin @ middle + [self.x_px, self.y_px])[:, None]])


@numba.njit(cache=True, fastmath=True)
def _sampled(scene, maps, height, width, out):  # type: ignore[no-untyped-def]
    """Fill `out` (height, width, 3) with the mean over maps (m, 2, 3) from its pixels to the scene."""
    rows, columns = scene.shape[0], scene.shape[1]
    weights_x, weights_y = np.zeros(4), np.zeros(4)
    for y in range(height):
        for x in range(width):
            for c in range(3):
                out[y, x, c] = 0.0
            for m in range(maps.shape[0]):
                at_x = maps[m, 0, 0] * x + maps[m, 0, 1] * y + maps[m, 0, 2]
                at_y = maps[m, 1, 0] * x + maps[m, 1, 1] * y + maps[m, 1, 2]
                at_x = min(max(at_x, 1.0), columns - 3.001)
                at_y = min(max(at_y, 1.0), rows - 3.001)
                left, top = int(at_x), int(at_y)
                for weights, t in ((weights_x, at_x - left), (weights_y, at_y - top)):
                    weights[0] = 0.5 * (-t + 2 * t * t - t * t * t)
                    weights[1] = 0.5 * (2 - 5 * t * t + 3 * t * t * t)
                    weights[2] = 0.5 * (t + 4 * t * t - 3 * t * t * t)
                    weights[3] = 0.5 * (-t * t + t * t * t)
                for j in range(4):
                    for i in range(4):
                        share = weights_y[j] * weights_x[i] / maps.shape[0]
                        for c in range(3):
                            out[y, x, c] += share * scene[top - 1 + j, left - 1 + i, c]


def _seen(scene: Plane, shake: Shake, size: tuple[int, int], offset: tuple[float, float] = (0, 0)) -> Plane:
    """Return what a camera sees of a scene whose pixel (MARGIN, MARGIN) is the corner of a still frame."""
    forward = np.vstack([shake.map(size), [0, 0, 1]])
    steps = max(1, int(np.ceil(np.hypot(*shake.blur_px))) * 2)
    maps = []
    for part in (np.arange(steps) + 0.5) / steps - 0.5:
        moved = forward.copy()
        moved[0, 2] += part * shake.blur_px[0]
        moved[1, 2] += part * shake.blur_px[1]
        back = np.linalg.inv(moved)[:2].copy()
        back[:, 2] += MARGIN_PX - np.array(offset)
        maps.append(back)
    out = np.empty((size[1], size[0], 3), np.float32)
    _sampled(scene, np.array(maps), size[1], size[0], out)
    return out


def photograph(name: str, size: tuple[int, int]) -> Plane:
    """Return a published photograph in linear light, enlarged to a frame and its margins."""
    import matplotlib
    from skimage import data

    if name == "grace_hopper":
        path = Path(matplotlib.get_data_path()) / "sample_data" / "grace_hopper.jpg"
        image = Image.open(path)
    elif name.endswith((".jpg", ".png")):
        image = Image.open(OPENCV_SAMPLES / name)
    elif name == "motorcycle":
        image = Image.fromarray(data.stereo_motorcycle()[0])
    else:
        image = Image.fromarray(getattr(data, name)())
    whole = (size[0] + 2 * MARGIN_PX, size[1] + 2 * MARGIN_PX)
    image = image.convert("RGB")
    by = max(whole[0] / image.width, whole[1] / image.height)
    image = image.resize((round(image.width * by), round(image.height * by)), Image.Resampling.BICUBIC)
    left, top = (image.width - whole[0]) // 2, (image.height - whole[1]) // 2
    pixels = np.asarray(image.crop((left, top, left + whole[0], top + whole[1])), np.float32) / 255
    return pixels**2.2 * 0.8


def _shakes(rng: np.random.Generator, count: int, px: float, turn_deg: float = 0.03) -> list[Shake]:
    return [
        Shake(
            x_px=rng.normal(0, px),
            y_px=rng.normal(0, px),
            turn_deg=rng.normal(0, turn_deg),
            light=float(np.exp(rng.normal(0, 0.02))),
        )
        for _ in range(count)
    ]


@dataclass(kw_only=True)
class Drawing:
    """How a set is drawn, and the frames as they come."""

    title: str
    folder: Path
    size: tuple[int, int]
    scene: Plane
    shakes: list[Shake]
    seed: int = 0
    over: Callable[[Plane, Shake, int, np.random.Generator], None] = lambda view, shake, place, rng: None
    avoid: Callable[[Plane], Plane] = lambda points: np.ones(len(points), bool)
    bodies: dict[str, Plane] = field(default_factory=dict)  # name -> points that move with the bed
    unusable: frozenset[int] = frozenset()
    hold: str = "auto"
    quality: int = 90

    def write(self) -> Drawn:
        """Write the frames and return them with their truth."""
        rng = np.random.default_rng(self.seed + 99)
        self.folder.mkdir(parents=True, exist_ok=True)
        maps, moved = [], []
        for place, shake in enumerate(self.shakes):
            true = shake.map(self.size)
            maps.append(true)
            bed = true.copy()
            bed[:, 2] += true[:, :2] @ np.array(shake.bed_px)
            moved.append(bed)
            path = self.folder / f"{place + 1:06d}.jpg"
            if path.exists():
                continue
            own = np.random.default_rng((self.seed, place))
            view = _seen(self.scene, shake, self.size)
            self.over(view, shake, place, own)
            codes = 255 * np.clip(view * shake.light, 0, 1) ** (1 / 2.2)
            codes = codes + rng.normal(0, 1.5, codes.shape)
            Image.fromarray(np.clip(np.rint(codes), 0, 255).astype(np.uint8)).save(path, quality=self.quality)
        width, height = self.size
        grid = np.stack(np.meshgrid(np.linspace(0.05, 0.95, 7), np.linspace(0.05, 0.95, 7)), -1).reshape(
            -1, 2
        )
        points = grid * [width, height]
        bodies = {"surroundings": (points[self.avoid(points)], np.array(maps))}
        for name, at in self.bodies.items():
            bodies[name] = (at, np.array(moved))
        return Drawn(
            title=self.title,
            folder=self.folder,
            size=self.size,
            bodies=bodies,
            unusable=self.unusable,
            hold=self.hold,
        )


def _noise(rng: np.random.Generator, height: int, width: int, grain_px: int) -> Plane:
    """Return a surface with grain of some pixels, (height, width, 3) linear light."""
    rows, columns = height // grain_px + 2, width // grain_px + 2
    coarse = rng.uniform(0.05, 0.6, (rows, columns, 1)) * rng.uniform(0.6, 1.0, 3)
    image = [
        Image.fromarray(coarse[..., c].astype(np.float32)).resize((width, height), Image.Resampling.BICUBIC)
        for c in range(3)
    ]
    return np.stack([np.asarray(part) for part in image], axis=-1)


def breathing(folder: Path, name: str, count: int, seed: int) -> Drawn:
    """1080p, mild shake, scale that breathes by 0.1 %: focus that hunts."""
    size, rng = (1920, 1080), np.random.default_rng(seed)
    shakes = [
        Shake(**{**vars(shake), "scale": 1 + 0.001 * np.sin(0.7 * place) + rng.normal(0, 0.0003)})
        for place, shake in enumerate(_shakes(rng, count, 1.2))
    ]
    return Drawing(
        title=f"1080p, scale breathes: {name}",
        folder=folder,
        size=size,
        scene=photograph(name, size),
        shakes=shakes,
        seed=seed,
    ).write()


def blurred(folder: Path, name: str, count: int, seed: int) -> Drawn:
    """Every third frame moved by up to 25 px while it was exposed."""
    size, rng = (1280, 720), np.random.default_rng(seed)
    shakes = []
    for place, shake in enumerate(_shakes(rng, count, 1.5)):
        way = (0.0, 0.0)
        if place % 3 == 1 or (seed % 2 and place % 3 == 2):
            length, angle = rng.uniform(4, 25), rng.uniform(0, np.pi)
            way = (length * np.cos(angle), length * np.sin(angle))
        shakes.append(Shake(**{**vars(shake), "blur_px": way}))
    return Drawing(
        title=f"blurred up to 25 px: {name}",
        folder=folder,
        size=size,
        scene=photograph(name, size),
        shakes=shakes,
        seed=seed,
    ).write()


def with_head(folder: Path, name: str, count: int, seed: int) -> Drawn:
    """A toolhead somewhere in every frame, and a print that is new in every frame on half of the picture."""
    size, rng = (1280, 720), np.random.default_rng(seed)
    width, height = size
    body = _noise(np.random.default_rng(seed + 5), 260, 330, 9) * 0.5

    def over(view: Plane, shake: Shake, place: int, own: np.random.Generator) -> None:
        top = int(height * (0.92 - 0.84 * (place + 1) / count))
        view[top : int(height * 0.92), int(0.25 * width) : int(0.85 * width)] = _noise(
            own, int(height * 0.92) - top, int(0.85 * width) - int(0.25 * width), 7
        )
        x, y = int(own.uniform(0, width - 330)), int(own.uniform(-100, max(top - 200, -90)))
        y0 = max(0, y)
        view[y0 : y + 260, x : x + 330] = body[y0 - y :]

    def avoid(points: Plane) -> Plane:
        inside = (np.abs(points[:, 0] / width - 0.55) < 0.31) & (points[:, 1] > 0.06 * height)
        return ~inside

    return Drawing(
        title=f"head in every frame, print on half: {name}",
        folder=folder,
        size=size,
        scene=photograph(name, size),
        shakes=_shakes(rng, count, 1.5),
        seed=seed,
        over=over,
        avoid=avoid,
    ).write()


def small(folder: Path, name: str, count: int, seed: int) -> Drawn:
    """320x240 from a cheap camera, a print growing."""
    size, rng = (320, 240), np.random.default_rng(seed)

    def over(view: Plane, shake: Shake, place: int, own: np.random.Generator) -> None:
        top = int(210 - 130 * (place + 1) / count)
        view[top:210, 110:210] = _noise(own, 210 - top, 100, 4)

    return Drawing(
        title=f"320x240: {name}",
        folder=folder,
        size=size,
        scene=photograph(name, size),
        shakes=_shakes(rng, count, 2.5 if seed % 2 else 1.0, 0.05),
        seed=seed,
        over=over,
        avoid=lambda points: ~((np.abs(points[:, 0] - 160) < 55) & (points[:, 1] > 70)),
        quality=85,
    ).write()


def parked_bed(folder: Path, name: str, count: int, seed: int, px: float = 2.0) -> Drawn:
    """A bed with a texture of its own that stops 2 px off (standard deviation), a print growing on it."""
    size, rng = (1280, 720), np.random.default_rng(seed)
    width, height = size
    shakes = [
        Shake(**{**vars(shake), "bed_px": tuple(rng.normal(0, px, 2))}) for shake in _shakes(rng, count, 1.0)
    ]
    bed = photograph("brick", size)
    y, x = np.mgrid[0:height, 0:width].astype(np.float32)

    def over(view: Plane, shake: Shake, place: int, own: np.random.Generator) -> None:
        seen = _seen(bed, shake, size, offset=tuple(shake.map(size)[:, :2] @ np.array(shake.bed_px)))
        forward = shake.map(size)
        dx, dy = forward[:, 2] + forward[:, :2] @ np.array(shake.bed_px)
        # a trapezoid: the bed as a camera before the machine sees it
        far, side = (0.34, 0.36) if seed % 2 else (0.52, 0.24)
        share = np.clip((y - dy - far * height) / ((0.92 - far) * height), 0, 1)
        inside = (
            (y - dy > far * height)
            & (y - dy < 0.9 * height)
            & (np.abs(x - dx - 0.5 * width) < width * (side + 0.1 * share))
        )
        view[inside] = seen[inside]
        left, foot = round(0.42 * width + dx), round(0.72 * height + dy)
        top = int(foot - 6 - 0.5 * height * place / count)
        view[top:foot, left : left + int(0.16 * width)] = _noise(own, foot - top, int(0.16 * width), 6)

    foot = np.stack(np.meshgrid(np.linspace(0.40, 0.60, 4) * width, [0.75 * height]), -1).reshape(-1, 2)

    def avoid(points: Plane) -> Plane:
        return ~((np.abs(points[:, 0] / width - 0.5) < 0.47) & (points[:, 1] > 0.15 * height))

    return Drawing(
        title=f"bed parks {px:g} px off: {name}",
        folder=folder,
        size=size,
        scene=photograph(name, size),
        shakes=shakes,
        seed=seed,
        over=over,
        avoid=avoid,
        bodies={"print": foot},
    ).write()


def skewed_rows(folder: Path, name: str, count: int, seed: int) -> Drawn:
    """Rows that lean from frame to frame: a rolling shutter on a camera that trembles."""
    size, rng = (1280, 720), np.random.default_rng(seed)
    shakes = [
        Shake(**{**vars(shake), "row_skew": rng.normal(0, 0.0008)}) for shake in _shakes(rng, count, 1.2)
    ]
    return Drawing(
        title=f"rows skewed: {name}",
        folder=folder,
        size=size,
        scene=photograph(name, size),
        shakes=shakes,
        seed=seed,
    ).write()


def plain(folder: Path, name: str, count: int, seed: int, soft_px: float = 0.0) -> Drawn:
    """A picture as it is, or one that is out of focus, under 2 % of flicker."""
    size, rng = (1280, 720), np.random.default_rng(seed)
    scene = photograph(name, size)
    if soft_px:
        from scipy.ndimage import gaussian_filter

        scene = gaussian_filter(scene, (soft_px, soft_px, 0))
    return Drawing(
        title=f"{'soft, ' if soft_px else ''}2 % light: {name}",
        folder=folder,
        size=size,
        scene=scene,
        shakes=_shakes(rng, count, 1.5),
        seed=seed,
    ).write()


def knocked(folder: Path, name: str, count: int, seed: int) -> Drawn:
    """A camera that is knocked aside for good at two fifths of the film, or shortly before its end."""
    size, rng = (1280, 720), np.random.default_rng(seed)
    shakes = []
    for place, shake in enumerate(_shakes(rng, count, 1.2)):
        late = place >= (0.92 if seed % 2 else 0.4) * count
        off = {"x_px": shake.x_px + 55, "y_px": shake.y_px - 31, "turn_deg": shake.turn_deg + 1.1}
        shakes.append(Shake(**{**vars(shake), **off}) if late else shake)

    def over(view: Plane, shake: Shake, place: int, own: np.random.Generator) -> None:
        top = int(600 - 400 * (place + 1) / count)
        view[top:600, 480:800] = _noise(own, 600 - top, 320, 7)

    return Drawing(
        title=f"knocked aside: {name}",
        folder=folder,
        size=size,
        scene=photograph(name, size),
        shakes=shakes,
        seed=seed,
        over=over,
        avoid=lambda points: ~((np.abs(points[:, 0] - 640) < 260) & (points[:, 1] > 120)),
    ).write()


def spoilt(folder: Path, name: str, count: int, seed: int) -> Drawn:
    """Black frames, a washed-out one, a hand before the camera, lights off, among good ones."""
    size, rng = (1280, 720), np.random.default_rng(seed)
    shakes = _shakes(rng, count, 1.5)
    black, white, hand, dark = {7, 8}, {15}, {23, 24}, {31}
    for place in dark:
        shakes[place] = Shake(**{**vars(shakes[place]), "light": 0.02})

    def over(view: Plane, shake: Shake, place: int, own: np.random.Generator) -> None:
        if place in black:
            view[:] = 0
        if place in white:
            view[:] = np.clip(view * 9 + 0.35, 0, 1)
        if place in hand:
            view[:, 180:1150] = (0.42, 0.25, 0.17)
            view[:, 180:1150] *= np.linspace(0.7, 1.1, 970)[None, :, None]

    return Drawing(
        title=f"spoilt frames: {name}",
        folder=folder,
        size=size,
        scene=photograph(name, size),
        shakes=shakes,
        seed=seed,
        over=over,
        unusable=frozenset(black | white | hand | dark),
    ).write()


def every_set(folder: Path, count: int = 60, seed: int = 0) -> dict[str, Callable[[], Drawn]]:
    """Return all sets by name; each is drawn when it is called, and kept in its folder."""
    photos = ["coffee", "chelsea", "astronaut", "rocket", "grace_hopper", "motorcycle"]
    rng = np.random.default_rng(seed)
    order = [photos[place] for place in rng.permutation(len(photos))]

    def made(how: Callable[..., Drawn], key: str, name: str, **more: object) -> Callable[[], Drawn]:
        return lambda: how(folder / f"{key}-{seed}", name, count, seed * 101 + 2 * len(key), **more)

    return {
        "breathing": made(breathing, "breathing", order[0]),
        "breathing2": made(breathing, "breathing2", order[1]),
        "blurred": made(blurred, "blurred", order[2]),
        "head": made(with_head, "head", order[3]),
        "small": made(small, "small", order[4]),
        "bed": made(parked_bed, "bed", order[5]),
        "rows": made(skewed_rows, "rows", order[0]),
        "page": made(plain, "page", "page"),
        "soft": made(plain, "soft", order[1], soft_px=5.0),
        "plain": made(plain, "plain", order[4]),
        "knock": made(knocked, "knock", order[2]),
        "spoilt": made(spoilt, "spoilt", order[3]),
    }
