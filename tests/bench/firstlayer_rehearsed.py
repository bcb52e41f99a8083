"""How the first layer is judged on rehearsed pictures: defects under more or less glare, and lifts.

``python tests/bench/firstlayer_rehearsed.py [defects|lifts] [seeds]`` prints tables for docs/firstlayer.md.
The pictures come from the rehearsal's camera, the defects from its own generator, the stops from the planner.
A gap is cut out of the path of the nozzle; the round ends of the line leave 0.45 mm less of it bare.
"""

from __future__ import annotations

import itertools
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np

from twinlapse.firstlayer.expected import lines_of
from twinlapse.firstlayer.judging import judge
from twinlapse.firstlayer.mosaic import SurveyFrame, build_mosaic
from twinlapse.firstlayer.patrol import strip_of, watch_corners
from twinlapse.gcode import Layers, Toolpath, find_layers, read_toolpath
from twinlapse.plan.corners import outermost_corners
from twinlapse.plan.survey import RISE_MM, layer_ends, plan_survey
from twinlapse.rehearsal.beads import Beads, beads_of
from twinlapse.rehearsal.defects import LIFT_REACH_MM, layer_beads, put_in
from twinlapse.rehearsal.faults import Faults, mishaps, parking_error
from twinlapse.rehearsal.scene import Scene, VirtualCamera
from twinlapse.rehearsal.shooting import encode, rest_place
from twinlapse.rehearsal.survey import FILAMENTS
from twinlapse.rig import Camera, Head, Printer, Rig
from twinlapse.rig.window import window_of

SIDE_MM = 26.0
PRINTER = Printer(bed_mm=(220, 220), height_mm=250, head=Head(radius_mm=65))
CAMERA = Camera(name="nozzle", mount="head", place_mm=(0.0, -28.0, 34.0), look_mm=(0.0, -6.0, 0.0))
RIG = Rig(printer=PRINTER, cameras=(CAMERA,))
LOOKS = (("terracotta", True), ("dark", False), ("light", True))
GLARES = (0.1, 0.35, 1.0, 2.0)
WANTED = (("gap", 0.8), ("gap", 1.0), ("gap", 1.25), ("gap", 3.0), ("missing", 12.0), ("blob", 2.0))
LIFTS_MM = (0.3, 0.5, 0.8, 1.2, 2.0)
PARKING_MM = (0.02, 0.05, 0.1)


@dataclass(frozen=True)
class Sheet:
    """A square of one layer: two walls and a straight filling."""

    path: Toolpath
    layers: Layers
    beads: Beads

    @property
    def top_mm(self) -> float:
        return float(self.layers.z_mm[0])


def sheet() -> Sheet:
    """Return the square as a file is read."""
    width, area = 0.45, (0.45 - 0.2) * 0.2 + np.pi * 0.2**2 / 4
    lines, at = ["G28", "G90", "M83", ";LAYER:0", "G0 Z0.2 F600"], (97.0, 97.0)

    def lay(points: list[tuple[float, float]]) -> None:
        lines.append(f"G0 X{at[0] + points[0][0]:.3f} Y{at[1] + points[0][1]:.3f} F9000")
        for (x0, y0), (x1, y1) in itertools.pairwise(points):
            feed = area * np.hypot(x1 - x0, y1 - y0) / (np.pi * 1.75**2 / 4)
            lines.append(f"G1 X{at[0] + x1:.3f} Y{at[1] + y1:.3f} E{feed:.5f} F1800")

    for k in range(2):
        a, b = k * width, SIDE_MM - k * width
        lay([(a, a), (b, a), (b, b), (a, b), (a, a)])
    for k in range(round((SIDE_MM - 4 * width) / width)):
        y = (2.5 + k) * width
        lay([(2 * width, y), (SIDE_MM - 2 * width, y)][:: 1 if k % 2 else -1])
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "sheet.gcode"
        file.write_text("\n".join([*lines, ";LAYER:1", "G0 Z0.4", "G1 X97 Y97 E1", "M84"]) + "\n")
        path = read_toolpath(file)
        layers = find_layers(path)
        return Sheet(path, layers, layer_beads(beads_of(path, 1.75, 0.4), path, 0))


def eye(sheet: Sheet, beads: Beads, filament: str, textured: bool, glare: float) -> VirtualCamera:
    """Return the camera before a layer."""
    hue = FILAMENTS[filament]
    scene = Scene.of(beads, sheet.path, PRINTER, rest_place(RIG), hue, textured=textured, bed_gloss=glare)
    return VirtualCamera(scene, CAMERA)


def frames(
    camera: VirtualCamera, places: list[tuple[float, float, float]], seed: int, faults: Faults
) -> list[SurveyFrame]:
    """Return what it sees from each place, as the JPEG that the job would keep."""
    taken = []
    dice = mishaps(seed, 9, len(places), faults)
    for k, (place, mishap) in enumerate(zip(places, dice, strict=True), 1):
        picture = camera.take(
            place, parking_error(seed, k, 9, faults), len(camera.scene.beads), mishap, faults.noise
        )
        data = np.frombuffer(encode(picture, 92), np.uint8)
        back = cv2.cvtColor(cv2.imdecode(data, cv2.IMREAD_COLOR), cv2.COLOR_BGR2RGB)
        taken.append(SurveyFrame(picture=np.asarray(back, np.uint8), nozzle_mm=place))
    return taken


