"""How often a corner that rises is told, and how often a steady one is, with and without a brim.

``python tests/bench/firstlayer_corners.py [prints] [first seed] [--second] [--parking=0.05,0.1]
[--bed=rough,bare] [--brim=0,1] [--lift=0.3,0.5,1] [--filament=terracotta,light,dark]`` prints the table of
docs/firstlayer.md. Each print has three layers and is looked at after each; size, turn, place, colours and
the brim's width are drawn by lot, anew for each row, so that rows may be added up.
Once all its corners stay, and once for each lift one of them bends up after the first layer, over 9 mm and
its brim's width; a lift is what the outermost place rises by. The pictures come from the rehearsal's camera,
or with ``--second`` from tests/firstlayer/corner_scenes.py, which shares no code with it, by a camera that is
not the one of the rig.
"""

from __future__ import annotations

import functools
import itertools
import math
import sys
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from firstlayer_rehearsed import CAMERA, LOOKS, PRINTER, RIG, jpeg
from numpy.typing import NDArray

from twinlapse.firstlayer.corner_check import CornerCheck, watch_corners
from twinlapse.firstlayer.mosaic import SurveyFrame
from twinlapse.gcode import Kind, Layers, Toolpath, find_layers, read_toolpath
from twinlapse.optics.window import RISE_MM, window_of
from twinlapse.plan.where.corner_visits import watched_corners
from twinlapse.rehearsal.beads import Beads, beads_of
from twinlapse.rehearsal.defects import LIFT_REACH_MM
from twinlapse.rehearsal.execution import rest_place
from twinlapse.rehearsal.faults import Faults, mishaps, parking_error
from twinlapse.rehearsal.scene import Scene, VirtualCamera
from twinlapse.rehearsal.survey_frames import FILAMENTS

sys.path.insert(0, str(Path(__file__).parents[1] / "firstlayer"))

import corner_scenes

Float = NDArray[np.float64]
LAYERS = 3
LIFTS_MM = (0.3, 0.5, 1.0)
FILAMENT = ("terracotta", "light", "dark")  # of rehearsed prints, by seed
PARKING_MM = (0.05, 0.1, 0.2, 0.3)
WIDTH_MM, HEIGHT_MM = 0.45, 0.2


@dataclass(frozen=True)
class Print:
    """A small box, and what the sliced file says of it."""

    lines: tuple[Float, ...]  # of each layer: (n, 4) first and last ends
    brim_mm: float
    path: Toolpath
    layers: Layers
    corners: list[tuple[float, float]]
    loose: int  # lines at the beginning that lie beside the print: a skirt


def drawn_by_lot(seed: int, brim: bool) -> Print:
    """Return a box with sharp, rounded or cut corners, turned anyhow, with a skirt or a brim."""
    dice = np.random.default_rng([seed, 71])
    wide, deep = dice.uniform(20, 34, 2)
    shape = "sharp", "sharp", "rounded", "cut"
    outline = _box(wide, deep, shape[int(dice.integers(4))])
    turn = dice.uniform(0, math.pi / 2) * bool(dice.integers(2))
    loops = int(dice.integers(5, 16)) if brim else 0
    spin = np.array([[math.cos(turn), math.sin(turn)], [-math.sin(turn), math.cos(turn)]])
    middle = dice.uniform(100, 120, 2)
    around = [_offset(outline, (k + 1) * WIDTH_MM) for k in range(loops)][::-1]
    skirt = [_offset(outline, 4.0)] * (bool(dice.integers(2)) and not brim)
    around = around or skirt
    lines = []
    for layer in range(LAYERS):
        loops_here = (around if layer == 0 else []) + [_offset(outline, -k * WIDTH_MM) for k in range(2)]
        walls = [np.column_stack([loop, np.roll(loop, -1, axis=0)]) for loop in loops_here]
        fill = _filling(_offset(outline, -2 * WIDTH_MM), math.pi / 4 + layer * math.pi / 2)
        both = np.concatenate([*walls, fill]).reshape(-1, 2) @ spin + middle
        lines.append(both.reshape(-1, 4))
    path, layers = _as_read(lines)
    return Print(
        tuple(lines),
        loops * WIDTH_MM,
        path,
        layers,
        watched_corners(path, layers, LAYERS - 1),
        sum(map(len, skirt)),
    )


