"""The judge of the first layer against pictures by a path tracer: one row for each thing that was tried.

``python tests/bench/firstlayer_third_judge.py [row] [seeds] [first seed] [--bare] [--keep=FOLDER]`` needs
``pip install mitsuba``, which the project does not depend on. Nothing is drawn by code of the project or of
its other renderers: lines are meshes with the cross-section of a squeezed bead, the bed is a photograph
(gravel, brick, grass from scikit-image), light comes from a ring of lamps about the lens, a window and the
room, is thrown back by plastic, bed and the block, and passes a lens with an aperture (Mitsuba 3, Jakob et
al. 2022). The camera is not the rig's: place within 2 mm, turn within 2 degrees, lens within 8 %, k1 from
-0.3 to 0; parking error 0.1 mm. ``--keep`` writes the pictures.
"""

from __future__ import annotations

import io
import math
import sys
import tempfile
import time
from collections import Counter
from dataclasses import dataclass
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import cv2
import mitsuba as mi
import numpy as np
import trimesh
from PIL import Image
from scipy.spatial.transform import Rotation
from skimage import data

sys.path[:0] = [str(Path(__file__).parent), str(Path(__file__).parents[1] / "firstlayer")]

import firstlayer_second_judge as second  # noqa: E402

from twinlapse.firstlayer.mosaic import LayerPictures, SurveyFrame  # noqa: E402
from twinlapse.firstlayer.reading import look_over  # noqa: E402

mi.set_variant("scalar_rgb")

WIDTH, HEIGHT = 0.48, 0.24  # of lines
SAMPLES = 12  # rays to a pixel
LOOKS = (  # plastic and bed, linear reflectance; the photograph; its contrast; roughness of the plastic
    ((0.50, 0.13, 0.05), (0.05, 0.05, 0.05), "gravel", 0.25, 0.15),
    ((0.72, 0.70, 0.64), (0.07, 0.06, 0.05), "brick", 0.25, 0.25),
    ((0.06, 0.28, 0.10), (0.36, 0.30, 0.18), "grass", 0.15, 0.12),
    ((0.03, 0.03, 0.035), (0.40, 0.40, 0.42), "gravel", 0.15, 0.2),
)
ROWS = ("sound", "gaps", "lump", "missing line", "outermost line", "nothing")


@dataclass
class Made:
    """What is laid, and what was done to it."""

    lines: np.ndarray  # (n, 4) as the toolpath says: x0, y0, x1, y1
    pieces: np.ndarray  # (m, 4) as they are laid
    put: list[tuple[float, float]]
    lump: tuple[float, float] | None = None


