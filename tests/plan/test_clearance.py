"""No head ever meets printed material or a keep-out: by a voxel sweep that shares no code with the plan."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial import cKDTree

from twinlapse.gcode import Toolpath, read_toolpath, row_before_line
from twinlapse.plan.clearance.height_map import BORDER_MM, MARGIN_MM, Ground
from twinlapse.plan.clearance.height_map_kernels import CELL_MM
from twinlapse.plan.clearance.routing import SIZE, Router, path_around
from twinlapse.plan.cost import legs_of
from twinlapse.rig import KeepOut, Printer, Toolhead

Point = tuple[float, float, float]
STEP_MM = 0.5


def meets(printer: Printer, boxes: np.ndarray, way: Sequence[Point]) -> str:
    """Say what the head meets on a way past solid boxes (x0, x1, y0, y1, top), "" when nothing.

    The head is three solids: a cylinder from the tip up to the block, one from there up, and (not on a fixed
    bed) a beam along all of X. A solid meets a box when the box is nearer, seen from above, than the solid's
    radius and higher than its underside.
    """
    head = printer.toolhead
    for (ax, ay, az), (bx, by, bz) in pairwise(way):
        count = max(2, int(np.hypot(bx - ax, by - ay) / STEP_MM) + 2)
        t = np.linspace(0, 1, count)[:, None]
        x, y, z = ax + (bx - ax) * t, ay + (by - ay) * t, az + (bz - az) * t
        dx = np.maximum(np.maximum(boxes[:, 0] - x, x - boxes[:, 1]), 0)
        dy = np.maximum(np.maximum(boxes[:, 2] - y, y - boxes[:, 3]), 0)
        away, top = np.hypot(dx, dy), boxes[:, 4]
        if ((away < head.nozzle_radius_mm) & (top > z + 1e-6)).any():
            return "nozzle"
        if ((away < head.radius_mm) & (top > z + head.nozzle_length_mm + 1e-6)).any():
            return "head"
        beam = printer.kinematics != "bed-fixed"
        if beam and ((dy < head.radius_mm) & (top > z + head.gantry_mm + 1e-6)).any():
            return "gantry"
        for box in printer.keep_out:
            inside = (x > box.x_mm[0]) & (x < box.x_mm[1]) & (y > box.y_mm[0]) & (y < box.y_mm[1])
            if (inside & (z < box.z_mm)).any():
                return "keep-out"
    return ""


def fill(ground: Ground, i: slice, j: slice, top_mm: float) -> None:
    """Raise some cells, as if something had been printed there."""
    ground.top[i, j] = np.maximum(ground.top[i, j], top_mm)
    ground.by_x[:], ground.by_y[:] = ground.top.max(axis=1), ground.top.max(axis=0)
    ground.highest_mm = max(ground.highest_mm, top_mm)


def solid(ground: Ground) -> np.ndarray:
    """Return the filled cells of a map as boxes."""
    i, j = np.nonzero(ground.top > 0)
    x, y = ground.left_mm + i * CELL_MM, ground.front_mm + j * CELL_MM
    return np.stack([x, x + CELL_MM, y, y + CELL_MM, ground.top[i, j]], axis=1).astype(float)


@pytest.fixture(scope="module")
def any_path(tmp_path_factory: pytest.TempPathFactory) -> Toolpath:
    file = tmp_path_factory.mktemp("any") / "any.gcode"
    file.write_text("G28\nG90\nM83\nG1 Z0.2 F600\nG1 X10 Y10 F6000\nG1 X11 Y10 E1\n")
    return read_toolpath(file, firmware="marlin")


blocks = st.lists(
    st.tuples(st.floats(5, 80), st.floats(5, 80), st.floats(1, 15), st.floats(1, 15), st.floats(0.2, 60)),
    min_size=1,
    max_size=5,
)
spot = st.tuples(st.floats(1, 99), st.floats(1, 99))


@settings(max_examples=60, deadline=None, derandomize=True)
@given(
    blocks=blocks,
    start=spot,
    end=spot,
    low=st.floats(1, 40),
    fixed=st.booleans(),
    keep=st.booleans(),
    data=st.data(),
)
def test_no_swept_head_meets_what_is_printed(
    any_path: Toolpath,
    blocks: list,
    start: tuple,
    end: tuple,
    low: float,
    fixed: bool,
    keep: bool,
    data: st.DataObject,
) -> None:
    head = Toolhead(
        radius_mm=data.draw(st.floats(5, 20)),
        nozzle_radius_mm=data.draw(st.floats(1, 4)),
        nozzle_length_mm=data.draw(st.floats(2, 8)),
        gantry_mm=data.draw(st.floats(15, 60)),
    )
    printer = Printer(
        bed_mm=(100.0, 100.0),
        height_mm=200.0,
        toolhead=head,
        kinematics="bed-fixed" if fixed else "bed-moves-y",
        keep_out=(KeepOut(x_mm=(40.0, 60.0), y_mm=(45.0, 55.0), z_mm=25.0),) if keep else (),
    )
    ground = Ground(any_path, printer)
    for x, y, wide, deep, top in blocks:
        i, j = int((x + BORDER_MM) / CELL_MM), int((y + BORDER_MM) / CELL_MM)
        fill(ground, slice(i, i + int(wide / CELL_MM)), slice(j, j + int(deep / CELL_MM)), top)
    solids = solid(ground)
    needed = ground.needed_z(start, end)
    assert meets(printer, solids, [(*start, needed), (*end, needed)]) == ""
    if needed > 2.0:  # the margins are the only slack: much lower must not be allowed
        around = path_around(ground, start, end, low)
        if around is not None:
            way = [(x, y, low) for x, y in (start, *around, end)]
            assert meets(printer, solids, way) == ""


@settings(max_examples=25, deadline=None, derandomize=True)
@given(steps=st.lists(st.tuples(blocks, st.floats(0.5, 60)), min_size=1, max_size=5), fixed=st.booleans())
def test_what_is_kept_of_blocked_cells_is_what_the_whole_map_says(
    any_path: Toolpath, steps: list, fixed: bool
) -> None:
    """While the print grows, at heights to and fro; the judge measures every cell from all of the map."""
    head = Toolhead(radius_mm=12, nozzle_radius_mm=3, nozzle_length_mm=5, gantry_mm=30)
    kinematics = "bed-fixed" if fixed else "bed-moves-y"
    ground = Ground(
        any_path, Printer(bed_mm=(100.0, 100.0), height_mm=200.0, toolhead=head, kinematics=kinematics)
    )
    router = Router(ground)
    size = SIZE * CELL_MM
    for boxes, z in steps:
        for x, y, wide, deep, top in boxes:
            i, j = int((x + BORDER_MM) / CELL_MM), int((y + BORDER_MM) / CELL_MM)
            fill(ground, slice(i, i + int(wide / CELL_MM)), slice(j, j + int(deep / CELL_MM)), top)
        found = router.blocked_cells(z)
        expected = router.outside.copy()
        middle = (np.arange(found.shape[0]) + 0.5) * size
        for k, (radius, drop) in enumerate(zip(ground.radius_mm, ground.drop_mm, strict=True)):
            high = np.argwhere(ground.top.astype(float) - drop > z - MARGIN_MM)
            places = (high + 0.5) * CELL_MM
            if not len(high):
                continue
            if k == 2:  # the gantry, by rows of coarse cells
                rows = high[:, 1] // SIZE
                reach = int((radius + size) / size) + 1
                expected[:, (np.abs(np.arange(found.shape[1])[:, None] - rows).min(axis=1) <= reach)] = True
                continue
            away = cKDTree(places).query(np.stack(np.meshgrid(middle, middle, indexing="ij"), axis=-1))[0]
            expected |= away <= radius + size
        assert (found == expected).all()


def test_the_sweep_can_fail(any_path: Toolpath) -> None:
    printer = Printer(bed_mm=(100.0, 100.0), height_mm=200.0)
    tower = np.array([[45.0, 55.0, 45.0, 55.0, 30.0]])
    assert meets(printer, tower, [(0, 50, 29), (100, 50, 29)]) == "nozzle"
    assert meets(printer, tower, [(0, 20, 20), (100, 20, 20)]) == "head"
    assert meets(printer, tower, [(0, 20, 26), (100, 20, 26)]) == ""
    low = Printer(bed_mm=(100.0, 100.0), height_mm=200.0, toolhead=Toolhead(radius_mm=10, gantry_mm=20))
    assert meets(low, tower, [(0, 50, 9), (20, 50, 9)]) == "gantry"


def test_needed_height_is_not_wasteful(any_path: Toolpath) -> None:
    printer = Printer(bed_mm=(100.0, 100.0), height_mm=200.0, kinematics="bed-fixed")
    ground = Ground(any_path, printer)
    fill(ground, slice(160, 180), slice(160, 180), 30.0)  # x and y from 50 to 60 mm
    assert ground.needed_z((0, 55), (100, 55)) == pytest.approx(30.5)
    assert ground.needed_z((0, 80), (100, 80)) == pytest.approx(
        26.5
    )  # the head's reach, its underside 4 mm up
    assert ground.needed_z((0, 97), (100, 97)) == 0.0


@pytest.fixture
def walled(any_path: Toolpath) -> Ground:
    """A wall of 40 mm across most of a bed, free at the back."""
    head = Toolhead(radius_mm=8, nozzle_radius_mm=2, nozzle_length_mm=4, gantry_mm=100)
    printer = Printer(bed_mm=(100.0, 100.0), height_mm=30.0, toolhead=head)
    ground = Ground(any_path, printer)
    fill(ground, slice(160, 164), slice(60, 200), 25.0)  # x 50 to 52, y 0 to 70
    return ground


def test_a_way_around_is_found_and_short(walled: Ground) -> None:
    around = path_around(walled, (20, 20), (80, 20), 5.0)
    assert around is not None and len(around) >= 1
    way = [(20, 20, 5.0), *((x, y, 5.0) for x, y in around), (80, 20, 5.0)]
    assert meets(walled.printer, solid(walled), way) == ""
    length = sum(float(np.hypot(b[0] - a[0], b[1] - a[1])) for a, b in pairwise(way))
    # the shortest way that keeps 8 mm from the wall's end: two tangents and an arc
    shortest = 2 * float(np.hypot(30, 58))
    assert length < 1.1 * shortest


def test_no_way_is_said_to_be_none(walled: Ground) -> None:
    fill(walled, slice(160, 164), slice(60, 260), 25.0)
    assert path_around(walled, (20, 20), (80, 20), 5.0) is None


def towers(heights: Sequence[float], gap_mm: float = 60.0) -> str:
    """Return boxes printed one after the other along X."""
    text = "G28\nG90\nM83\nG1 Z5 F600\n"
    for k, height in enumerate(heights):
        x, y = 20 + gap_mm * k, 100
        text += f"G1 Z{max(heights) + 5} F600\nG1 X{x} Y{y} F9000\n"
        for layer in range(round(height / 0.4)):
            text += f";LAYER:{layer}\nG1 Z{0.4 * (layer + 1):.2f} F600\n"
            text += f"G1 X{x + 10} Y{y} E1 F1800\nG1 X{x + 10} Y{y + 10} E1\n"
            text += f"G1 X{x} Y{y + 10} E1\nG1 X{x} Y{y} E1\n"
            text += f"G1 X{x + 5} Y{y + 5} F9000\nG1 X{x} Y{y} F9000\n"
    return text


def sweep_plan(worked: object) -> list[str]:
    """Return what each shot of a plan meets, by a raster of the moves printed before it."""
    path, printer, plan = worked.path, worked.rig.printer, worked.planning.plan  # type: ignore[attr-defined]
    found = []
    points = np.stack([path.x_mm, path.y_mm, path.z_mm], axis=1)
    for shot in plan.shots[:: max(1, len(plan.shots) // 8)]:
        row = row_before_line(path, shot.after_line + 1)
        laid = np.flatnonzero(path.kind[: row + 1] == 1)
        a, b = points[laid - 1], points[laid]
        steps = np.hypot(*(b - a)[:, :2].T) // 0.4 + 2
        segment = np.repeat(np.arange(len(a)), steps.astype(int))
        t = (np.arange(len(segment)) - np.repeat(np.cumsum(steps) - steps, steps.astype(int))) / (
            steps[segment] - 1
        )
        xy = a[segment, :2] + (b - a)[segment, :2] * t[:, None]
        cells, where = np.unique(np.floor(xy / 0.5).astype(int), axis=0, return_inverse=True)
        top = np.full(len(cells), -1.0)
        np.maximum.at(top, where.ravel(), b[segment, 2])
        x, y = cells.T * 0.5
        boxes = np.stack([x, x + 0.5, y, y + 0.5, top], axis=1)
        home = tuple(points[row].tolist())
        # what the original itself stands next to is the slicer's affair
        near = np.hypot(boxes[:, 0] - home[0], boxes[:, 2] - home[1]) < printer.toolhead.radius_mm + 1
        keep = ~(near & (boxes[:, 4] > home[2] + printer.toolhead.nozzle_length_mm))
        legs = [leg[1:] if k == 0 else leg for k, leg in enumerate(legs_of(shot, home))]
        legs[-1] = legs[-1][:-1]  # straight up and down above the print is where the original has just been
        found += [f"shot {shot.number}: {what}" for leg in legs if (what := meets(printer, boxes[keep], leg))]
    return found


@pytest.mark.parametrize("name", ["towers_one_at_a_time.gcode", "towers_one_at_a_time_bare.gcode"])
@pytest.mark.parametrize("machine", ["bed moves y", "fixed round bed"])
def test_one_at_a_time_no_way_crosses_a_finished_tower(
    name: str, machine: str, sliced_folder: Path, make_rig: Callable, plan_file: Callable
) -> None:
    assert sweep_plan(plan_file(sliced_folder / name, make_rig(machine))) == []


@pytest.mark.parametrize("tall", [12.0, 30.0])
def test_a_tall_neighbour_is_passed_over_or_around(
    tall: float, tmp_path: Path, make_rig: Callable, plan_file: Callable
) -> None:
    file = tmp_path / "towers.gcode"
    file.write_text(towers([tall, 4.0]))
    head = {"radius_mm": 15, "nozzle_length_mm": 5, "height_mm": 40, "gantry_mm": 45}
    printer = {
        "bed_mm": [120, 220],
        "height_mm": 34,
        "toolhead": head,
        "keep_out": [{"x_mm": [60, 110], "y_mm": [60, 80]}],
    }
    wide = {"name": "wide", "mount": "frame", "stance": "clear", "park_mm": [5, 108]}
    worked = plan_file(file, make_rig(printer, wide))
    assert sweep_plan(worked) == []
    late = worked.planning.plan.shots[-1]
    lifted = late.lift_mm > 5
    around = bool(late.back_mm or late.stops[0].via_mm)
    assert lifted or around


def test_when_neither_over_nor_around_is_possible_the_shot_is_refused(
    tmp_path: Path, make_rig: Callable, plan_file: Callable
) -> None:
    file = tmp_path / "towers.gcode"
    file.write_text(towers([20.0, 4.0]))
    printer = {
        "bed_mm": [120, 220],
        "height_mm": 22,
        "toolhead": {"radius_mm": 15, "nozzle_length_mm": 5, "gantry_mm": 45},
        "keep_out": [{"x_mm": [45, 55], "y_mm": [0, 95]}, {"x_mm": [45, 55], "y_mm": [115, 220]}],
    }
    wide = {"name": "wide", "mount": "frame", "stance": "clear", "park_mm": [5, 30]}
    worked = plan_file(file, make_rig(printer, wide))
    assert sweep_plan(worked) == []
    refused = {refusal.layer for refusal in worked.planning.refusals}
    assert refused
    assert any("shots cannot be taken" in text for text in worked.planning.plan.warnings)
