"""The judge of the first layer against scenes of another renderer: one row for each thing that was tried.

``python tests/bench/firstlayer_second_judge.py [row] [seeds] [first seed] [--rig] [--bare]``; ``--bare``
adds a survey of the bare bed, ``--level=20`` a camera 20 degrees above level, ``--rig`` takes the
rig's camera as it is and does not let the print calibrate it (how it was before). The camera of the rig is
never the true one. Nothing that draws is the project's; see tests/firstlayer/second_scenes.py.
"""

from __future__ import annotations

import math
import sys
import time
from collections import Counter
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "firstlayer"))

import second_scenes as scenes

from twinlapse.firstlayer.classify import Judgement, judge
from twinlapse.firstlayer.expected import Lines
from twinlapse.firstlayer.mosaic import LayerPictures, SurveyFrame, build_mosaic
from twinlapse.firstlayer.reading import look_over
from twinlapse.firstlayer.solid import LowerLayer
from twinlapse.optics.window import window_of
from twinlapse.rig import Camera, Printer, Toolhead

PRINTER = Printer(bed_mm=(220, 220), height_mm=250, toolhead=Toolhead(radius_mm=65))
CAMERA = Camera(name="nozzle", mount="toolhead", place_mm=(0.0, -28.0, 34.0), look_mm=(0.0, -6.0, 0.0))
LOOKS = (  # plastic and bed, linear reflectance
    ((0.55, 0.16, 0.07), (0.05, 0.05, 0.055)),
    ((0.75, 0.74, 0.70), (0.06, 0.06, 0.065)),
    ((0.10, 0.35, 0.12), (0.30, 0.24, 0.10)),
    ((0.04, 0.042, 0.05), (0.42, 0.42, 0.44)),
)
ROWS: dict[str, dict] = {
    "sound": {},
    "gaps": {"gaps": True},
    "nothing": {"gone": True},
    "tangle": {"tangle": True},
    "missing line": {"skip": True},
    "outermost line": {"outermost": True},
    "thin 60": {"flow": 0.6},
    "thin 40": {"flow": 0.4},
    "nozzle too high": {"rise": 0.1},
    "nozzle too low": {"rise": -0.1},
    "ridges": {"rise": -0.05, "ridges": 0.1},
    "glare": {"spoil": {"glare": 2.0}},
    "glare gaps": {"gaps": True, "spoil": {"glare": 2.0}},
    "oil": {"spoil": {"oil": 5}},
    "residue": {"spoil": {"residue": 4}},
    "hair": {"spoil": {"hairs": 3}},
    "string": {"spoil": {"strings": 3}},
    "blur": {"spoil": {"blur_px": 3.0}},
    "dirt": {"spoil": {"dirt": 4}},
    "lump": {"lump": True},
    "green cast": {"spoil": {"cast": (0.75, 1.0, 0.7)}},
    "cheap jpeg": {"spoil": {"jpeg": 45}},
    "missing frame": {"missing": 1},
    "second layer": {"second": True},
    "second layer lump": {"second": True, "lump": True},
}


def true_camera(dice: np.random.Generator, share: float = 1.0) -> scenes.Pinhole:
    """Not the rig's: place within 2 mm, turn within 2 degrees, lens within 8 %, k1 -0.3 to 0."""
    place = np.array(CAMERA.place_mm) + share * dice.uniform(-2, 2, 3) / math.sqrt(3)
    away = np.array(CAMERA.look_mm) - np.array(CAMERA.place_mm)
    far = np.linalg.norm(away)
    off = dice.uniform(-1, 1, 2) * math.tan(math.radians(2 * share)) * far / math.sqrt(2)
    target = place + away + np.array([off[0], off[1] * 0.8, off[1] * 0.6])
    focal = 320 / math.tan(math.radians(30)) * (1 + share * dice.uniform(-0.08, 0.08))
    return scenes.Pinhole(
        place, target, float(share * dice.uniform(-2, 2)), focal, float(share * dice.uniform(-0.3, 0))
    )