def layer_of(seed: int, row: str) -> Made:
    """Return a label of loops, a plate with a slanted filling, or a disc; and its defects."""
    dice = np.random.default_rng([seed, 71])
    x, y = dice.uniform(90, 110, 2)
    lines: list[tuple[float, float, float, float]] = []

    def loop(points: np.ndarray) -> None:
        lines.extend((*a, *b) for a, b in zip(points, np.roll(points, -1, axis=0), strict=True))

    if seed % 3 == 0:  # a plant label: loops from outside in
        wide, deep = 26.0, 11.0
        for k in range(int(deep / 2 / WIDTH)):
            a, b = wide / 2 - (k + 0.5) * WIDTH, deep / 2 - (k + 0.5) * WIDTH
            loop(np.array([[x - a, y - b], [x + a, y - b], [x + a, y + b], [x - a, y + b]]))
    elif seed % 3 == 1:  # a plate, its filling at an angle
        half, angle = 9.0, math.radians(dice.choice([30.0, 60.0, 120.0]))
        for k in range(3):
            a = half - (k + 0.5) * WIDTH
            loop(np.array([[x - a, y - a], [x + a, y - a], [x + a, y + a], [x - a, y + a]]))
        inner, way = half - 3.4 * WIDTH, np.array([math.cos(angle), math.sin(angle)])
        for t in np.arange(-1.5 * half, 1.5 * half, WIDTH):
            base = t * np.array([-way[1], way[0]])
            cuts = sorted((side * inner - base[i]) / way[i] for i in (0, 1) for side in (-1, 1))
            p, q = base + cuts[1] * way, base + cuts[2] * way
            if np.abs(np.concatenate([p, q])).max() < inner + 1e-6 and cuts[2] - cuts[1] > 1:
                lines.append((x + p[0], y + p[1], x + q[0], y + q[1]))
    else:  # the foot of a pot
        for k in range(9):
            r = 9.0 - (k + 0.5) * WIDTH
            turn = np.linspace(0, 2 * math.pi, max(12, int(5 * r)), endpoint=False)
            loop(np.column_stack([x + r * np.cos(turn), y + r * np.sin(turn)]))
    ends = np.array(lines)
    length = np.hypot(*(ends[:, 2:] - ends[:, :2]).T)
    long = np.flatnonzero(length > 6)
    put: list[tuple[float, float]] = []
    pieces = [tuple(line) for line in ends]
    lump = None
    order = dice.permutation(long if len(long) else len(ends))
    if row == "gaps" and len(long):
        for k in order:
            a, b, share = ends[k, :2], ends[k, 2:], dice.uniform(0.3, 0.7)
            at, cut = a + share * (b - a), (0.8 + WIDTH) / 2 / length[k] * (b - a)
            if len(put) < 3 and all(math.dist(at, other) > 4 for other in put):
                put.append((float(at[0]), float(at[1])))
                pieces.remove(tuple(ends[k]))
                pieces += [(*a, *(at - cut)), (*(at + cut), *b)]
    if row in ("missing line", "outermost line"):
        gone = order[:1] if len(long) else np.arange(order[0], order[0] + 10) % len(ends)
        if (
            row == "outermost line"
        ):  # the first loop is laid outermost: one of its sides, or half of a round one
            gone = np.array([dice.integers(4)]) if len(long) else np.arange(int(5 * (9.0 - WIDTH / 2)) // 2)
        put = [tuple((ends[gone, :2] + ends[gone, 2:]).mean(axis=0) / 2)]
        pieces = [tuple(ends[k]) for k in range(len(ends)) if k not in gone]
    if row == "lump":
        lump = tuple((ends[order[0], :2] + ends[order[0], 2:]) / 2)
        put = [lump]
    if row == "nothing":
        pieces = []
    return Made(lines=ends, pieces=np.array(pieces).reshape(-1, 4), put=put, lump=lump)


def bead(line: np.ndarray, dice: np.random.Generator) -> trimesh.Trimesh:
    """Return one line as a body: flat on the bed, round at its sides and ends."""
    a, b = line[:2], line[2:]
    length = math.dist(a, b)
    way = (b - a) / max(length, 1e-9)
    wide, tall = 1.05 * WIDTH * (1 + 0.02 * dice.normal()), HEIGHT * (1 + 0.02 * dice.normal())
    turn = np.linspace(0, math.pi / 2, 6)
    along = np.concatenate([-wide / 2 * np.cos(turn), length + wide / 2 * np.sin(turn)])
    size = np.concatenate([np.sin(turn), np.cos(turn)])
    side = -np.cos(np.linspace(0, math.pi, 13))
    up = tall * (1 - np.abs(side) ** 3) ** (1 / 3)
    across = wide / 2 * size[:, None] * side
    flat = a + along[:, None, None] * way + across[..., None] * np.array([-way[1], way[0]])
    high = np.broadcast_to(up, across.shape) * np.minimum(1, 1.5 * size)[:, None]
    points = np.concatenate([flat, high[..., None]], axis=-1).reshape(-1, 3)
    i, j = np.mgrid[: len(along) - 1, : len(side) - 1]
    corner = (i * len(side) + j).ravel()
    faces = np.concatenate(
        [
            np.column_stack([corner, corner + len(side), corner + 1]),
            np.column_stack([corner + 1, corner + len(side), corner + len(side) + 1]),
        ]
    )
    return trimesh.Trimesh(points, faces[:, ::-1], process=False)


@dataclass
class Eye:
    """The true camera, from the tip."""

    place: np.ndarray
    ahead: np.ndarray
    up: np.ndarray
    focal_px: float
    k1: float


def eye_of(dice: np.random.Generator) -> Eye:
    """Return a camera that is not the rig's."""
    place, look = np.array(second.CAMERA.place_mm), np.array(second.CAMERA.look_mm)
    off = dice.normal(size=3)
    place_off = off / np.linalg.norm(off) * 2 * dice.uniform() ** (1 / 3)
    axis = dice.normal(size=3)
    turn = Rotation.from_rotvec(math.radians(2 * dice.uniform()) * axis / np.linalg.norm(axis))
    return Eye(
        place=place + place_off,
        ahead=turn.apply((look - place) / np.linalg.norm(look - place)),
        up=turn.apply([0, 0, 1.0]),
        focal_px=320 / math.tan(math.radians(30)) * dice.uniform(0.92, 1.08),
        k1=dice.uniform(-0.3, 0),
    )


class Scene:
    """A bed, what lies on it and the light; pictures of it."""

    def __init__(self, made: Made, look: int, folder: Path, dice: np.random.Generator) -> None:
        plastic, bed, photograph, contrast, rough = LOOKS[look]
        self.middle = (made.lines[:, :2].mean(axis=0) + made.lines[:, 2:].mean(axis=0)) / 2
        self.folder, self.dice = folder, dice
        picture = getattr(data, photograph)().astype(np.float32)
        picture = np.clip(1 + contrast * (picture - picture.mean()) / picture.std(), 0.2, 2.5)
        hue = np.clip(picture[..., None] * np.array(bed, np.float32), 0, 1)
        wide = {"type": "bitmap", "bitmap": mi.Bitmap(hue), "raw": True, "wrap_mode": "mirror"}
        at = mi.ScalarTransform4f().translate([*self.middle, 0]).scale([40, 40, 1])
        filament = {
            "type": "roughplastic",
            "diffuse_reflectance": {"type": "rgb", "value": list(plastic)},
            "alpha": rough,
        }
        self.parts: dict[str, Any] = {
            "bed": {
                "type": "rectangle",
                "to_world": at,
                "bsdf": {"type": "roughplastic", "diffuse_reflectance": wide, "alpha": 0.35},
            },
            "room": {"type": "constant", "radiance": {"type": "rgb", "value": 0.25}},
            "window": {
                "type": "rectangle",
                "to_world": mi.ScalarTransform4f()
                .look_at([*np.add(self.middle, [200, 120]), 150.0], [*self.middle, 0.0], [0, 0, 1])
                .scale([60, 60, 1]),
                "emitter": {"type": "area", "radiance": {"type": "rgb", "value": [1.2, 1.3, 1.5]}},
            },
        }
        bodies = [bead(line, dice) for line in made.pieces]
        if made.lump is not None:
            ball = trimesh.creation.icosphere(subdivisions=3, radius=1.0)
            ball.apply_scale([1, 1, 0.6])
            ball.apply_translation([*made.lump, HEIGHT + 0.15])
            bodies.append(ball)
        if bodies:
            self.parts["print"] = {
                **self._mesh("print", bodies),
                "bsdf": {"type": "twosided", "own": filament},
            }

    def _mesh(self, name: str, bodies: list[trimesh.Trimesh]) -> dict[str, Any]:
        path = self.folder / f"{name}.ply"
        trimesh.util.concatenate(bodies).export(path)
        return {"type": "ply", "filename": str(path)}

    def shoot(self, eye: Eye, nozzle: tuple[float, float, float]) -> np.ndarray:
        """Return the picture (480, 640, 3), with the nozzle at a place that it may miss by 0.1 mm."""
        tip = np.array(nozzle) + np.array([*self.dice.normal(0, 0.1, 2), 0.0])
        place = tip + eye.place
        # a pinhole picture large enough for what the bent rays see
        y, x = np.mgrid[:480, :640].astype(np.float32)
        own = np.array([[eye.focal_px, 0, 319.5], [0, eye.focal_px, 239.5], [0, 0, 1]])
        flat = cv2.undistortPointsIter(
            np.stack([x, y], axis=-1).reshape(-1, 1, 2),
            own,
            np.array([eye.k1, 0, 0, 0]),
            np.eye(3),
            np.eye(3),
            (cv2.TERM_CRITERIA_COUNT + cv2.TERM_CRITERIA_EPS, 50, 1e-10),
        ).reshape(480, 640, 2)
        wide, deep = (2 * math.ceil(float(np.abs(flat[..., k]).max()) * eye.focal_px + 2) for k in (0, 1))
        sensor = {
            "type": "thinlens",
            "fov": math.degrees(2 * math.atan(wide / 2 / eye.focal_px)),
            "fov_axis": "x",
            "aperture_radius": 0.12,
            "focus_distance": 38.0,
            "near_clip": 1.0,
            "far_clip": 1000.0,
            "to_world": mi.ScalarTransform4f().look_at(list(place), list(place + eye.ahead), list(eye.up)),
            "film": {"type": "hdrfilm", "width": wide, "height": deep, "rfilter": {"type": "box"}},
            "sampler": {
                "type": "independent",
                "sample_count": SAMPLES,
                "seed": int(self.dice.integers(1 << 30)),
            },
        }
        # the block as the rig says: 4 mm above the tip, 3 mm toward the camera
        cone = trimesh.creation.cylinder(radius=2.6, height=4.0)
        cone.vertices[cone.vertices[:, 2] < 0, :2] *= 0.15
        cone.apply_translation(np.add(tip, [0, 0, 2.0]))
        block = trimesh.creation.box(extents=[18, 15, 10])
        block.apply_translation(np.add(tip, [0, 4.5, 9.0]))
        head = self._mesh("head", [cone, block])
        parts = {
            **self.parts,
            "type": "scene",
            "integrator": {"type": "path", "max_depth": 4},
            "sensor": sensor,
            "head": {
                **head,
                "face_normals": True,
                "bsdf": {"type": "roughconductor", "material": "Cu", "alpha": 0.3},
            },
        }
        right = np.cross(eye.ahead, eye.up)
        right /= np.linalg.norm(right)
        for k, turn in enumerate(np.arange(6) * math.pi / 3):  # lamps about the lens
            off = 5 * (math.cos(turn) * right + math.sin(turn) * np.cross(right, eye.ahead))
            parts[f"lamp{k}"] = {
                "type": "sphere",
                "center": list(place + off - 1.5 * eye.ahead),
                "radius": 0.8,
                "emitter": {"type": "area", "radiance": {"type": "rgb", "value": [60.0, 58.0, 54.0]}},
            }
        linear = np.array(mi.render(mi.load_dict(parts)))[..., :3]
        at = flat * eye.focal_px + np.array([(wide - 1) / 2, (deep - 1) / 2], np.float32)
        light = cv2.remap(
            linear, at[..., 0].astype(np.float32), at[..., 1].astype(np.float32), cv2.INTER_LINEAR
        )
        light = light * self.dice.uniform(0.95, 1.05, 3) * 0.8 / np.percentile(light[200:], 96)
        light = self.dice.poisson(np.clip(light, 0, 1.2) * 1500) / 1500 + self.dice.normal(
            0, 0.002, light.shape
        )
        shown = np.clip(light, 0, 1)
        shown = np.where(
            shown < 0.0031308, 12.92 * shown, 1.055 * shown ** (1 / 2.4) - 0.055
        )  # IEC 61966-2-1
        kept = io.BytesIO()
        Image.fromarray(np.round(255 * shown).astype(np.uint8)).save(kept, "jpeg", quality=88)
        return np.array(Image.open(kept))


def survey_of(row: str, seed: int, bare_bed: bool) -> tuple[LayerPictures, Made]:
    """Draw one scene."""
    dice = np.random.default_rng([seed, 72])
    made, look = layer_of(seed, row), seed // 3 % len(LOOKS)
    eye = eye_of(dice)
    stops = second.places_for(SimpleNamespace(lines=made.lines), HEIGHT)
    with tempfile.TemporaryDirectory() as folder:
        scene = Scene(made, look, Path(folder), dice)
        frames = [scene.shoot(eye, stop) for stop in stops]
        bare = []
        if bare_bed:
            scene = Scene(layer_of(seed, "nothing"), look, Path(folder), dice)
            bare = [scene.shoot(eye, stop) for stop in stops]
    survey = LayerPictures(
        frames=tuple(SurveyFrame(picture=p, nozzle_mm=at) for p, at in zip(frames, stops, strict=True)),
        camera=second.CAMERA,
        printer=second.PRINTER,
        top_mm=HEIGHT,
        height_mm=HEIGHT,
        bare=tuple(
            SurveyFrame(picture=p, nozzle_mm=at) for p, at in zip(bare, stops[: len(bare)], strict=True)
        ),
    )
    return survey, made


def main(rows: list[str], seeds: range, bare_bed: bool, keep: Path | None) -> None:
    """Print what the judge says of each scene and, for each row, how often."""
    for row in rows:
        said: Counter[str] = Counter()
        hit = tried = beside = 0
        for seed in seeds:
            if row == "gaps" and seed % 3 == 2:
                continue
            start = time.process_time()
            survey, made = survey_of(row, seed, bare_bed)
            drawn = time.process_time()
            if keep is not None:
                whole = np.hstack([frame.picture for frame in (*survey.frames, *survey.bare)])
                Image.fromarray(whole).save(keep / f"{row}-{seed}.png")
            lines = second.lines_of(SimpleNamespace(lines=made.lines, widths=[WIDTH] * len(made.lines)))
            found = look_over(survey, lines, smallest_mm=0.4)
            judgement = found.judgement
            word = {True: "sound", False: "found", None: "unseen" if judgement.can_tell else "cannot tell"}[
                judgement.sound
            ]
            said[word] += 1
            boxes = [defect.box_mm for defect in judgement.defects]
            tried += len(made.put)
            hit += sum(any(second._near(box, x, y) for box in boxes) for x, y in made.put)
            if row != "nothing":
                beside += sum(not any(second._near(box, x, y) for x, y in made.put) for box in boxes)
            told = [(d.kind, d.at_mm, d.confidence) for d in judgement.defects]
            print(
                f"  {row} {seed}: {word} {told} residual {found.calibration.residual_mm:.3f} "
                f"({found.calibration.pieces}) apart {judgement.separability:.1f} "
                f"contrast {judgement.why or 'enough'} seen {judgement.seen_share:.2f} "
                f"{judgement.laying and judgement.laying.laid} "
                f"{judgement.trouble and judgement.trouble.sentences} {len(survey.frames)} frames, drawn in "
                f"{drawn - start:.0f} s, judged in {time.process_time() - drawn:.1f} s",
                flush=True,
            )
        print(f"{row}: {dict(said)}; put in and found {hit}/{tried}; beside {beside}", flush=True)


if __name__ == "__main__":
    words = [word for word in sys.argv[1:] if not word.startswith("--")]
    folder = next((Path(word[7:]) for word in sys.argv if word.startswith("--keep=")), None)
    chosen = list(ROWS) if not words or words[0] == "all" else words[0].split(",")
    count, first = int(words[1]) if len(words) > 1 else 2, int(words[2]) if len(words) > 2 else 70000
    main(chosen, range(first, first + count), "--bare" in sys.argv, folder)
