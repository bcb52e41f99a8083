"""The survey: its window, its grid and its place in a plan."""

from __future__ import annotations

from contextlib import nullcontext
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from twinlapse.errors import PlanError, RigError
from twinlapse.gcode import find_layers, read_toolpath
from twinlapse.inject.writing import inject_file
from twinlapse.motion import time_toolpath
from twinlapse.optics.pose import in_picture, pose_on_mount, see
from twinlapse.optics.window import RISE_MM, window_of
from twinlapse.plan import work_out
from twinlapse.plan.where.survey_grid import layer_points, plan_survey, reachable, seen_share, with_surveys
from twinlapse.rig import Camera, KeepOut, Lens, Printer, Rig, read_rig, rig_from_mapping
from twinlapse.shots import BARE_BED, SURVEY

CAMERA = Camera(
    name="nozzle", mount="toolhead", place_mm=(0.0, -28.0, 34.0), look_mm=(0.0, -6.0, 0.0), stance="over"
)
PRINTER = Printer(bed_mm=(220, 220), height_mm=250)


@pytest.fixture(scope="module")
def slab(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two layers of 60 x 40 mm."""
    lines = ["G28", "G90", "M83", "M204 S1500"]
    for layer in range(2):
        lines += [f";LAYER:{layer}", f"G0 Z{0.2 * (layer + 1):.1f} F600", "G0 X80 Y80 F9000"]
        for k in range(40):
            y, x = 80 + k, (140, 80)[k % 2]
            lines += [f"G1 X{x} E2.2 F1800", f"G1 Y{y + 1} E0.04"]
    path = tmp_path_factory.mktemp("slab") / "slab.gcode"
    path.write_text("\n".join([*lines, "M84"]) + "\n")
    return path


def test_all_of_the_window_is_in_the_picture() -> None:
    window = window_of(CAMERA, PRINTER, RISE_MM)
    corners = np.array([[x, y, -RISE_MM] for x in window.x_mm for y in window.y_mm])
    assert in_picture(see(corners, pose_on_mount(CAMERA, PRINTER), CAMERA.lens), CAMERA.lens).all()
    assert min(window.size_mm) > 10


def test_a_camera_that_shows_nothing_well_has_no_window() -> None:
    with pytest.raises(RigError, match="no part of the layer"):
        window_of(replace(CAMERA, lens=Lens(focus_mm=400.0)), PRINTER, RISE_MM)


def test_the_stops_see_all_of_the_layer_with_overlap(slab: Path) -> None:
    toolpath = read_toolpath(slab)
    layers = find_layers(toolpath)
    survey = plan_survey(toolpath, layers, 0, CAMERA, PRINTER)
    points = layer_points(toolpath, layers, 0)
    places = [(stop.x_mm, stop.y_mm) for stop in survey.stops]
    assert survey.seen_share == seen_share(points, places, survey.window) == 1.0
    assert all(stop.z_mm == pytest.approx(0.2 + RISE_MM) for stop in survey.stops)
    # fewer than a grid without overlap would be too few, more than twice as many too long
    area = np.prod(np.ptp(points, axis=0) + 4) / np.prod(survey.window.size_mm)
    assert area <= len(places) <= 3 * area + 4
    way = np.hypot(*np.diff(places, axis=0).T)
    assert way.max() <= max(survey.window.size_mm) + 1e-6  # to and fro, no leap
    assert survey.cost_s > len(places) * CAMERA.dwell_s


def test_no_stop_nears_a_keep_out(slab: Path) -> None:
    toolpath = read_toolpath(slab)
    layers = find_layers(toolpath)
    guarded = replace(PRINTER, keep_out=(KeepOut(x_mm=(120.0, 126.0), y_mm=(60.0, 160.0), z_mm=12.0),))
    survey = plan_survey(toolpath, layers, 0, CAMERA, guarded)
    assert survey.stops
    assert survey.seen_share < 1
    assert not any(118 <= stop.x_mm <= 128 for stop in survey.stops)


def test_a_plan_with_a_survey_is_written_and_proven(slab: Path, tmp_path: Path) -> None:
    toolpath = read_toolpath(slab)
    layers = find_layers(toolpath)
    rig = rig_from_mapping(
        {
            "printer": {"bed_mm": [220, 220], "height_mm": 250},
            "camera": [
                {"name": "nozzle", "mount": "toolhead", "place_mm": [0, -28, 34], "look_mm": [0, -6, 0]}
            ],
        }
    )
    plan = work_out(toolpath, layers, time_toolpath(toolpath, PRINTER), rig).plan
    longer = with_surveys(plan, toolpath, layers, rig, [0])
    extra = len(longer.shots[0].stops) - len(plan.shots[0].stops)
    assert extra == len(plan_survey(toolpath, layers, 0, CAMERA, PRINTER).stops)
    assert longer.cost_s > plan.cost_s + extra
    assert longer.shots[1:] == plan.shots[1:]
    out = tmp_path / "filmed.gcode"
    inject_file(slab, longer, out)  # keeps the file only if the proof holds
    assert out.read_text().count("twinlapse cue 1.") == len(longer.shots[0].stops)
    with pytest.raises(PlanError, match="no shot to survey in"):
        with_surveys(replace(plan, shots=plan.shots[1:]), toolpath, layers, rig, [0])
    with pytest.raises(PlanError, match="camera on the head"):
        with_surveys(
            plan, toolpath, layers, Rig(printer=PRINTER, cameras=(replace(CAMERA, mount="bed"),)), [0]
        )


@pytest.mark.parametrize("apart_mm", [0.0, 0.4, 0.9])
def test_nearly_equal_stops_are_one(apart_mm: float) -> None:
    """Two stops that show the same are one; those a hair further apart stay two."""
    points = np.array([[100.0, 100.0], [110.0, 110.0]])
    places = [(100.0, 100.0), (100.0 + apart_mm, 100.0), (101.5, 100.0)]
    assert reachable(places, points, PRINTER) == [(100.0, 100.0), (101.5, 100.0)]


def test_a_layer_that_cannot_be_looked_over_is_told_in_one_line(slab: Path, tmp_path: Path) -> None:
    """A layer that the print does not have, and one beside a stroke that is higher."""
    file = tmp_path / "post.gcode"
    lines = slab.read_text().splitlines()
    stroke = ["G0 X20 Y20 Z9", "G1 X30 Z0.2 E1 F1800"]
    file.write_text("\n".join([*lines[:5], *stroke, *lines[5:]]) + "\n")
    purged = tmp_path / "purged.gcode"  # into the air, before the first layer: in nobody's way
    purged.write_text("\n".join([*lines[:4], *stroke, *lines[4:]]) + "\n")
    camera = {"name": "nozzle", "mount": "toolhead", "place_mm": [0, -28, 34], "look_mm": [0, -6, 0]}
    rig = rig_from_mapping({"printer": {"bed_mm": [220, 220], "height_mm": 250}, "camera": [camera]})
    for path, layer, said in (
        (slab, 2, "layer 3 .* the print has 2"),
        (file, 1, "8.6 mm higher"),
        (purged, 1, ""),
    ):
        toolpath = read_toolpath(path)
        layers = find_layers(toolpath)
        plan = work_out(toolpath, layers, time_toolpath(toolpath, PRINTER), rig).plan
        with pytest.raises(PlanError, match=said) if said else nullcontext():
            with_surveys(plan, toolpath, layers, rig, [layer])


HEAD = {"name": "nozzle", "mount": "toolhead", "place_mm": [0, -28, 34], "look_mm": [0, -6, 0]}


def test_a_survey_does_not_fly_into_what_was_printed_before_the_first_layer(
    slab: Path, tmp_path: Path
) -> None:
    """What stands there is met by the gantry: the plan says so, not the proof of the finished file."""
    file = tmp_path / "post.gcode"
    lines = slab.read_text().splitlines()
    post = ["G0 Z60 F600", "G1 X10 Y100 F9000", "G1 X14 E0.1 F1800"]
    file.write_text("\n".join([*lines[:4], *post, *lines[4:]]) + "\n")
    printer = {"bed_mm": [220, 220], "height_mm": 250, "toolhead": {"gantry_mm": 30}}
    toolpath = read_toolpath(file)
    layers = find_layers(toolpath)
    for more, said in (({}, "asks for the nozzle at 30.5 mm"), ({"kinematics": "bed-fixed"}, "")):
        rig = rig_from_mapping({"printer": printer | more, "camera": [{**HEAD, "stance": "last"}]})
        plan = work_out(toolpath, layers, time_toolpath(toolpath, PRINTER), rig).plan
        with pytest.raises(PlanError, match=said) if said else nullcontext():
            with_surveys(plan, toolpath, layers, rig, [1])


@pytest.mark.parametrize("looks", ["survey_layers", "corner_layers"])
def test_a_survey_lifts_off_where_its_shot_would_stand_still(looks: str, slab: Path, tmp_path: Path) -> None:
    """The shots of a camera that wants the nozzle to stay are not lifted; those with a survey must be."""
    cameras = [HEAD | {"every": {"layers": 2}}, {"name": "wide", "mount": "frame", "stance": "still"}]
    printer = {"bed_mm": [220, 220], "height_mm": 250}
    rig = rig_from_mapping({"printer": printer, "camera": cameras, "plan": {looks: [1]}})
    toolpath = read_toolpath(slab)
    plan = work_out(toolpath, find_layers(toolpath), time_toolpath(toolpath, rig.printer), rig).plan
    lifted = {shot.layer: shot.lift_mm > 0 for shot in plan.shots if "wide" in shot.stops[0].cameras}
    assert lifted[0]
    inject_file(slab, plan, tmp_path / "filmed.gcode")  # keeps the file only if the proof holds


CHANGE = "; layer "
SCHEDULES = ("{ layers = 20 }", '"layer"')


@pytest.mark.parametrize("every", SCHEDULES)
@pytest.mark.parametrize("first", ["", "first_layers = { layers = 3, s = 1 }"])
def test_a_survey_stands_behind_the_last_line_of_its_layer(tmp_path: Path, every: str, first: str) -> None:
    """Whatever the schedule, once, and before the next layer; the bare bed before anything is extruded."""
    pot = Path(__file__).parents[2] / "sample_jobs" / "seedling_pot" / "pot.gcode"
    rig_file = tmp_path / "rig.toml"
    rig_file.write_text(
        "[printer]\nbed_mm = [220, 220]\nheight_mm = 250\n[printer.toolhead]\nradius_mm = 65\n"
        f'[[camera]]\nname = "nozzle"\nmount = "toolhead"\nplace_mm = [0, -28, 34]\nlook_mm = [0, -6, 0]\n'
        f"every = {every}\n{first}\n[plan]\nsurvey_layers = [1, 2]\n"
    )
    rig = read_rig(rig_file)
    toolpath = read_toolpath(pot)
    layers = find_layers(toolpath)
    plan = work_out(toolpath, layers, time_toolpath(toolpath, rig.printer), rig).plan
    lines = pot.read_text().splitlines()
    laid = [k + 1 for k, line in enumerate(lines) if line.startswith("G1 X") and " E" in line]
    for layer in (0, 1):
        shots = [s for s in plan.shots if any(t.stance == SURVEY for t in s.stops) and s.layer == layer]
        assert len(shots) == 1
        starts = [k + 1 for k, line in enumerate(lines) if line.startswith(CHANGE)]
        inside = [line for line in laid if starts[layer] < line < starts[layer + 1]]
        assert inside[-1] <= shots[0].after_line < min(line for line in laid if line > starts[layer + 1])
    bare = [s for s in plan.shots if any(t.stance == BARE_BED for t in s.stops)]
    assert len(bare) == 1 and bare[0].after_line < laid[0]
    assert [s.number for s in plan.shots] == list(range(1, len(plan.shots) + 1))
    inject_file(pot, plan, tmp_path / "filmed.gcode")  # keeps the file only if the proof holds
