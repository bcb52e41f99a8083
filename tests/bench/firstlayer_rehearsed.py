"""How the first layer is judged on rehearsed pictures: defects, places of the frames.

``python tests/bench/firstlayer_rehearsed.py [defects|placement] [seeds]`` prints the tables of
docs/firstlayer.md.
The pictures come from the rehearsal's camera, the defects from its own generator, the stops from the planner.
A gap is named by its bare length: the path is cut by a line's width more, which its round ends cover.
"""

from __future__ import annotations

import itertools
import sys
import tempfile
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from twinlapse.firstlayer.classify import Defect, judge
from twinlapse.firstlayer.expected import Lines, lines_of
from twinlapse.firstlayer.mosaic import LayerPictures, Mosaic, SurveyFrame, build_mosaic
from twinlapse.gcode import Layers, Toolpath, find_layers, read_toolpath
from twinlapse.optics.pose import on_plane, pose_in_bed, see
from twinlapse.plan.where.survey_grid import plan_survey
from twinlapse.rehearsal.beads import Beads, beads_of
from twinlapse.rehearsal.defects import PlantedDefect as Put
from twinlapse.rehearsal.defects import layer_beads, put_in
from twinlapse.rehearsal.execution import encode, rest_place
from twinlapse.rehearsal.faults import Faults, mishaps, parking_error
from twinlapse.rehearsal.scene import Scene, VirtualCamera
from twinlapse.rehearsal.survey_frames import FILAMENTS
from twinlapse.rig import Camera, Printer, Rig, Toolhead

Float = NDArray[np.float64]
SIDE_MM = 26.0
PRINTER = Printer(bed_mm=(220, 220), height_mm=250, toolhead=Toolhead(radius_mm=65))
CAMERA = Camera(name="nozzle", mount="toolhead", place_mm=(0.0, -28.0, 34.0), look_mm=(0.0, -6.0, 0.0))
RIG = Rig(printer=PRINTER, cameras=(CAMERA,))
LOOKS = (  # filament, whether the bed is rough, whether the camera chooses its exposure
    ("terracotta", True, True),
    ("terracotta", False, True),
    ("light", True, True),
    ("light", False, True),
    ("dark", True, True),
    ("dark", False, True),
    ("light", True, False),
)
GLARES = (0.1, 0.5, 2.0)
SIZES_MM = (0.3, 0.5, 0.8, 0.8, 1.2, 3.0)
WANTED = (*(("gap", size) for size in SIZES_MM), ("missing", 12.0), ("blob", 2.0))
SMALLEST_MM = 0.4  # as the command has it
MARGIN_MM = 0.5  # of a box around what was found: parking errors, and that a rise hides some bed


@dataclass(frozen=True)
class Sheet:
    """One layer of a sliced file."""

    path: Toolpath
    layers: Layers
    beads: Beads

    @property
    def top_mm(self) -> float:
        return float(self.layers.z_mm[0])


def sheet() -> Sheet:
    """Return a square of two walls and a straight filling, as a file is read."""
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
        return read(file)


def pot() -> Sheet:
    """Return the first layer of the sample job."""
    return read(Path(__file__).parents[2] / "sample_jobs" / "seedling_pot" / "pot.gcode")


def read(file: Path) -> Sheet:
    """Return the first layer of a sliced file."""
    path = read_toolpath(file)
    return Sheet(path, find_layers(path), layer_beads(beads_of(path, 1.75, 0.4), path, 0))


def eye(sheet: Sheet, beads: Beads, filament: str, textured: bool, glare: float) -> VirtualCamera:
    """Return the camera before a layer."""
    hue = FILAMENTS[filament]
    scene = Scene.of(beads, sheet.path, PRINTER, rest_place(RIG), hue, textured=textured, bed_gloss=glare)
    return VirtualCamera(scene, CAMERA)


def frames(
    camera: VirtualCamera,
    places: list[tuple[float, float, float]],
    seed: int,
    faults: Faults,
    *,
    metered: bool = True,
) -> list[SurveyFrame]:
    """Return what it sees from each place, as the JPEG that the job would keep."""
    taken = []
    dice = mishaps(seed, 9, len(places), faults)
    for k, (place, mishap) in enumerate(zip(places, dice, strict=True), 1):
        error = parking_error(seed, k, 9, faults)
        picture = camera.take(place, error, len(camera.scene.beads), mishap, faults.noise, metered=metered)
        taken.append(SurveyFrame(picture=jpeg(picture), nozzle_mm=place))
    return taken


