"""Every kind of printed stroke against everything that asks where material lies.

The judge knows each figure from its closed form (a line, a circle, a helix) and samples it by itself; nothing
here reads the toolpath. Each cell of the matrix is one test.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path

import numpy as np
import pytest
from scipy.spatial import cKDTree

from twinlapse.arrays import Float
from twinlapse.buffered_bytes import file_bytes
from twinlapse.firstlayer.canvas import canvas_over
from twinlapse.firstlayer.expected import drawn, lines_of
from twinlapse.gcode import Layers, Toolpath, find_layers, read_toolpath
from twinlapse.gcode.analysis import analysis_json
from twinlapse.inject.proof import printed_heights
from twinlapse.inject.proof.arc_reading import read_arcs
from twinlapse.plan.clearance.height_map import Ground
from twinlapse.plan.clearance.height_map_kernels import CELL_MM
from twinlapse.plan.where.corner_visits import outermost_corners
from twinlapse.plan.where.look_points import DIRECTIONS, reach_of
from twinlapse.plan.where.stop_positions import print_box
from twinlapse.plan.where.survey_grid import layer_ends, plan_survey
from twinlapse.rehearsal.beads import beads_of
from twinlapse.rig import Camera, Printer

FLAT = 5  # layers of 0.2 mm
SAMPLE_MM = 0.04
FEED = 0.05  # mm of filament a mm of path: a line 0.64 mm wide at 0.2 mm
CAMERA = Camera(
    name="nozzle", mount="toolhead", place_mm=(0.0, -28.0, 34.0), look_mm=(0.0, -6.0, 0.0), stance="over"
)
Place = tuple[float, float, float]


@dataclass
class Pen:
    """Writes strokes in one way of speaking, and keeps what they are by their closed forms."""

    relative: bool = False
    inches: bool = False
    volumetric: bool = False
    letter: str = "E"
    by_radius: bool = False
    lines: list[str] = field(default_factory=list)
    layers: list[list[Float]] = field(default_factory=list)
    at: Place = (0.0, 0.0, 0.0)

    def begin(self) -> None:
        """Write the modes; Marlin's G90 makes E words positions, so M83 follows it."""
        self.lines += ["M104 S200", "G28", "G20" if self.inches else "G21", "G91" if self.relative else "G90"]
        self.lines += ["M83"] if self.letter == "E" else []
        self.lines += ["M200 D1.75"] if self.volumetric else []
        self.lines += ["G1 F1800"]

    def layer(self) -> None:
        """Begin another layer."""
        self.lines.append(f";LAYER:{len(self.layers)}")
        self.layers.append([])

    def travel(self, to: Place) -> None:
        """Go somewhere without printing."""
        self.lines.append("G0" + self._place(to))
        self.at = to

    def line(self, to: Place) -> None:
        """Print a straight line."""
        start, end = np.array(self.at), np.array(to)
        length = float(np.linalg.norm(end - start))
        share = np.linspace(0, 1, 2 + int(length / SAMPLE_MM))[:, None]
        self._print("G1", to, "", length, start + share * (end - start))

    def arc(self, centre: tuple[float, float], turns: float, rise: float = 0.0) -> None:
        """Print a part of a circle in the XY plane, counter-clockwise where `turns` is positive."""
        dx, dy = self.at[0] - centre[0], self.at[1] - centre[1]
        radius, first = math.hypot(dx, dy), math.atan2(dy, dx)
        length = math.hypot(2 * math.pi * radius * turns, rise)
        share = np.linspace(0, 1, 2 + int(length / SAMPLE_MM))
        angle = first + 2 * math.pi * turns * share
        x, y = centre[0] + radius * np.cos(angle), centre[1] + radius * np.sin(angle)
        points = np.column_stack([x, y, self.at[2] + rise * share])
        unit = 25.4 if self.inches else 1.0
        words = f" I{-dx / unit:.6f} J{-dy / unit:.6f}"
        if self.by_radius:
            words = f" R{(radius if abs(turns) <= 0.5 else -radius) / unit:.6f}"
        end = tuple(points[-1].tolist())
        self._print("G3" if turns > 0 else "G2", end, words, length, points)

    def _print(self, command: str, to: Place, words: str, length: float, points: Float) -> None:
        fed = length * FEED * (math.pi * 1.75**2 / 4 if self.volumetric else 1) / (25.4 if self.inches else 1)
        self.lines.append(f"{command}{self._place(to)}{words} {self._fed(fed)}")
        self.layers[-1].append(points)
        self.at = to

    def _fed(self, fed: float) -> str:
        if self.letter == "E":
            return f"E{fed:.6f}"
        self.total = getattr(self, "total", 0.0) + fed  # this extruder counts on
        return f"{self.letter}{self.total:.6f}"

    def _place(self, to: Place) -> str:
        unit = 25.4 if self.inches else 1.0
        base = self.at if self.relative else (0.0, 0.0, 0.0)
        return "".join(f" {axis}{(to[k] - base[k]) / unit:.6f}" for k, axis in enumerate("XYZ"))

    def points(self, layer: int | None = None) -> Float:
        """Return the samples of one layer, or of all."""
        kept = self.layers if layer is None else [self.layers[layer]]
        return np.concatenate([points for strokes in kept for points in strokes])