def layer_for(seed: int, turn_deg: float = 0.0) -> tuple[scenes.Layer, list[int]]:
    """A sheet, a ring or two objects; and which lines are long enough for gaps."""
    dice = np.random.default_rng([seed, 3])
    kind = seed % 3
    x, y = dice.uniform(85, 110, 2)
    if kind == 0:
        made = scenes.sheet(x, y, 24, 20, (0.0, 45.0, 90.0)[seed // 3 % 3] + turn_deg)
    elif kind == 1:
        made = scenes.ring(x + 13, y + 13, 12.5, 8)
    else:
        one, two = (scenes.sheet(x + off, y, 13, 18, way + turn_deg) for off, way in ((0, 45), (17, -45)))
        made = scenes.Layer(one.lines + two.lines, one.widths + two.widths)
    long = [k for k, (a, b, c, d) in enumerate(made.lines) if math.hypot(c - a, d - b) > 6]
    return made, long


def outermost_of(layer: scenes.Layer, seed: int) -> list[range]:
    """Return the outermost lines side by side: one of a sheet, or half a ring."""
    if seed % 3 == 1:
        return [range(first, first + 36) for first in (0, 18, 36)]
    sheets = (0,) if seed % 3 == 0 else (0, len(layer.lines) // 2)
    return [range(k, k + 1) for first in sheets for k in range(first, first + 4)]


def below_for(seed: int) -> scenes.Layer:
    """The layer below, its filling turned by 90 degrees, within a skirt."""
    made = layer_for(seed, 90.0)[0]
    low, high = (end(np.array(made.lines).reshape(-1, 2), axis=0) for end in (np.min, np.max))
    (x, y), (wide, deep) = low - 3, high - low + 6
    skirt = scenes.sheet(x, y, wide, deep, walls=1).lines[:4]
    return scenes.Layer(made.lines + skirt, made.widths + [scenes.PITCH] * 4)


def lines_of(layer: scenes.Layer) -> Lines:
    """What the toolpath says."""
    ends = np.array(layer.lines)
    return Lines(
        first_mm=ends[:, :2],
        last_mm=ends[:, 2:],
        width_mm=np.array(layer.widths),
        file_line=np.arange(len(ends)) + 1,
    )


def places_for(layer: scenes.Layer, top_mm: float) -> list[tuple[float, float, float]]:
    """Stops of a grid, planned for the rig's camera."""
    window = window_of(CAMERA, PRINTER, 1.0)
    ends = np.array(layer.lines).reshape(-1, 2)
    axes = []
    for i in (0, 1):
        low, high, size = ends[:, i].min() - 2, ends[:, i].max() + 2, window.size_mm[i]
        n = 1 if high - low <= size else 1 + math.ceil((high - low - size) / (size * 0.7))
        axes.append([(low + high) / 2] if n == 1 else np.linspace(low + size / 2, high - size / 2, n))
    middle = window.middle_mm
    return [(float(x - middle[0]), float(y - middle[1]), top_mm + 1.0) for y in axes[1] for x in axes[0]]


@dataclass(frozen=True)
class Drawn:
    """One scene as the job folder would hold it, and what was put into it."""

    frames: list[SurveyFrame]
    bare: list[SurveyFrame]  # from the same stops before the print
    lines: Lines
    put: list[tuple[float, float, float]]  # x, y, bare length
    top_mm: float
    below: list[LowerLayer]


def drawn_scene(name: str, seed: int, *, bare_bed: bool = False) -> Drawn:
    """Draw one scene."""
    row = ROWS[name]
    dice = np.random.default_rng([seed, 11])
    layer, long = layer_for(seed)
    plastic, bed = LOOKS[seed // 3 % len(LOOKS)]
    spoil = scenes.Nuisance(**{"glare": 0.25, **row.get("spoil", {})})
    options: dict = {k: row[k] for k in ("gone", "tangle", "flow", "rise", "ridges") if k in row}
    put = []
    if row.get("gaps"):
        options["gaps"] = []
        for k in dice.permutation(long or len(layer.lines))[:3]:
            where = float(dice.uniform(0.3, 0.7)) if long else 0.5
            a, b, c, d = layer.lines[k]
            at = (a + where * (c - a), b + where * (d - b))
            if all(math.dist(at, (p[0], p[1])) > 4 for p in put):
                options["gaps"].append((int(k), where, 0.8))
                put.append((*at, 0.8))
                if not long:  # chords of a ring, 72 to a wall, are shorter than what is cut out
                    wall, chord = divmod(int(k), 72)
                    options["gaps"].append((72 * wall + (chord + 1) % 72, where - 1, 0.8))
                    options["gaps"].append((72 * wall + (chord - 1) % 72, where + 1, 0.8))
    if row.get("skip"):
        some = long or list(range(72, 144))
        options["skip"] = {int(dice.choice(some))} if long else set(some[:12])
        k = min(options["skip"])
        a, b, c, d = layer.lines[k]
        put.append(((a + c) / 2, (b + d) / 2, 0.0))
    if row.get("outermost"):  # of one whole side, or of half a ring
        walls = outermost_of(layer, seed)
        options["skip"] = set(walls[int(dice.integers(len(walls)))])
        a, b, c, d = layer.lines[sorted(options["skip"])[len(options["skip"]) // 2]]
        put.append(((a + c) / 2, (b + d) / 2, 0.0))
    if row.get("lump"):  # 2 mm wide, on a line
        a, b, c, d = layer.lines[int(dice.choice(long or np.arange(144)))]
        put.append(((a + c) / 2, (b + d) / 2, 2.0))
        options["blobs"] = put
    base = below_for(seed) if row.get("second") else None
    top_mm = scenes.HEIGHT * (1 if base is None else 2)
    camera = true_camera(dice)
    options["lower"] = base
    ground = scenes.lay(layer, plastic, bed, spoil, dice, **options)
    places = places_for(layer, top_mm)
    frames = [SurveyFrame(picture=scenes.shoot(ground, camera, p, spoil, dice), nozzle_mm=p) for p in places]
    if row.get("missing") and len(frames) > 1:
        frames = frames[1:]
    bare = []
    if bare_bed:
        empty = scenes.lay(layer, plastic, bed, spoil, np.random.default_rng([seed, 11, 1]), gone=True)
        bare = [SurveyFrame(picture=scenes.shoot(empty, camera, p, spoil, dice), nozzle_mm=p) for p in places]
    below = []
    if base is not None:
        below = [LowerLayer(lines=lines_of(base), top_mm=scenes.HEIGHT, height_mm=scenes.HEIGHT)]
    return Drawn(frames, bare, lines_of(layer), put, top_mm, below)


def run(
    name: str, seed: int, *, calibrated: bool = True, bare_bed: bool = False
) -> tuple[Judgement, list[tuple[float, float, float]], dict]:
    """One scene judged; also the gaps put in as x, y, bare length."""
    made = drawn_scene(name, seed, bare_bed=bare_bed)
    start = time.process_time()
    survey = LayerPictures(
        frames=tuple(made.frames),
        camera=CAMERA,
        printer=PRINTER,
        top_mm=made.top_mm,
        height_mm=scenes.HEIGHT,
        bare=tuple(made.bare),
    )
    if calibrated:
        found = look_over(survey, made.lines, below=made.below, smallest_mm=0.4)
        facts = {"residual": found.calibration.residual_mm, "pieces": found.calibration.pieces}
        judgement = found.judgement
    else:
        mosaic = build_mosaic(survey, made.lines)
        judgement, facts = judge(mosaic, made.lines, smallest_mm=0.4), {"residual": math.nan, "pieces": 0}
    return judgement, made.put, {**facts, "s": time.process_time() - start, "frames": len(made.frames)}


def main(names: list[str], seeds: range, calibrated: bool, bare_bed: bool) -> None:
    """Print what the judge says of each scene and, for each row, how often."""
    for name in names:
        said: Counter[str] = Counter()
        hit = tried = beside = 0
        for seed in seeds:
            judgement, put, facts = run(name, seed, calibrated=calibrated, bare_bed=bare_bed)
            word = {True: "sound", False: "found", None: "unseen" if judgement.can_tell else "cannot tell"}[
                judgement.sound
            ]
            said[word] += 1
            for x, y, _ in put:
                tried += 1
                near = [d for d in judgement.defects if _near(d.box_mm, x, y)]
                hit += bool(near)
            kinds = Counter(d.kind for d in judgement.defects)
            beside += sum(not any(_near(d.box_mm, x, y) for x, y, _ in put) for d in judgement.defects)
            print(
                f"  {name} {seed}: {word} {dict(kinds)} residual {facts['residual']:.3f} ({facts['pieces']}) "
                f"apart {judgement.separability:.1f} seen {judgement.seen_share:.2f} "
                f"objects {[round(o.distance, 1) for o in judgement.objects]} "
                f"{judgement.laying and judgement.laying.laid} "
                f"{judgement.trouble and (judgement.trouble.sentences, round(judgement.trouble.blur_mm, 2))} "
                f"{facts['frames']} frames {facts['s']:.1f} s",
                flush=True,
            )
        print(f"{name}: {dict(said)}; put in and found {hit}/{tried}; beside {beside}", flush=True)


def _near(box: tuple[float, float, float, float], x: float, y: float) -> bool:
    return box[0] - 1 <= x <= box[0] + box[2] + 1 and box[1] - 1 <= y <= box[1] + box[3] + 1


if __name__ == "__main__":
    level = next((float(w[8:]) for w in sys.argv if w.startswith("--level=")), None)
    if level is not None:  # degrees above level, 45 mm away
        low, high = 45 * math.cos(math.radians(level)), 45 * math.sin(math.radians(level))
        CAMERA = replace(CAMERA, place_mm=(0.0, -low, high), look_mm=(0.0, -3.0, 0.0))
    words = [w for w in sys.argv[1:] if not w.startswith("--")]
    chosen = list(ROWS) if not words or words[0] == "all" else words[0].split(",")
    count, first = int(words[1]) if len(words) > 1 else 3, int(words[2]) if len(words) > 2 else 9000
    main(chosen, range(first, first + count), "--rig" not in sys.argv, "--bare" in sys.argv)