def _box(wide: float, deep: float, corner: str) -> Float:
    ends = np.array([[-wide, -deep], [wide, -deep], [wide, deep], [-wide, deep]]) / 2
    if corner == "sharp":
        return ends
    turns = [0.0, 1.0] if corner == "cut" else np.linspace(0, 1, 7)
    cut, out = 1.5, []
    for k, end in enumerate(ends):
        start = math.pi + k * math.pi / 2
        centre = end - cut * np.sign(end)
        out += [
            centre + cut * np.array([math.cos(start + t * math.pi / 2), math.sin(start + t * math.pi / 2)])
            for t in turns
        ]
    return np.array(out)


def _offset(outline: Float, by_mm: float) -> Float:
    """Return a convex outline, anticlockwise, moved outward; its corners are rounded as a slicer's are."""
    out = []
    for before, here, after in zip(
        np.roll(outline, 1, axis=0), outline, np.roll(outline, -1, axis=0), strict=True
    ):
        sides = [
            math.atan2(b[1] - a[1], b[0] - a[0]) - math.pi / 2 for a, b in ((before, here), (here, after))
        ]
        turn = (sides[1] - sides[0]) % (2 * math.pi)
        if by_mm > 0:
            steps = max(2, math.ceil(turn / 0.2))
            ways = sides[0] + np.linspace(0, turn, steps)
            out += [here + by_mm * np.array([math.cos(w), math.sin(w)]) for w in ways]
        else:
            middle = sides[0] + turn / 2
            out.append(here + by_mm / math.cos(turn / 2) * np.array([math.cos(middle), math.sin(middle)]))
    return np.array(out)


def _filling(outline: Float, turn: float) -> Float:
    """Return lines through a convex outline, (n, 4), to and fro."""
    along, across = np.array([math.cos(turn), math.sin(turn)]), np.array([-math.sin(turn), math.cos(turn)])
    at, out = outline @ across, []
    for t in np.arange(at.min() + WIDTH_MM / 2, at.max(), WIDTH_MM):
        cuts = []
        for (a, b), (u, v) in zip(
            zip(at, np.roll(at, -1), strict=True),
            zip(outline, np.roll(outline, -1, axis=0), strict=True),
            strict=True,
        ):
            if (a - t) * (b - t) < 0:
                cuts.append(float((u + (t - a) / (b - a) * (v - u)) @ along))
        if len(cuts) == 2 and abs(cuts[0] - cuts[1]) > 0.5:
            low, high = sorted(cuts)[:: 1 if len(out) % 2 else -1]
            out.append([*(t * across + low * along), *(t * across + high * along)])
    return np.array(out)


def _as_read(lines: Sequence[Float]) -> tuple[Toolpath, Layers]:
    """Return the print as its sliced file is read."""
    area = (WIDTH_MM - HEIGHT_MM) * HEIGHT_MM + math.pi * HEIGHT_MM**2 / 4
    text = ["G28", "G90", "M83"]
    for layer, ends in enumerate(lines):
        text += [f";LAYER:{layer}", f"G0 Z{(layer + 1) * HEIGHT_MM:.1f} F600"]
        for x0, y0, x1, y1 in ends:
            feed = area * math.hypot(x1 - x0, y1 - y0) / (math.pi * 1.75**2 / 4)
            text += [f"G0 X{x0:.3f} Y{y0:.3f} F9000", f"G1 X{x1:.3f} Y{y1:.3f} E{feed:.5f} F1800"]
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "box.gcode"
        file.write_text("\n".join([*text, "M84"]) + "\n")
        path = read_toolpath(file)
    return path, find_layers(path)


def places(made: Print, layer: int) -> list[tuple[float, float, float]]:
    """Return where the nozzle stands to look at each corner."""
    middle = window_of(CAMERA, PRINTER, RISE_MM).middle_mm
    z_mm = float(made.layers.z_mm[layer]) + RISE_MM
    return [(x - middle[0], y - middle[1], z_mm) for x, y in made.corners]