def square(pen: Pen, z: float, x: float = 80.13, y: float = 80.17) -> None:
    """Print a rectangle, 44 by 30 mm."""
    pen.travel((x, y, z))
    for corner in ((x + 44, y), (x + 44, y + 30), (x, y + 30), (x, y)):
        pen.line((*corner, z))


def slot(pen: Pen, z: float, x: float = 80.13, y: float = 80.17) -> None:
    """Print a slot: two lines and two arcs of 0.4 and 0.6 turns."""
    pen.travel((x, y, z))
    pen.line((x + 40, y, z))
    pen.arc((x + 40, y + 16), 0.4)
    pen.line((x, y + 30, z))
    pen.arc((x + 5, y + 16), -0.6)


def ring(pen: Pen, z: float) -> None:
    """Print a whole circle of radius 35."""
    pen.travel((140.13, 110.17, z))
    pen.arc((105.13, 110.17), -1.0)


def figure(kind: str) -> tuple[Pen, Printer]:
    """Return the strokes of a kind, and the machine that they are for."""
    options = {
        "arc by radius": {"by_radius": True},
        "relative": {"relative": True},
        "inches": {"inches": True},
        "volumetric": {"volumetric": True},
        "letter A": {"letter": "A"},
        "letter B": {"letter": "B"},
        "letter U": {"letter": "U"},
    }
    pen = Pen(**options.get(kind, {}))
    printer = Printer(bed_mm=(220, 220), height_mm=250, origin="center" if kind == "centre" else "corner")
    pen.begin()
    for layer in range(FLAT):
        z = round(0.2 * (layer + 1), 3)
        pen.layer()
        if kind in ("straight", "helix", "slope up", "slope down"):
            square(pen, z)
        elif kind == "full circle":
            ring(pen, z)
        elif kind == "centre":
            slot(pen, z, -69.87, -19.83)
        else:
            slot(pen, z)
    if kind == "helix":
        pen.travel((130.13, 110.17, 1.0))
        for _ in range(3):
            pen.arc((110.13, 110.17), 1.0, 4.0)
    if kind == "slope up":
        pen.travel((84.13, 84.17, 1.0))
        pen.line((120.13, 84.17, 31.0))
    if kind == "slope down":
        pen.travel((84.13, 84.17, 31.0))
        pen.line((120.13, 84.17, 1.0))
    return pen, printer


KINDS = (
    "straight", "arc by centre", "arc by radius", "full circle", "helix", "slope up", "slope down",
    "relative", "inches", "centre", "volumetric", "letter A", "letter B", "letter U",
)  # fmt: skip
TOP = FLAT - 1  # the layer with the helix or the slope in it


@dataclass(frozen=True)
class Case:
    """One kind of stroke, read, and known beforehand."""

    pen: Pen
    printer: Printer
    path: Toolpath
    layers: Layers


@pytest.fixture(scope="module")
def case_of(tmp_path_factory: pytest.TempPathFactory) -> Callable[[str], Case]:
    """Read each kind once."""
    folder: Path = tmp_path_factory.mktemp("strokes")

    @lru_cache
    def case(kind: str) -> Case:
        pen, printer = figure(kind)
        file = folder / f"{kind.replace(' ', '_')}.gcode"
        file.write_text("\n".join(line for line in pen.lines if line) + "\n")
        path = read_toolpath(file, firmware="marlin")
        layers = find_layers(path)
        assert len(layers) == FLAT
        return Case(pen, printer, path, layers)

    return case


def far_apart(points: Float, others: Float) -> float:
    """Return how far the farthest point is from the nearest of the others."""
    return float(cKDTree(others).query(points)[0].max())


