"""The nozzle camera's own trouble against scenes of another renderer: a clump on the nozzle, motion, focus.

``python tests/bench/firstlayer_camera_judge.py [row] [seeds] [first seed]``. The scenes are those of
tests/firstlayer/second_scenes.py with the bare bed; clumps and motion by
tests/firstlayer/camera_scenes.py.
"""

from __future__ import annotations

import math
import sys
from collections import Counter
from pathlib import Path

import numpy as np

sys.path[:0] = [str(Path(__file__).parent), str(Path(__file__).parents[1] / "firstlayer")]

import camera_scenes  # noqa: E402
import firstlayer_second_judge as second  # noqa: E402
import second_scenes as scenes  # noqa: E402

from twinlapse.firstlayer.mosaic import LayerPictures, SurveyFrame  # noqa: E402
from twinlapse.firstlayer.reading import look_over  # noqa: E402

ROWS: dict[str, dict] = {
    "sound": {},
    "sound, parking 0.3": {"spoil": {"parking": 0.3}},
    "sound, glare": {"spoil": {"glare": 2.0, "flicker": 0.2}},
    "sound, dirt on lens": {"spoil": {"dirt": 4}},
    "dirty before and after": {"clump": 2.0, "before": True},
    "clump 1.5": {"clump": 1.5},
    "clump 2": {"clump": 2.0},
    "clump 3": {"clump": 3.0},
    "motion 4, one": {"motion": 4.0, "share": 0.0},
    "motion 6, one": {"motion": 6.0, "share": 0.0},
    "motion 6, half": {"motion": 6.0, "share": 0.5},
    "motion 8, all": {"motion": 8.0, "share": 1.0},
    "blur 2": {"blur": 2.0},
    "blur 3": {"blur": 3.0},
    "blur 4": {"blur": 4.0},
    "gaps, blur 2": {"blur": 2.0, "gaps": True},
    "gaps, blur 3": {"blur": 3.0, "gaps": True},
    "gaps, blur 4": {"blur": 4.0, "gaps": True},
    "gaps, blur 5": {"blur": 5.0, "gaps": True},
    "gaps, motion 8, all": {"motion": 8.0, "share": 1.0, "gaps": True},
    "gaps, motion 8, half": {"motion": 8.0, "share": 0.5, "gaps": True},
}


def survey_of(name: str, seed: int) -> tuple[LayerPictures, object, scenes.Pinhole, dict]:
    """Draw one scene: its pictures, what the toolpath says, the true camera and what was done to it."""
    row, dice = ROWS[name], np.random.default_rng([seed, 17])
    layer, long = second.layer_for(seed)
    plastic, bed = second.LOOKS[seed // 3 % len(second.LOOKS)]
    spoil = scenes.Nuisance(**{"glare": 0.25, "blur_px": row.get("blur", 0.0), **row.get("spoil", {})})
    camera = second.true_camera(dice)
    done: dict = {"gaps": []}
    cuts = []
    for k in dice.permutation(long)[:3].tolist() if row.get("gaps") else ():
        a, b, c, d = layer.lines[k]
        at = (a + 0.5 * (c - a), b + 0.5 * (d - b))
        if all(math.dist(at, other) > 4 for other in done["gaps"]):
            cuts.append((k, 0.5, 0.8))
            done["gaps"].append(at)
    ground = scenes.lay(layer, plastic, bed, spoil, dice, gaps=cuts)
    empty = scenes.lay(layer, plastic, bed, spoil, np.random.default_rng([seed, 17, 1]), gone=True)
    places = second.places_for(layer, scenes.HEIGHT)
    frames = [scenes.shoot(ground, camera, p, spoil, dice) for p in places]
    bare = [scenes.shoot(empty, camera, p, spoil, dice) for p in places]
    if "clump" in row:
        lump = camera_scenes.clump_of(row["clump"], plastic, dice)
        frames = [camera_scenes.with_clump(picture, camera, lump, dice) for picture in frames]
        if row.get("before"):
            bare = [camera_scenes.with_clump(picture, camera, lump, dice) for picture in bare]
        done["clump"] = lump
    if "motion" in row:
        count = max(1, round(row["share"] * len(frames)))
        chosen = sorted(dice.permutation(len(frames))[:count].tolist())
        for k in chosen:
            angle = dice.uniform(0, math.pi)
            frames[k] = camera_scenes.moved(
                frames[k], row["motion"], angle, camera_scenes.nozzle_of(camera, frames[k].shape[:2])
            )
        done["moved"] = chosen
    survey = LayerPictures(
        frames=tuple(SurveyFrame(picture=p, nozzle_mm=at) for p, at in zip(frames, places, strict=True)),
        camera=second.CAMERA,
        printer=second.PRINTER,
        top_mm=scenes.HEIGHT,
        height_mm=scenes.HEIGHT,
        bare=tuple(SurveyFrame(picture=p, nozzle_mm=at) for p, at in zip(bare, places, strict=True)),
    )
    return survey, second.lines_of(layer), camera, done


def main(names: list[str], seeds: range) -> None:
    """Print what is said of the camera in each scene."""
    for name in names:
        said: Counter[str] = Counter()
        for seed in seeds:
            survey, lines, _, done = survey_of(name, seed)
            judgement = look_over(survey, lines).judgement
            trouble = judgement.trouble
            words = trouble.sentences if trouble else (judgement.why,)
            said[str(judgement.sound)] += 1
            said.update(word.split(" by ")[0].split(" at ")[0] for word in words)
            boxes = [defect.box_mm for defect in judgement.defects]
            found = sum(any(second._near(box, x, y) for box in boxes) for x, y in done["gaps"])
            said.update({"gaps": len(done["gaps"]), "gaps found": found})
            print(f"  {name} {seed}: {judgement.sound} {found}/{len(done['gaps'])} {words}", end=" ")
            print(done.get("moved", ""), flush=True)
        print(f"{name}: {dict(said)}", flush=True)


if __name__ == "__main__":
    words = sys.argv[1:]
    chosen = list(ROWS) if not words or words[0] == "all" else words[0].split(";")
    count, first = int(words[1]) if len(words) > 1 else 3, int(words[2]) if len(words) > 2 else 40000
    main(chosen, range(first, first + count))
