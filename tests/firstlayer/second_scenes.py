"""Pictures of a first layer by a renderer of their own: no code of the project draws or projects anything.

The layer is a height map with colours on a fine grid; rays of OpenCV's camera model meet it by stepping down
through it. Light: a soft sky, a lamp beside the lens with a mirror lobe on plastic and on the bed. What
spoils pictures on a real machine can be put in one by one. Lengths in mm, origin at the bed's corner.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import cv2
import numpy as np

CELL = 0.05  # of the height map
HEIGHT = 0.2  # of the layer
PITCH = 0.45  # of its lines


@dataclass
class Pinhole:
    """A camera as OpenCV describes it, relative to the nozzle's tip."""

    place: np.ndarray
    target: np.ndarray
    roll_deg: float
    focal_px: float
    k1: float
    size: tuple[int, int] = (640, 480)

    def turn(self) -> np.ndarray:
        """World to camera, rows right, down, forward."""
        ahead = self.target - self.place
        ahead = ahead / np.linalg.norm(ahead)
        right = np.cross(ahead, [0.0, 0, 1])
        right /= np.linalg.norm(right)
        level = np.array([right, np.cross(ahead, right), ahead])
        a = math.radians(self.roll_deg)
        spin = np.array([[math.cos(a), math.sin(a), 0], [-math.sin(a), math.cos(a), 0], [0, 0, 1]])
        return spin @ level

    def matrix(self) -> np.ndarray:
        """OpenCV's camera matrix."""
        w, h = self.size
        return np.array([[self.focal_px, 0, (w - 1) / 2], [0, self.focal_px, (h - 1) / 2], [0, 0, 1.0]])


@dataclass
class Nuisance:
    """What spoils the pictures."""

    glare: float = 0.0  # the lamp mirrored by plastic and bed
    bed_grain: float = 0.2
    noise: float = 2.0
    cast: tuple[float, float, float] = (1.0, 1.0, 1.0)
    jpeg: int = 85
    blur_px: float = 0.0  # lost focus
    depth_blur: float = 0.0  # px of blur per mm away from the plane of focus
    parking: float = 0.1
    oil: int = 0  # smears on the bed
    residue: int = 0  # patches of an older print
    hairs: int = 0
    strings: int = 0  # thin threads over the print
    dirt: int = 0  # specks on the lens
    flicker: float = 0.05


@dataclass
class Layer:
    """Lines of one layer: (x0, y0, x1, y1) each, in the order of printing."""

    lines: list[tuple[float, float, float, float]]
    widths: list[float] = field(default_factory=list)


def sheet(x: float, y: float, wide: float, deep: float, angle_deg: float = 0.0, walls: int = 2) -> Layer:
    """Walls and a straight filling at an angle, clipped to the inside of the walls."""
    lines = []
    for k in range(walls):
        a = k * PITCH
        p = [(x + a, y + a), (x + wide - a, y + a), (x + wide - a, y + deep - a), (x + a, y + deep - a)]
        lines += [(*p[i], *p[(i + 1) % 4]) for i in range(4)]
    inset = walls * PITCH
    lo, hi = np.array([x + inset, y + inset]), np.array([x + wide - inset, y + deep - inset])
    c, s = math.cos(math.radians(angle_deg)), math.sin(math.radians(angle_deg))
    normal, along, mid = np.array([-s, c]), np.array([c, s]), (lo + hi) / 2
    reach = math.hypot(wide, deep)
    flip = False
    for t in np.arange(-reach / 2 + PITCH / 2, reach / 2, PITCH):
        base = mid + t * normal
        t0, t1 = -reach, reach
        for i in (0, 1):
            if abs(along[i]) < 1e-9:
                if not lo[i] <= base[i] <= hi[i]:
                    t0, t1 = 1.0, 0.0
                continue
            a, b = sorted(((lo[i] - base[i]) / along[i], (hi[i] - base[i]) / along[i]))
            t0, t1 = max(t0, a), min(t1, b)
        if t1 - t0 > 0.5:
            p, q = base + t0 * along, base + t1 * along
            lines.append((*q, *p) if flip else (*p, *q))
            flip = not flip
    return Layer(lines, [PITCH] * len(lines))


def ring(x: float, y: float, radius: float, walls: int = 4) -> Layer:
    """A round wall of several lines, as a pot has it, in short chords."""
    lines = []
    for k in range(walls):
        r = radius - k * PITCH
        a = np.linspace(0, 2 * math.pi, 73)
        p = np.column_stack([x + r * np.cos(a), y + r * np.sin(a)])
        lines += [(*p[i], *p[i + 1]) for i in range(72)]
    return Layer(lines, [PITCH] * len(lines))