class Rehearsed:
    """A print before the rehearsal's camera."""

    def __init__(self, made: Print, seed: int, parking_mm: float, bare: bool) -> None:
        self.made, self.seed = made, seed
        filament, self.textured, _ = LOOKS[2 * (seed % 3) + bare]
        self.hue = FILAMENTS[filament]
        self.beads = beads_of(made.path, 1.75, 0.4)
        self.faults = Faults(parking_mm=parking_mm, missing=0, damaged=0)

    @functools.cache  # noqa: B019 - lives as long as its print
    def camera(self, risen: int, lift_mm: float) -> VirtualCamera:
        """Return the camera before the print with one corner bent up."""
        beads = _raised(self.beads, self.made, self.made.corners[risen], lift_mm)
        scene = Scene.of(
            beads, self.made.path, PRINTER, rest_place(RIG), self.hue, textured=self.textured, bed_gloss=0.35
        )
        return VirtualCamera(scene, CAMERA)

    def picture(self, layer: int, corner: int, risen: int, lift_mm: float) -> NDArray[np.uint8]:
        """Return what it sees of a corner after a layer, as the JPEG that the job would keep."""
        count = int((self.beads.row < self.made.layers.first_row[layer + 1]).sum())
        dice = 1000 * self.seed + 100 * round(10 * lift_mm) + 10 * layer + corner
        error = parking_error(dice, 1, 9, self.faults)
        mishap = mishaps(dice, 9, 1, self.faults)[0]
        place = places(self.made, layer)[corner]
        camera = self.camera(risen, lift_mm)
        return jpeg(camera.take(place, error, count, mishap, self.faults.noise, metered=True))


def _raised(beads: Beads, made: Print, corner: tuple[float, float], lift_mm: float) -> Beads:
    """Return the print with one corner bent up, as the rehearsal bends it."""
    columns = {name: getattr(beads, name).copy() for name in Beads.__dataclass_fields__}
    reach_mm = LIFT_REACH_MM + made.brim_mm
    own = beads.row >= np.flatnonzero(made.path.kind == Kind.EXTRUDE)[made.loose]
    for name in ("first_mm", "last_mm"):
        away = np.hypot(*(columns[name][:, :2] - np.array(corner)).T)
        columns[name][:, 2] += own * lift_mm * np.clip(1 - away / reach_mm, 0, 1) ** 2
    return Beads(**columns)


class Drawn:
    """The same before the other renderer's camera."""

    def __init__(self, made: Print, seed: int, parking_mm: float, bare: bool) -> None:
        self.made = made
        self.box = corner_scenes.Box(
            made.lines, HEIGHT_MM, seed, loose=made.loose, plain=bare, parking_mm=parking_mm
        )

    def picture(self, layer: int, corner: int, risen: int, lift_mm: float) -> NDArray[np.uint8]:
        """Return what it sees of a corner after a layer."""
        up = (*self.made.corners[risen], lift_mm, LIFT_REACH_MM + self.made.brim_mm)
        run = 1000 * round(10 * lift_mm) + 10 * layer + corner
        return self.box.shoot(self.box.ground(layer, up), places(self.made, layer)[corner], run)


Shown = dict[int, tuple[list[SurveyFrame], float]]


def shown(look: Rehearsed | Drawn, made: Print, risen: int, lift_mm: float, some: Sequence[int]) -> Shown:
    """Return the pictures of some corners after each layer; what rises does so after the first."""
    taken = {}
    for layer in range(LAYERS):
        up = lift_mm if layer else 0.0
        frames = [
            SurveyFrame(picture=look.picture(layer, k, risen if up else 0, up), nozzle_mm=place)
            for k, place in enumerate(places(made, layer))
            if k in some
        ]
        taken[layer] = (frames, float(made.layers.z_mm[layer]))
    return taken


@dataclass
class Count:
    """What was said over some prints."""

    told: dict[float, int] = field(default_factory=dict)
    tried: dict[float, int] = field(default_factory=dict)
    accused: int = 0
    steady: int = 0  # that are known
    unknown: int = 0
    corners: int = 0
    error_mm: list[float] = field(default_factory=list)