def jpeg(picture: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Return a picture as the job would keep it."""
    data = np.frombuffer(encode(picture, 92), np.uint8)
    return np.asarray(cv2.cvtColor(cv2.imdecode(data, cv2.IMREAD_COLOR), cv2.COLOR_BGR2RGB), np.uint8)


@dataclass
class Rates:
    """What was found of what was put in, over some layers."""

    put: Counter[tuple[str, float]] = field(default_factory=Counter)
    found: Counter[tuple[str, float]] = field(default_factory=Counter)
    sound: int = 0  # sound layers of which something could be told
    accused: int = 0  # sound layers with a false alarm
    beside: int = 0  # alarms on faulty layers where nothing was put in
    mute: int = 0  # layers of which nothing could be told
    unseen: list[float] = field(default_factory=list)

    def add(self, other: Rates) -> None:
        """Count another's layers too."""
        self.put.update(other.put)
        self.found.update(other.found)
        self.sound += other.sound
        self.accused += other.accused
        self.beside += other.beside
        self.mute += other.mute
        self.unseen += other.unseen

    def gaps(self, least_mm: float = 0.8) -> tuple[int, int]:
        """Return how many gaps of a bare length and more were found, and how many there were."""
        some = [key for key in self.put if key[0] == "gap" and key[1] >= least_mm]
        return sum(self.found[key] for key in some), sum(self.put[key] for key in some)


def rates(
    filament: str, textured: bool, glare: float, seeds: range, *, faulty: bool = True, metered: bool = True
) -> Rates:
    """Return what is found on layers with faults, or on sound ones."""
    made, count = sheet(), Rates()
    survey = plan_survey(made.path, made.layers, 0, CAMERA, PRINTER)
    places = [(stop.x_mm, stop.y_mm, stop.z_mm) for stop in survey.stops]
    wanted_lines = lines_of(made.path, made.layers, 0, PRINTER)
    faults = Faults(parking_mm=0.1, missing=0, damaged=0)
    for seed in seeds:
        beads, put = made.beads, []
        if faulty:
            beads, put = put_in(made.beads, WANTED, np.random.default_rng([seed, 4]))
        eyes = eye(made, beads, filament, textured, glare)
        shown = frames(eyes, places, seed + 1000 * (not faulty), faults, metered=metered)
        mosaic = mapped(made, shown, wanted_lines)
        judgement = judge(mosaic, wanted_lines, smallest_mm=SMALLEST_MM)
        count.unseen.append(1 - judgement.seen_share)
        if not judgement.can_tell:
            count.mute += 1
            continue
        count.sound += not faulty
        _compared(judgement.defects, put, count)
    return count


def mapped(made: Sheet, shown: Sequence[SurveyFrame], lines: Lines) -> Mosaic:
    """Return the map, made as the command makes it."""
    height_mm = float(made.layers.height_mm[0])
    survey = LayerPictures(
        frames=tuple(shown), camera=CAMERA, printer=PRINTER, top_mm=made.top_mm, height_mm=height_mm
    )
    return build_mosaic(survey, lines)


def _compared(told: Sequence[Defect], put: Sequence[Put], count: Rates) -> None:
    """Count what was put in as found where a box covers its middle; neighbours may share one."""
    boxes = np.array([defect.box_mm for defect in told]).reshape(-1, 4)
    low, high = boxes[:, :2] - MARGIN_MM, boxes[:, :2] + boxes[:, 2:] + MARGIN_MM
    meant = np.zeros(len(boxes), bool)
    for defect in put:
        at = np.array([defect.x_mm, defect.y_mm])
        key = (defect.kind, 12.0 if defect.kind == "missing" else defect.size_mm)
        off = np.abs((low + high) / 2 - at)
        if defect.kind == "missing":  # lines here run along an axis; one that is parted is told in pieces
            near = (off < defect.size_mm / 2 + 1).all(axis=1) & (off < 1).any(axis=1)
        else:  # a lump shows by its flank
            near = (off < 1.2).all(axis=1)
        covers = ((low <= at) & (at <= high)).all(axis=1) | near
        count.put[key] += 1
        count.found[key] += bool(covers.any())
        meant |= covers
    if put:
        count.beside += int((~meant).sum())
    else:
        count.accused += len(boxes) > 0


def defects(seeds: int) -> None:
    """Print how many defects of each kind are found, and how many sound layers are accused."""
    heads = [f"{kind} {size:g}" for kind, size in dict.fromkeys(WANTED)]
    print(
        f"{seeds} faulty and {seeds} sound layers for each of the glares {GLARES}; gaps by their bare length"
    )
    print("look".ljust(26), *[h.rjust(10) for h in heads], "gaps >= 0.8".rjust(12), end=" ")
    print("sound accused".rjust(14), "beside".rjust(7), "unseen".rjust(7), "cannot tell".rjust(12))
    whole = Rates()
    for filament, textured, metered in LOOKS:
        count = Rates()
        for glare in GLARES:
            for faulty in (True, False):
                some = rates(filament, textured, glare, range(seeds), faulty=faulty, metered=metered)
                count.add(some)
        if metered:
            whole.add(count)
        name = f"{filament} on a {'rough' if textured else 'bare'} bed" + ("" if metered else ", fixed")
        _row(name, count, 2 * seeds * len(GLARES))
    _row("all but fixed", whole, 0)


def _row(name: str, count: Rates, layers: int) -> None:
    cells = [f"{count.found[key]}/{count.put[key]}".rjust(10) for key in dict.fromkeys(WANTED)]
    cells.append("{}/{}".format(*count.gaps()).rjust(12))
    cells.append(f"{count.accused}/{count.sound}".rjust(14))
    cells.append(f"{count.beside}".rjust(7))
    cells.append(f"{np.mean(count.unseen):7.1%}")
    cells.append(f"{count.mute}/{layers or len(count.unseen)}".rjust(12))
    print(name.ljust(26), *cells, flush=True)


def placement(seeds: int) -> None:
    """Print how far the frames of a map lie from their true places, in the sheet and in the sample job."""
    print("parking error 0.1 mm, cameras shaken by 0.02 degrees; one pixel of the map is 0.1 mm")
    print(
        "layer".ljust(10),
        "look".ljust(26),
        "stops",
        "raw px",
        "placed px RMS",
        "worst mm",
        "on the toolpath worst mm",
    )
    for name, made in (("sheet", sheet()), ("pot", pot())):
        for filament, textured, metered in LOOKS[:6]:
            raw, placed, worst, absolute, stops = [], [], [], [], 0
            for seed in range(seeds):
                before, after, moved = misplaced(made, filament, textured, metered, seed)
                stops = len(after)
                raw.append(np.sqrt((before**2).sum(axis=-1).mean()) / 0.1)
                placed.append(np.sqrt((after**2).sum(axis=-1).mean()) / 0.1)
                worst.append(np.hypot(*np.moveaxis(after, -1, 0)).max())
                absolute.append(np.hypot(*np.moveaxis(moved, -1, 0)).max())
            look = f"{filament} on a {'rough' if textured else 'bare'} bed"
            cells = [f"{np.mean(raw):6.2f}", f"{np.sqrt(np.mean(np.square(placed))):13.3f}"]
            cells += [f"{np.max(worst):8.3f}", f"{np.max(absolute):24.3f}"]
            print(name.ljust(10), look.ljust(26), f"{stops:5d}", *cells, flush=True)


def misplaced(
    made: Sheet, filament: str, textured: bool, metered: bool, seed: int
) -> tuple[Float, Float, Float]:
    """Return by how many mm points of each frame lie off their places, (frames, points, 2).

    As the machine says, as the map lays them (what all have in common taken out), and after the map was laid
    onto the toolpath (nothing taken out).
    """
    survey = plan_survey(made.path, made.layers, 0, CAMERA, PRINTER)
    places = [(stop.x_mm, stop.y_mm, stop.z_mm) for stop in survey.stops]
    faults = Faults(parking_mm=0.1, missing=0, damaged=0)
    shown = frames(eye(made, made.beads, filament, textured, 0.35), places, seed, faults, metered=metered)
    lines = lines_of(made.path, made.layers, 0, PRINTER)
    mosaic = mapped(made, shown, lines)
    laid = judge(mosaic, lines)
    x, y = (np.linspace(*span, 7) for span in (survey.window.x_mm, survey.window.y_mm))
    window = np.stack([*np.meshgrid(x, y)], axis=-1).reshape(-1, 2)
    off = []
    for k, (place, mishap) in enumerate(zip(places, mishaps(seed, 9, len(places), faults), strict=True), 1):
        there = np.array(place) + parking_error(seed, k, 9, faults)
        said = pose_in_bed(CAMERA, PRINTER, place)
        true = pose_in_bed(CAMERA, PRINTER, (there[0], there[1], there[2])).turned(mishap.shake_rad)
        ground = np.column_stack([window + place[:2], np.full(len(window), made.top_mm)])
        off.append(
            ground[:, :2] - on_plane(see(ground, said, CAMERA.lens), true, CAMERA.lens, made.top_mm)[:, :2]
        )
    before = np.array(off)
    after = before + mosaic.shifts_mm[:, None]
    return (
        before - before.mean(axis=(0, 1)),
        after - after.mean(axis=(0, 1)),
        after - np.array(laid.offset_mm),
    )


if __name__ == "__main__":
    what, count = (sys.argv[1:] + ["", "6"][len(sys.argv) - 1 :])[:2]
    if what in ("", "defects"):
        defects(int(count))
    if what in ("", "placement"):
        placement(int(count))