def defects(seeds: int) -> None:
    """Print how many defects of each kind are found, and how many places of sound layers are accused."""
    made = sheet()
    survey = plan_survey(made.path, made.layers, 0, CAMERA, PRINTER)
    places = [(stop.x_mm, stop.y_mm, stop.z_mm) for stop in survey.stops]
    wanted_lines = lines_of(made.path, made.layers, 0, PRINTER)
    faults = Faults(parking_mm=0.1, missing=0, damaged=0)
    heads = [f"{kind} {size:g}" for kind, size in WANTED]
    print(f"{len(places)} stops a survey")
    print("look".ljust(26), "glare", *[h.rjust(11) for h in heads], "false/sound", "unseen", "cannot tell")
    for filament, textured in LOOKS:
        for glare in GLARES:
            hits, false, told, unseen = np.zeros(len(WANTED), int), 0, 0, []
            for seed in range(2 * seeds):
                faulty = seed < seeds
                beads, put = made.beads, []
                if faulty:
                    beads, put = put_in(made.beads, WANTED, np.random.default_rng([seed, 4]))
                shown = frames(eye(made, beads, filament, textured, glare), places, seed, faults)
                found = judge(
                    build_mosaic(shown, CAMERA, PRINTER, made.top_mm), wanted_lines, smallest_mm=0.4
                )
                told += found.can_tell
                unseen.append(1 - found.seen_share)
                if not faulty:
                    false += len(found.defects)
                    continue
                at = np.array([d.at_mm for d in found.defects]).reshape(-1, 2)
                for k, defect in enumerate(put):
                    reach = max(1.2, defect.size_mm / 2 if defect.kind != "missing" else 4.0)
                    near = np.abs(at - np.array([defect.x_mm, defect.y_mm]))
                    hits[k] += bool((near < [reach, 1.2]).all(axis=1).any())
            look = f"{filament} on a {'rough' if textured else 'bare'} bed"
            cells = [f"{h}/{seeds}".rjust(11) for h in hits]
            last = [f"{false}/{seeds}".rjust(11), f"{np.mean(unseen):6.1%}", f"{2 * seeds - told}".rjust(11)]
            print(look.ljust(26), f"{glare:5g}", *cells, *last, flush=True)


def lifts(seeds: int) -> None:
    """Print how often a lifted corner is told over three layers, and how often a steady one is."""
    made = sheet()
    corners = outermost_corners(layer_ends(made.path, made.layers, 0))
    middle = window_of(CAMERA, PRINTER, RISE_MM).middle_mm
    z_mm = made.top_mm + RISE_MM
    places = [(x - middle[0], y - middle[1], z_mm) for x, y in corners]
    print("parking error".ljust(14), *[f"lift {mm:g}".rjust(9) for mm in LIFTS_MM], "steady accused")
    for parking_mm in PARKING_MM:
        faults = Faults(parking_mm=parking_mm, missing=0, damaged=0)
        hits, false, steady = np.zeros(len(LIFTS_MM), int), 0, 0
        for seed in range(seeds):
            filament, textured = LOOKS[seed % len(LOOKS)]
            sound = eye(made, made.beads, filament, textured, 0.35)
            first = frames(sound, places, 10 * seed, faults)
            for n, lift_mm in enumerate((0.0, *LIFTS_MM)):
                risen = seed % len(corners)
                bent = eye(made, _raised(made.beads, corners[risen], lift_mm), filament, textured, 0.35)
                later = [frames(bent, places, 1000 * seed + 10 * n + k + 1, faults) for k in range(2)]
                shown = [first, *later]
                strips = [
                    strip_of(corner, [(of[k], made.top_mm) for of in shown], CAMERA, PRINTER)
                    for k, corner in enumerate(corners)
                ]
                nozzles = {corner: (*places[k][:2], RISE_MM) for k, corner in enumerate(corners)}
                watches = watch_corners(strips, nozzles, CAMERA, PRINTER)
                told = [watch.lifted for watch in watches]
                if lift_mm:
                    hits[n - 1] += told.pop(risen)
                false, steady = false + sum(told), steady + len(told)
        cells = [f"{h}/{seeds}".rjust(9) for h in hits]
        print(f"{parking_mm:g} mm".ljust(14), *cells, f"{false}/{steady}".rjust(14), flush=True)


def _raised(beads: Beads, corner: tuple[float, float], lift_mm: float) -> Beads:
    """Return the layer with one corner bent up, as the rehearsal bends it."""
    columns = {name: getattr(beads, name).copy() for name in Beads.__dataclass_fields__}
    for name in ("first_mm", "last_mm"):
        away = np.hypot(*(columns[name][:, :2] - np.array(corner)).T)
        columns[name][:, 2] += lift_mm * np.clip(1 - away / LIFT_REACH_MM, 0, 1) ** 2
    return Beads(**columns)


if __name__ == "__main__":
    what, count = (sys.argv[1:] + ["", "6"][len(sys.argv) - 1 :])[:2]
    if what in ("", "defects"):
        defects(int(count))
    if what in ("", "lifts"):
        lifts(int(count))