def check_height_map(case: Case) -> None:
    """Each cell with material is as high as it, and no cell is higher than what is within a cell of it."""
    ground = Ground(case.path, case.printer)
    ground.advance(len(case.path) - 1)
    points = case.pen.points()
    cells = ((points[:, :2] - [ground.left_mm, ground.front_mm]) / CELL_MM).astype(int)
    truth = np.full(ground.top.shape, -np.inf)
    np.maximum.at(truth, tuple(cells.T), points[:, 2])
    near = np.max(
        [np.roll(truth, (i, j), (0, 1)) for i in (-1, 0, 1) for j in (-1, 0, 1)], axis=0
    )  # the test's own cells may be missed at a corner by either side
    reached = np.max([np.roll(ground.top, (i, j), (0, 1)) for i in (-1, 0, 1) for j in (-1, 0, 1)], axis=0)
    steep = 0.02 + CELL_MM * 30 / 36  # what a slope rises within a cell
    full = np.isfinite(truth)
    assert (reached[full] >= truth[full] - 0.021).all()
    assert (ground.top[full] >= truth[full] - 0.021).mean() > 0.98  # but where a chord cuts a corner
    laid = ground.top > -1e8
    assert (ground.top[laid] <= near[laid] + steep).all()
    assert laid.sum() == pytest.approx(full.sum(), rel=0.07)
    assert ground.highest_mm == pytest.approx(points[:, 2].max(), abs=0.001)


def check_box(case: Case) -> None:
    """The print's box is that of the samples."""
    points = case.pen.points()[:, :2]
    low, high = print_box(case.path, case.layers)
    assert low == pytest.approx(points.min(axis=0), abs=0.002)
    assert high == pytest.approx(points.max(axis=0), abs=0.002)


def check_outline(case: Case) -> None:
    """How far the print reaches in each direction from a place inside it."""
    points = case.pen.points(TOP)[:, :2]
    centre = points.mean(axis=0)
    reach = reach_of(case.path, case.layers.first_row, np.tile(centre, (FLAT, 1)))[TOP]
    away = points - centre
    whole = np.abs(away).sum(axis=1)
    share = np.where(away[:, 1] >= 0, 1 - away[:, 0] / whole, 3 + away[:, 0] / whole) / 4
    truth = np.zeros(DIRECTIONS)
    np.maximum.at(truth, (share * DIRECTIONS).astype(int) % DIRECTIONS, np.hypot(*away.T))
    around = np.stack([np.roll(truth, -1), truth, np.roll(truth, 1)])  # a place may lie just across a border
    assert (reach <= around.max(axis=0) + 0.05).all()
    assert (reach >= around.min(axis=0) - 0.85).all()  # places are taken 0.8 mm apart
    assert np.abs(reach - truth).mean() < 0.2


def check_survey(case: Case) -> None:
    """The stops show all of the layer, by windows laid over the samples."""
    survey = plan_survey(case.path, case.layers, TOP, CAMERA, case.printer)
    points = case.pen.points(TOP)[:, :2]
    seen = np.zeros(len(points), bool)
    for stop in survey.stops:
        off = points - [stop.x_mm, stop.y_mm]
        x, y = survey.window.x_mm, survey.window.y_mm
        seen |= (off[:, 0] >= x[0]) & (off[:, 0] <= x[1]) & (off[:, 1] >= y[0]) & (off[:, 1] <= y[1])
    assert seen.all()
    assert survey.seen_share == pytest.approx(1.0)
    for stop in survey.stops:  # and none of them shows nothing
        middle = np.add([stop.x_mm, stop.y_mm], survey.window.middle_mm)
        reach = np.abs(points - middle) <= np.array(survey.window.size_mm) / 2 + 0.1
        assert reach.all(axis=1).any()


def check_corners(case: Case) -> None:
    """Corners lie on the figure: all four of a rectangle, none of a circle."""
    points = case.pen.points(TOP)[:, :2]
    found = outermost_corners(layer_ends(case.path, case.layers, TOP))
    strokes = [stroke[:, :2] for stroke in case.pen.layers[TOP]]
    if len(strokes) == 1:  # the circle
        assert found == []
        return
    corners = np.array(found)
    assert far_apart(corners, points) < 0.3
    if len(strokes) <= 5 and all(np.ptp(stroke, axis=0).min() < 1e-6 for stroke in strokes):  # the rectangle
        truth = np.array([stroke[0] for stroke in strokes[:4]])
        assert len(corners) == 4
        assert far_apart(truth, corners) < 1.0


