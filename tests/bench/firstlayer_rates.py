"""How often seeded defects are found and sound layers accused: a table."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path
from typing import Any

import numpy as np

from twinlapse.firstlayer.classify import judge
from twinlapse.firstlayer.mosaic import build_mosaic

SCENES = Path(__file__).parents[1] / "firstlayer" / "conftest.py"
LOOKS = {
    "green on dark": {},
    "dark on light, bare": {"filament": (50, 52, 60), "bed": (150, 150, 146), "texture": 1.0},
    "light on dark, rough": {"filament": (215, 215, 205), "bed": (60, 58, 56), "texture": 14.0},
    "black on dark, rough": {"filament": (38, 38, 42), "bed": (62, 64, 70), "texture": 6.0},
}
GAPS_MM = (0.3, 0.5, 0.8, 1.2, 3.0)


def main(sound: int = 13, faulty: int = 6) -> None:
    """Print the table."""
    spec = importlib.util.spec_from_file_location("scenes", SCENES)
    assert spec is not None and spec.loader is not None
    scenes = importlib.util.module_from_spec(spec)
    sys.modules["scenes"] = scenes
    spec.loader.exec_module(scenes)
    heads = [f"gap {g:g}" for g in GAPS_MM] + ["missing line", "blob 2"]
    print("look".ljust(24), *[h.rjust(12) for h in heads], "false/sound".rjust(12), "place px".rjust(9))
    for name, look in LOOKS.items():
        hits, tries, errors, false = np.zeros(len(heads)), np.zeros(len(heads)), [], 0
        for seed in range(faulty + sound):
            dice = np.random.default_rng(1000 + seed)
            rows = dice.permutation(np.arange(3, 30, 4))[: len(GAPS_MM) + 1]
            here: dict[str, Any] = {}
            if seed < faulty:
                places = [(95 + 10 * dice.random(), 90.9 + 0.225 + 0.45 * r) for r in rows]
                here = {
                    "gaps": [(x, y, g) for (x, y), g in zip(places, GAPS_MM, strict=False)],
                    "missing": [int(rows[-1])],
                    "blobs": [(96.0 + 4 * dice.random(), 107.4, 2.0)],
                }
            scene = scenes.Scene(size_mm=16.0, seed=seed, **look, **here)
            frames, off = scene.frames()
            mosaic = build_mosaic(scenes.survey_by(frames))
            found = judge(mosaic, scene.lines(), smallest_mm=0.3)
            away = mosaic.shifts_mm - off
            errors.append(np.sqrt(((away - away.mean(axis=0)) ** 2).sum(axis=1).mean()) / 0.1)
            if seed >= faulty:
                false += len(found.defects)
                continue
            at = np.array([d.at_mm for d in found.defects]).reshape(-1, 2)
            shift = off.mean(axis=0)
            wanted = [*((x, y) for x, y, _ in here["gaps"]), (98.0, places[-1][1]), here["blobs"][0][:2]]
            for k, place in enumerate(wanted):
                tries[k] += 1
                near = np.abs(at - np.array(place) - shift)
                reach = (6.0, 0.7) if k == len(GAPS_MM) else (1.2, 0.7)
                hits[k] += bool((near < reach).all(axis=1).any())
        cells = [f"{h:.0f}/{t:.0f}" for h, t in zip(hits, tries, strict=True)]
        print(
            name.ljust(24),
            *[c.rjust(12) for c in cells],
            f"{false}/{sound}".rjust(12),
            f"{np.mean(errors):.3f}".rjust(9),
            flush=True,
        )


if __name__ == "__main__":
    main(*(int(word) for word in sys.argv[1:]))
