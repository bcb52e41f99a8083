"""What a level camera shows of a layer, against scenes of another renderer: gaps by the way of their lines.

``python tests/bench/firstlayer_level_judge.py [seeds] [first seed] [degrees,...] [row,...]``. The camera
stands 45 mm from the tip at so many degrees above level, is never the rig's, and blurs what is before and
behind the tip. Rows: "along", "across" and "aslant" are gaps in lines that run so to the line of sight;
"sound", "missing line", "missing object". Nothing that draws is the project's; see
tests/firstlayer/second_scenes.py.
"""

from __future__ import annotations

import math
import sys
from collections import Counter
from dataclasses import replace
from pathlib import Path

import numpy as np

sys.path[:0] = [str(Path(__file__).parent), str(Path(__file__).parents[1] / "firstlayer")]

import firstlayer_second_judge as second  # noqa: E402
import second_scenes as scenes  # noqa: E402

from twinlapse.firstlayer.mosaic import LayerPictures, SurveyFrame  # noqa: E402
from twinlapse.firstlayer.reading import LayerMap, look_over  # noqa: E402
from twinlapse.rig import Camera  # noqa: E402

FAR_MM = 45.0
DEPTH_BLUR = 0.1  # px of blur per mm away from the tip
SIZES_MM = (0.8, 1.0, 1.5, 2.5)
WAYS_DEG = {"along": 90.0, "across": 0.0, "aslant": 45.0}


def level_camera(steep_deg: float) -> Camera:
    """Return a camera at so many degrees above level."""
    low, high = (FAR_MM * f(math.radians(steep_deg)) for f in (math.cos, math.sin))
    return replace(second.CAMERA, place_mm=(0.0, -low, high), look_mm=(0.0, -3.0, 0.0))


def judged(row: str, steep_deg: float, seed: int) -> tuple[LayerMap, list[tuple[float, float, float]]]:
    """Return what is said of one scene, and the gaps put in: x, y, bare length."""
    second.CAMERA = level_camera(steep_deg)
    dice = np.random.default_rng([seed, 23])
    x, y = dice.uniform(85, 110, 2)
    way_deg = WAYS_DEG.get(row, float(dice.choice([0.0, 45.0, 90.0])))
    layer = scenes.sheet(x, y, 22, 18, way_deg)
    lines, put, options = layer.lines, [], {}
    if row == "missing object":
        other = scenes.sheet(x + 27, y, 10, 12, way_deg)
        drawn = layer
        layer = scenes.Layer(layer.lines + other.lines, layer.widths + other.widths)
    long = [k for k, (a, b, c, d) in enumerate(lines) if k >= 8 and math.hypot(c - a, d - b) > 8]
    if row in WAYS_DEG:
        options["gaps"] = []
        for size in SIZES_MM:
            for k in dice.permutation(long):
                where = float(dice.uniform(0.3, 0.7))
                a, b, c, d = lines[k]
                at = (a + where * (c - a), b + where * (d - b))
                if all(math.dist(at, one[:2]) > 4 for one in put):
                    options["gaps"].append((int(k), where, size))
                    put.append((*at, size))
                    break
    if row == "missing line":
        k = int(dice.choice(long))
        a, b, c, d = lines[k]
        options["skip"] = {k}
        put.append(((a + c) / 2, (b + d) / 2, math.hypot(c - a, d - b)))
    plastic, bed = second.LOOKS[seed % len(second.LOOKS)]
    spoil = scenes.Nuisance(glare=0.25, depth_blur=DEPTH_BLUR)
    camera = second.true_camera(dice)
    ground = scenes.lay(drawn if row == "missing object" else layer, plastic, bed, spoil, dice, **options)
    places = second.places_for(layer, scenes.HEIGHT)
    frames = [SurveyFrame(picture=scenes.shoot(ground, camera, p, spoil, dice), nozzle_mm=p) for p in places]
    survey = LayerPictures(
        frames=tuple(frames),
        camera=second.CAMERA,
        printer=second.PRINTER,
        top_mm=scenes.HEIGHT,
        height_mm=scenes.HEIGHT,
    )
    return look_over(survey, second.lines_of(layer)), put


def main(seeds: range, degrees: list[float], rows: list[str]) -> None:
    """Print what is said of each scene, and how often each gap was found."""
    for steep_deg in degrees:
        for row in rows:
            said: Counter[str] = Counter()
            put_in: Counter[float] = Counter()
            found: Counter[float] = Counter()
            beside = 0
            for seed in seeds:
                made, put = judged(row, steep_deg, seed)
                judgement = made.judgement
                word = {
                    True: "sound",
                    False: "found",
                    None: "unseen" if judgement.can_tell else "cannot tell",
                }
                said[word[judgement.sound]] += 1
                near = [
                    any(second._near(d.box_mm, x, y) for x, y, _ in put) or d.kind == "missing object"
                    for d in judgement.defects
                ]
                beside += len(near) - sum(near)
                for x, y, size in put:
                    size = size if row in WAYS_DEG else 0.0
                    put_in[size] += 1
                    found[size] += any(second._near(d.box_mm, x, y) for d in judgement.defects)
                told = [(d.kind, d.at_mm, d.length_mm, d.confidence) for d in judgement.defects]
                print(
                    f"  {row} {steep_deg:g} {seed}: {word[judgement.sound]} residual "
                    f"{made.calibration.residual_mm:.3f} seen {judgement.seen_share:.2f} {told} "
                    f"put {[tuple(round(float(v), 1) for v in p) for p in put]} "
                    f"{judgement.trouble and judgement.trouble.sentences}",
                    flush=True,
                )
            rates = ", ".join(f"{size:g}: {found[size]}/{put_in[size]}" for size in sorted(put_in))
            print(f"{row}, {steep_deg:g} degrees: {dict(said)}; {rates}; beside {beside}", flush=True)


if __name__ == "__main__":
    words = sys.argv[1:]
    count, first = int(words[0]) if words else 2, int(words[1]) if len(words) > 1 else 65000
    levels = [float(v) for v in (words[2] if len(words) > 2 else "12,16,20,27,43,60").split(",")]
    chosen = words[3].split(",") if len(words) > 3 else [*WAYS_DEG, "sound", "missing line", "missing object"]
    main(range(first, first + count), levels, chosen)