def check_expected_picture(case: Case) -> None:
    """What should be seen is inked, and nothing else, to the half width of a line."""
    points = case.pen.points(TOP)[:, :2]
    lines = lines_of(case.path, case.layers, TOP, case.printer)
    canvas = canvas_over(points.min(axis=0), points.max(axis=0), 0.1, 2.0)
    ink = drawn(lines, canvas)
    at = np.round(canvas.to_px(points)).astype(int)
    assert ink[at[:, 1], at[:, 0]].all()
    inked = canvas.grid_mm()[ink]
    assert far_apart(inked, points) < lines.width_mm.max() / 2 + 0.15
    assert lines.length_mm.sum() == pytest.approx(
        sum(np.hypot(*np.diff(p[:, :2], axis=0).T).sum() for p in case.pen.layers[TOP]), rel=0.002
    )
    flat = (FEED * math.pi * 1.75**2 / 4) / 0.2 + 0.2 * (1 - math.pi / 4)
    assert lines_of(case.path, case.layers, 1, case.printer).width_mm == pytest.approx(flat, abs=0.01)


def check_beads(case: Case) -> None:
    """Beads follow the samples half their height below."""
    beads = beads_of(case.path, case.printer.filament_mm, case.printer.nozzle_mm)
    share = np.linspace(0, 1, 60)[None, :, None]
    first, last = beads.first_mm[:, None].astype(float), beads.last_mm[:, None].astype(float)
    along = (first + share * (last - first)).reshape(-1, 3)
    along[:, 2] += np.repeat(beads.half_height_mm, 60)
    points = case.pen.points()
    assert far_apart(along, points) < 0.05
    assert far_apart(points, along) < 0.1


def check_extents(case: Case) -> None:
    """The extents that `analyse` prints are those of the samples."""
    found = analysis_json(case.path, case.layers, np.zeros(len(case.path)), with_layers=False)
    points = case.pen.points()
    assert found["bbox_mm"][0] == pytest.approx(points.min(axis=0), abs=0.002)
    assert found["bbox_mm"][1] == pytest.approx(points.max(axis=0), abs=0.002)
    strokes = [points for layer in case.pen.layers for points in layer]
    length = sum(np.linalg.norm(np.diff(points, axis=0), axis=1).sum() for points in strokes)
    assert found["extruded_mm"] == pytest.approx(FEED * length, rel=1e-3)


def check_proof(case: Case) -> None:
    """What the proof lays on its own: a bare tip on a way of 1 mm meets what is there, and clears it above.

    A bead and a cell make what is met 1.08 mm wide to either side at most, and 0.6 mm at least; a
    slope is as high as the higher end of each of its steps, 0.1 mm.
    """
    path, points = case.path, case.pen.points()
    with file_bytes(path.path, "G-code file") as view:
        arcs = read_arcs(path, view)
    low, high = points.min(axis=0) - 5, points.max(axis=0) + 5
    rng = np.random.default_rng(14)
    begin = np.concatenate(
        [rng.choice(points[:, :2], 150), rng.uniform(low[:2], high[:2] - [1, 0], (150, 2))]
    )
    along = points[:, None, 0] - begin[:, 0]
    off = np.hypot(along - np.clip(along, 0, 1), points[:, None, 1] - begin[:, 1])
    near = np.where(off <= 0.6, points[:, None, 2], 0.0).max(axis=0)
    around = np.where(off <= 1.08, points[:, None, 2], 0.0).max(axis=0)
    meets = near > 0
    begin = np.concatenate([begin[meets], begin])
    heights = np.concatenate([near[meets] - 0.05, around + 0.15]) + printed_heights.TRAVEL_AIR_MM
    start, step = np.column_stack([begin, heights]), np.array([1.0, 0.0, 0.0])
    home = np.tile([low[0], low[1], 0.0], (len(start), 1))  # far away and low: it excuses nothing
    found = np.zeros(len(start), np.int64)
    printed_heights.sweep(
        path.kind, path.x_mm, path.y_mm, path.z_mm, arcs.row, arcs.curve, np.array([len(path)]),
        np.zeros(len(start), np.int64), start, start + step, home, np.zeros(len(start), bool),
        home[:1, :2].copy(), np.array([0, 1]), printed_heights.empty_tops(*(high - low)[:2].tolist()), low[0],
        low[1], np.array([0.6, 0.0, 0.6, 1.0]), found, np.zeros((4, 3)),
    )  # fmt: skip
    assert (found[: meets.sum()] == printed_heights.TIP).all()
    assert (found[meets.sum() :] == printed_heights.CLEAR).all()


CHECKS: dict[str, Callable[[Case], None]] = {
    "height map": check_height_map,
    "box": check_box,
    "outline": check_outline,
    "survey": check_survey,
    "corners": check_corners,
    "expected picture": check_expected_picture,
    "beads": check_beads,
    "extents": check_extents,
    "proof": check_proof,
}


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("asked", CHECKS)
def test_where_a_stroke_lies(case_of: Callable[[str], Case], kind: str, asked: str) -> None:
    CHECKS[asked](case_of(kind))
