#!/usr/bin/env python3
"""Rehearsed pictures of a level nozzle camera beside real ones: a contact sheet, and figures of both.

``python tests/bench/rehearsed_beside_real.py SHEET.png PICTURE...`` with photographs taken beside a nozzle.
The figures: mean brightness, share of dazzled pixels, colourfulness (Hasler and Suesstrunk 2003), sharpness
of the picture's middle.
"""

from __future__ import annotations

import sys
from pathlib import Path

import cv2
import numpy as np

from twinlapse.gcode import read_toolpath
from twinlapse.rehearsal.beads import beads_of
from twinlapse.rehearsal.faults import Mishap
from twinlapse.rehearsal.nuisances import nuisances_of
from twinlapse.rehearsal.scene import Scene, VirtualCamera
from twinlapse.rig import Camera, Lens, Printer, Toolhead

SAMPLE = Path(__file__).parents[2] / "sample_jobs" / "seedling_pot" / "pot.gcode"
PRINTER = Printer(bed_mm=(220, 220), height_mm=250, toolhead=Toolhead(radius_mm=65))
CAMERA = Camera(
    name="nozzle",
    mount="toolhead",
    place_mm=(0.0, -16.0, 5.5),
    look_mm=(0.0, 0.0, 0.6),
    lens=Lens(width_px=1280, height_px=720, across_deg=55.0, focus_mm=17.0),
)
NOISE = 0.8  # steps of 255: the photographs were smoothed by the camera and by JPEG
LOOKS = (
    ("terracotta", (0.47, 0.155, 0.072), 0.5),
    ("white", (0.62, 0.6, 0.55), 0.05),
    ("yellow", (0.65, 0.42, 0.02), 0.9),
    ("red", (0.5, 0.05, 0.03), 0.3),
)


def main(sheet: str, pictures: list[str]) -> None:
    """Draw the sheet and print the figures."""
    path = read_toolpath(SAMPLE)
    beads = beads_of(path, 1.75, 0.4)
    how = nuisances_of(["optics", "strings", "dirty-nozzle", "pebbled-sheet"])
    rehearsed = []
    for k, (_, hue, share) in enumerate(LOOKS):
        scene = Scene.of(beads, path, PRINTER, (110.0, 110.0, 100.0), hue, nuisances=how)
        eye = VirtualCamera(scene, CAMERA, how, k)
        count = int(share * len(beads))
        x, y, z = (float(v) for v in beads.last_mm[count])
        mishap = Mishap(shake_rad=(0.0, 0.0, 0.0), gain=1.0, state="ok", seed=k)
        rehearsed.append(eye.take((x, y, z + 0.3), (0.0, 0.0, 0.0), count, mishap, NOISE, metered=True))
    real = [cv2.cvtColor(cv2.imread(name), cv2.COLOR_BGR2RGB) for name in pictures]
    print("picture".ljust(14), "mean  dazzled  colourful  sharp")
    names = [*(Path(name).stem for name in pictures), *(name for name, _, _ in LOOKS)]
    for name, picture in zip(names, [*real, *rehearsed], strict=True):
        print(name.ljust(14), *figures(picture))
    tile = (640, 360)
    rows = [
        np.hstack([cv2.resize(p, tile, interpolation=cv2.INTER_AREA) for p in some])
        for some in (real[:4], rehearsed)
        if some
    ]
    width = max(row.shape[1] for row in rows)
    rows = [np.pad(row, ((0, 0), (0, width - row.shape[1]), (0, 0))) for row in rows]
    cv2.imwrite(sheet, cv2.cvtColor(np.vstack(rows), cv2.COLOR_RGB2BGR))


def figures(picture: np.ndarray) -> list[str]:
    """Return mean, dazzled share, colourfulness and sharpness as words."""
    r, g, b = np.moveaxis(picture.astype(np.float64), -1, 0)
    rg, yb = r - g, (r + g) / 2 - b
    colourful = np.hypot(rg.std(), yb.std()) + 0.3 * np.hypot(rg.mean(), yb.mean())
    grey = cv2.cvtColor(picture, cv2.COLOR_RGB2GRAY).astype(np.float64)
    middle = grey[grey.shape[0] // 3 :, grey.shape[1] // 4 : -grey.shape[1] // 4]
    sharp = cv2.Laplacian(middle, cv2.CV_64F).std()
    dazzled = (picture.min(axis=2) >= 247).mean()
    return [f"{picture.mean():5.0f}", f"{dazzled:7.1%}", f"{colourful:9.0f}", f"{sharp:8.1f}"]


if __name__ == "__main__":
    main(sys.argv[1], sys.argv[2:])