@dataclass
class Ground:
    """Height and colour of what lies on the bed, on a grid; row 0 is the front."""

    left: float
    front: float
    height: np.ndarray
    hue: np.ndarray  # (h, w, 3) linear reflectance
    shiny: np.ndarray  # (h, w)


def laid_width(width: float, flow: float, rise: float) -> float:
    """Return how wide a line comes out; `lay` paints each 0.04 mm wider."""
    return width * min(flow, 1.0) * 1.06 * HEIGHT / (HEIGHT + rise)


def lay(
    layer: Layer,
    plastic: tuple[float, float, float],
    bed: tuple[float, float, float],
    spoil: Nuisance,
    dice: np.random.Generator,
    *,
    gaps: list[tuple[int, float, float]] = (),  # line, where along it (0 to 1), bare length
    skip: set[int] = frozenset(),
    flow: float = 1.0,  # share of the material
    rise: float = 0.0,  # of the nozzle above where it should be: a line keeps its cross-section
    ridges: float = 0.0,  # height of what a nozzle pushes up along the sides of lines
    gone: bool = False,
    tangle: bool = False,
    sheet_marks: bool = True,
    blobs: list[tuple[float, float, float]] = (),
    lift: tuple[float, float, float] | None = None,  # corner x, y and height, bent over 8 mm
    lower: Layer | None = None,  # a layer below it
    margin: float = 26.0,
) -> Ground:
    """Return the bed with the layer on it."""
    floor = 0.0 if lower is None else HEIGHT
    ends = np.array(layer.lines).reshape(-1, 2)
    left, front = ends.min(axis=0) - margin
    shape = tuple(int(v) for v in np.ceil((np.ptp(ends, axis=0) + 2 * margin) / CELL))[::-1]
    base = np.random.default_rng(int(1e6 * bed[0]) % 9973 + int(1000 * spoil.bed_grain))
    fine = cv2.GaussianBlur(base.normal(0, 1, shape).astype(np.float32), (0, 0), 2.2)
    wide = cv2.GaussianBlur(
        base.normal(0, 1, (shape[0] // 8 + 1, shape[1] // 8 + 1)).astype(np.float32), (0, 0), 4
    )
    wide = cv2.resize(wide, shape[::-1])
    grain = 1 + spoil.bed_grain * (0.8 * fine / fine.std() + 0.35 * wide / wide.std())
    hue = np.array(bed, np.float32) * np.clip(grain, 0.2, 3)[..., None]
    height = np.zeros(shape, np.float32)
    shiny = np.full(shape, 0.5, np.float32)
    for k in range(0, 400 if sheet_marks else 0, 10):  # marks of the sheet every 10 mm
        for axis, origin in ((1, left), (0, front)):
            at = int((k - origin) / CELL)
            if 0 <= at < shape[axis]:
                part = [slice(None), slice(None)]
                part[axis] = slice(at, at + 6)
                hue[tuple(part)] *= 1.35
    marks = np.random.default_rng([len(layer.lines), int(100 * left), 5])  # the same before and after
    for _ in range(spoil.oil):
        at = marks.uniform(0, 1, 2) * shape[::-1]
        mark = np.zeros(shape, np.uint8)
        axes = marks.uniform(30, 140, 2)
        cv2.ellipse(
            mark,
            (int(at[0]), int(at[1])),
            (int(axes[0]), int(axes[1])),
            marks.uniform(0, 180),
            0,
            360,
            255,
            -1,
        )
        soft = cv2.GaussianBlur(mark.astype(np.float32) / 255, (0, 0), 8)
        hue *= (1 - 0.35 * soft)[..., None]
        shiny += 2.0 * soft
    for _ in range(spoil.residue):
        x, y = (
            left + margin * 0.3 + marks.uniform(0, 1) * (shape[1] * CELL - margin * 0.6),
            front + marks.uniform(0.2, 0.8) * shape[0] * CELL,
        )
        w, h = marks.uniform(2, 9, 2)
        i0, j0 = int((x - left) / CELL), int((y - front) / CELL)
        part = (slice(j0, j0 + int(h / CELL)), slice(i0, i0 + int(w / CELL)))
        hue[part] = 0.6 * hue[part] + 0.4 * np.array(plastic, np.float32)

    # a nozzle further up leaves rounder lines
    shoulder = float(np.clip(0.55 - 2 * rise, 0.2, 0.9))
    pushed = np.zeros(shape, np.float32)
    if ridges:  # in pieces of a millimetre or two, and waves that do not heed the lines
        own = np.random.default_rng([len(layer.lines), int(100 * left), 6])
        for reach in (0.5, 1.2):
            wave = cv2.GaussianBlur(own.normal(0, 1, shape).astype(np.float32), (0, 0), reach / CELL)
            pushed += wave / wave.std() / math.sqrt(2)

    def bead(p0: np.ndarray, p1: np.ndarray, width: float, tall: float, ridge: float = 0.0) -> None:
        r = width / 2 + 0.03
        lo = np.minimum(p0, p1) - r
        hi = np.maximum(p0, p1) + r
        i0, j0 = np.floor((lo - [left, front]) / CELL).astype(int)
        i1, j1 = np.ceil((hi - [left, front]) / CELL).astype(int) + 1
        i0, j0, i1, j1 = max(i0, 0), max(j0, 0), min(i1, shape[1]), min(j1, shape[0])
        if i1 <= i0 or j1 <= j0:
            return
        gx = left + (np.arange(i0, i1) + 0.5) * CELL
        gy = front + (np.arange(j0, j1) + 0.5) * CELL
        px, py = np.meshgrid(gx, gy)
        way = p1 - p0
        t = np.clip(((px - p0[0]) * way[0] + (py - p0[1]) * way[1]) / max(way @ way, 1e-12), 0, 1)
        d = np.hypot(px - p0[0] - t * way[0], py - p0[1] - t * way[1]) / (width / 2 + 0.02)
        top = tall * (shoulder + (1 - shoulder) * np.sqrt(np.maximum(0, 1 - d**2)))
        on = d < 1
        part = (slice(j0, j1), slice(i0, i1))
        if ridge:
            top = top + ridge * np.exp(-(((d - 0.8) / 0.15) ** 2)) * np.clip(0.6 + 0.8 * pushed[part], 0, 2)
        top = np.where(on, top, 0)
        if lift is not None:
            away = np.hypot(px - lift[0], py - lift[1])
            top = np.where(on, top + lift[2] * np.clip(1 - away / 8.0, 0, 1) ** 2, 0)
        higher = top > height[part]
        height[part] = np.where(higher, top, height[part])
        tone = np.float32(1 + 0.03 * dice.normal())
        hue[part] = np.where(on[..., None], np.array(plastic, np.float32) * tone, hue[part])
        shiny[part] = np.where(on, 1.0, shiny[part])

    if tangle:
        at = ends.mean(axis=0)
        heading = 0.0
        for _ in range(600):
            heading += dice.normal(0, 0.6)
            new = at + 1.2 * np.array([math.cos(heading), math.sin(heading)])
            span = np.ptp(ends, axis=0) / 2 + 3
            if (np.abs(new - ends.mean(axis=0)) > span).any():
                heading += math.pi / 2
                continue
            bead(at, new, 0.4, dice.uniform(0.3, 1.2))
            at = new
    elif not gone:
        for (x0, y0, x1, y1), width in () if lower is None else zip(lower.lines, lower.widths, strict=True):
            bead(np.array([x0, y0]), np.array([x1, y1]), 1.06 * width, HEIGHT)
        cuts: dict[int, list[tuple[float, float]]] = {}
        for which, where, bare in gaps:
            cuts.setdefault(which, []).append((where, bare))
        for k, (x0, y0, x1, y1) in enumerate(layer.lines):
            if k in skip:
                continue
            p0, p1 = np.array([x0, y0]), np.array([x1, y1])
            length = np.linalg.norm(p1 - p0)
            width = laid_width(layer.widths[k], flow, rise)
            parts = [(0.0, 1.0)]
            for where, bare in sorted(cuts.get(k, [])):
                half = (bare / 2 + width / 2) / length
                start, stop = parts.pop()
                parts += [(start, where - half), (where + half, stop)]
            for start, stop in parts:
                if stop > start:
                    bead(
                        p0 + start * (p1 - p0),
                        p0 + stop * (p1 - p0),
                        width,
                        floor + (HEIGHT + rise) * (1.0 if flow >= 1 else 0.9),
                        ridges,
                    )
        for x, y, wide_mm in blobs:
            for r in (1.0, 0.75, 0.5):
                bead(
                    np.array([x, y]),
                    np.array([x + 0.01, y]),
                    wide_mm * r,
                    floor + HEIGHT + 0.35 * wide_mm * (1.2 - r),
                )
    for _ in range(spoil.strings):
        p = ends.min(axis=0) + dice.uniform(0, 1, 2) * np.ptp(ends, axis=0)
        q = p + dice.normal(0, 8, 2)
        for t in np.linspace(0, 1, 20)[:-1]:
            bead(p + t * (q - p), p + (t + 0.06) * (q - p), 0.15, HEIGHT + 0.5)
    for _ in range(spoil.hairs):
        p = ends.min(axis=0) - 4 + dice.uniform(0, 1, 2) * (np.ptp(ends, axis=0) + 8)
        mark = np.zeros(shape, np.uint8)
        a = dice.uniform(0, 6.28)
        pts = [p]
        for _ in range(25):
            a += dice.normal(0, 0.25)
            pts.append(pts[-1] + 0.6 * np.array([math.cos(a), math.sin(a)]))
        px = ((np.array(pts) - [left, front]) / CELL).astype(np.int32)
        cv2.polylines(mark, [px], False, 255, 2, cv2.LINE_AA)
        hue *= (1 - 0.9 * mark.astype(np.float32) / 255)[..., None]
    return Ground(float(left), float(front), height, hue, shiny)


def rays_of(camera: Pinhole) -> tuple[np.ndarray, np.ndarray]:
    """Return the place of every pixel and the way it looks, (h, w, 2) and (h, w, 3)."""
    w, h = camera.size
    grid = np.stack(np.meshgrid(np.arange(w, dtype=np.float32), np.arange(h, dtype=np.float32)), -1)
    flat = cv2.undistortPointsIter(
        grid.reshape(-1, 1, 2),
        camera.matrix(),
        np.array([camera.k1, 0, 0, 0, 0]),
        np.eye(3),
        np.eye(3),
        (cv2.TERM_CRITERIA_COUNT + cv2.TERM_CRITERIA_EPS, 40, 1e-9),
    ).reshape(h, w, 2)
    return grid, np.concatenate([flat, np.ones((h, w, 1))], -1) @ camera.turn()


def shoot(
    ground: Ground,
    camera: Pinhole,
    nozzle: tuple[float, float, float],
    spoil: Nuisance,
    dice: np.random.Generator,
) -> np.ndarray:
    """Return the picture, uint8 RGB, with the nozzle at a place that it may miss by the parking error."""
    w, h = camera.size
    tip = np.array(nozzle) + np.array([*dice.normal(0, spoil.parking, 2), 0.0])
    grid, rays = rays_of(camera)
    eye = camera.place + tip
    down = rays[..., 2] < -0.02
    safe = np.where(down, rays[..., 2], -1.0)
    far = np.full((h, w), 0.0)
    top = float(ground.height.max()) + 0.01
    levels = np.linspace(top, 0.0, max(8, int(top / 0.025)))
    hit = ~down
    at_x = np.zeros((h, w), np.float32)
    at_y = np.zeros((h, w), np.float32)
    for level in levels:  # the highest level at which the ray is below the surface
        t = (level - eye[2]) / safe
        x = ((eye[0] + t * rays[..., 0] - ground.left) / CELL - 0.5).astype(np.float32)
        y = ((eye[1] + t * rays[..., 1] - ground.front) / CELL - 0.5).astype(np.float32)
        here = cv2.remap(ground.height, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT)
        new = ~hit & ((here >= level) | (level == levels[-1]))
        at_x[new], at_y[new], far[new] = x[new], y[new], t[new]
        hit |= new
    soft = cv2.GaussianBlur(ground.height, (0, 0), 1.0)
    slope_y, slope_x = np.gradient(soft, CELL)

    def pick(a: np.ndarray) -> np.ndarray:
        return cv2.remap(a.astype(np.float32), at_x, at_y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)

    nx, ny, nz = -pick(slope_x), -pick(slope_y), np.ones((h, w), np.float32)
    n = np.sqrt(nx**2 + ny**2 + nz**2)
    normal = np.stack([nx, ny, nz], -1) / n[..., None]
    point = eye + far[..., None] * rays
    lamp = eye + np.array([2.0, -1.0, 3.0]) - point
    dist = np.linalg.norm(lamp, axis=-1, keepdims=True)
    lamp = lamp / np.maximum(dist, 1e-6)
    view = (eye - point) / np.maximum(np.linalg.norm(eye - point, axis=-1, keepdims=True), 1e-6)
    half = lamp + view
    half /= np.maximum(np.linalg.norm(half, axis=-1, keepdims=True), 1e-6)
    diffuse = 0.35 + 0.9 * np.maximum(0, (normal * lamp).sum(-1)) * (40 / np.maximum(dist[..., 0], 5)) ** 2
    mirror = np.maximum(0, (normal * half).sum(-1)) ** 60 * pick(ground.shiny) * spoil.glare
    mirror += 0.12 * np.maximum(0, (normal * half).sum(-1)) ** 12 * pick(ground.shiny)
    hue = np.stack([pick(ground.hue[..., c]) for c in range(3)], -1)
    light = hue * diffuse[..., None] + mirror[..., None]
    light[~down] = 0.15
    return developed(light, camera, far, grid, spoil, dice)


def developed(
    light: np.ndarray,
    camera: Pinhole,
    far: np.ndarray,
    grid: np.ndarray,
    spoil: Nuisance,
    dice: np.random.Generator,
) -> np.ndarray:
    """Return light (h, w, 3) as the camera delivers it, uint8 RGB, the nozzle before it."""
    h, w = light.shape[:2]
    rays = rays_of(camera)[1] if spoil.depth_blur else None
    _nozzle(light, camera, far)
    if rays is not None:
        focus = np.linalg.norm(camera.target - camera.place)
        off = np.abs(far * np.linalg.norm(rays, axis=-1) - focus) * spoil.depth_blur
        light = _blurred_by(light, off)
    if spoil.blur_px:
        light = cv2.GaussianBlur(light, (0, 0), spoil.blur_px)
    for k in range(spoil.dirt):
        spot = np.random.default_rng(5 + k)
        mark = np.zeros((h, w), np.float32)
        cv2.circle(
            mark,
            (int(spot.uniform(60, w - 60)), int(spot.uniform(200, h - 30))),
            int(spot.uniform(6, 16)),
            1,
            -1,
        )
        light = light * (1 - 0.6 * cv2.GaussianBlur(mark, (0, 0), 5))[..., None]
    wide = ((grid[..., 0] - w / 2) ** 2 + (grid[..., 1] - h / 2) ** 2) / (w / 2) ** 2
    light = (
        light
        * (1 - 0.18 * wide)[..., None]
        * np.array(spoil.cast)
        * (1 + spoil.flicker * dice.uniform(-1, 1))
    )
    bright = np.percentile(light.mean(-1), 97)
    light = light * min(4.0, 0.75 / max(bright, 1e-3))
    out = 255 * np.clip(light, 0, 1) ** (1 / 2.2)
    out = np.clip(out + dice.normal(0, spoil.noise, out.shape), 0, 255).astype(np.uint8)
    ok, data = cv2.imencode(".jpg", out[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, spoil.jpeg])
    assert ok
    return cv2.imdecode(data, cv2.IMREAD_COLOR)[..., ::-1].copy()


def _nozzle(light: np.ndarray, camera: Pinhole, far: np.ndarray) -> None:
    """Paint a cone and a block above the tip over the picture."""
    turn = camera.turn()
    bend = np.array([camera.k1, 0, 0, 0, 0])

    def onto(points: np.ndarray) -> np.ndarray:
        rotation, _ = cv2.Rodrigues(turn)
        px, _ = cv2.projectPoints(points, rotation, -turn @ camera.place, camera.matrix(), bend)
        return np.round(px.reshape(-1, 2)).astype(np.int32)

    a = np.linspace(0, 2 * math.pi, 40)
    cone = [
        np.column_stack([r * np.cos(a), r * np.sin(a), np.full(40, z)])
        for r, z in ((0.4, 0.0), (2.8, 3.2), (2.8, 5.0))
    ]
    for low, high in ((0, 1), (1, 2)):
        hull = cv2.convexHull(onto(np.concatenate([cone[low], cone[high]])))
        cv2.fillConvexPoly(light, hull, (0.42, 0.3, 0.1))
    block = np.array([[x, y, z] for x in (-9, 9) for y in (-1, 14) for z in (5.0, 14.0)], float)
    cv2.fillConvexPoly(light, cv2.convexHull(onto(block)), (0.05, 0.055, 0.07))


def _blurred_by(light: np.ndarray, off_px: np.ndarray) -> np.ndarray:
    """Blur each pixel by its own disc, from a few blurred copies."""
    out, steps = light.copy(), [0.0, 1.0, 2.0, 4.0, 7.0]
    stack = [light, *(cv2.GaussianBlur(light, (0, 0), s) for s in steps[1:])]
    for k in range(len(steps) - 1):
        share = np.clip((off_px / 2 - steps[k]) / (steps[k + 1] - steps[k]), 0, 1)[..., None]
        out = np.where(off_px[..., None] / 2 > steps[k], stack[k] * (1 - share) + stack[k + 1] * share, out)
    return out