def judged(made: Print, shown: Shown) -> CornerCheck:
    """Return what the check says."""
    found = watch_corners(shown, made.path, made.layers, CAMERA, PRINTER, LAYERS - 1)
    assert found is not None
    return found


def table(prints: range, second: bool, asked: dict[str, tuple[float, ...]]) -> None:
    """Print a row for each parking error, bed and kind of foot; dark filament on a dark bed has its own."""
    lifts = asked["lift"]
    print("parking".ljust(9), "bed".ljust(6), "foot".ljust(6), *(f"lift {mm:g}".rjust(9) for mm in lifts))
    rows = itertools.product(asked["brim"], asked["bed"], asked["parking"])
    for row, (brim, bare, parking_mm) in enumerate(rows):
        counts = {
            bed: Count(tried=dict.fromkeys(lifts, 0), told=dict.fromkeys(lifts, 0))
            for bed in ("bare" if bare else "rough", "dark")
        }
        for seed in range(prints.start + row * len(prints), prints.stop + row * len(prints)):
            if not second and seed % len(FILAMENT) not in asked["filament"]:
                continue
            made = drawn_by_lot(seed, bool(brim))
            look = (Drawn if second else Rehearsed)(made, seed, parking_mm, bool(bare))
            dark = not second and LOOKS[2 * (seed % 3)][0] == "dark"
            count = counts["dark" if dark else "bare" if bare else "rough"]
            _tried(made, look, lifts, seed, count)
        for bed, count in counts.items():
            if count.corners:
                _row(f"{parking_mm:g} mm".ljust(9), bed, "brim" if brim else "plain", count)


def _tried(made: Print, look: Rehearsed | Drawn, lifts: Sequence[float], seed: int, count: Count) -> None:
    """Count what is said of a print whose corners stay, and of one that rises, for each lift."""
    for run, lift_mm in enumerate((0.0, *lifts)):
        risen = (seed + run) % len(made.corners)
        some = [risen] if lift_mm else range(len(made.corners))
        for watch in judged(made, shown(look, made, risen, lift_mm, some)).watches:
            if not lift_mm:
                count.steady += watch.known
                count.accused += watch.lifted
                count.error_mm += watch.lift_mm[1:][np.isfinite(watch.lift_mm[1:])].tolist()
            elif watch.corner_mm == made.corners[risen]:
                count.tried[lift_mm] += 1
                count.told[lift_mm] += watch.lifted
            else:
                continue
            count.corners += 1
            count.unknown += not watch.known
            if "-v" in sys.argv and watch.lifted != (lift_mm > 0):
                print(f"   {seed} {lift_mm=} {watch.lift_mm.round(2)} {watch.corner_mm}")


def _row(parking: str, bed: str, foot: str, count: Count) -> None:
    cells = [f"{count.told[mm]}/{count.tried[mm]}".rjust(9) for mm in count.tried]
    rest = f"steady accused {count.accused}/{count.steady}, not known {count.unknown}/{count.corners}"
    spread = f"error {np.std(count.error_mm or [math.nan]):.3f} mm"
    print(parking, bed.ljust(6), foot.ljust(6), *cells, rest, spread, flush=True)


def main() -> None:
    """Read the arguments."""
    words = [w for w in sys.argv[1:] if not w.startswith("-")]
    count, first = int(words[0]) if words else 6, int(words[1]) if len(words) > 1 else 0
    asked: dict[str, tuple[float, ...]] = {"parking": PARKING_MM, "bed": (0.0, 1.0), "brim": (0.0, 1.0)}
    asked |= {"lift": LIFTS_MM, "filament": (0.0, 1.0, 2.0)}
    for word in sys.argv[1:]:
        name, _, values = word.lstrip("-").partition("=")
        if name in asked:
            names = {"rough": 0.0, "bare": 1.0} | {word: float(k) for k, word in enumerate(FILAMENT)}
            asked[name] = tuple(names[v] if v in names else float(v) for v in values.split(","))
    table(range(first, first + count), "--second" in sys.argv, asked)


if __name__ == "__main__":
    main()
