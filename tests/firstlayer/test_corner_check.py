"""The corner check: corners found, a rising corner known by how far it rises, steady ones left in peace."""

from __future__ import annotations

import functools
import json
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from click.testing import CliRunner
from PIL import Image

from twinlapse.capture.service import CaptureService
from twinlapse.cli.first_layer import command
from twinlapse.errors import JobError
from twinlapse.firstlayer.corner_check import check_corners
from twinlapse.firstlayer.corner_monitor import monitor_corners
from twinlapse.firstlayer.corner_strip import strip_of
from twinlapse.firstlayer.mosaic import SurveyFrame
from twinlapse.firstlayer.solid import LowerLayer
from twinlapse.frames.job import Job
from twinlapse.optics.lens import unproject
from twinlapse.optics.pose import on_plane, pose_in_bed, see
from twinlapse.plan.where.corner_visits import outermost_corners
from twinlapse.rehearsal.http_camera import HttpCamera
from twinlapse.rig import Camera, Printer, rig_from_mapping
from twinlapse.shots import CORNER, Cue, Plan, Shot, Stop, read_plan, write_plan

RIG = {
    "printer": {"bed_mm": [220, 220], "height_mm": 250, "toolhead": {"radius_mm": 65}},
    "camera": [{"name": "nozzle", "mount": "toolhead", "place_mm": [0, -28, 34], "look_mm": [0, -6, 0]}],
}
CORNERS = [(90.0, 90.0), (114.0, 90.0), (114.0, 114.0), (90.0, 114.0)]


@functools.cache
def _rays(lens: Any) -> np.ndarray:
    return unproject(np.stack(np.meshgrid(np.arange(640.0), np.arange(480.0)), axis=-1), lens)


def _seen(
    camera: Camera,
    printer: Printer,
    truth: tuple[Any, np.ndarray],
    corner: tuple[float, float],
    lift: float,
    seed: int,
) -> SurveyFrame:
    """A picture of a corner whose outermost 6 mm are bent up by `lift`; the nozzle parks 0.05 mm off."""
    dice = np.random.default_rng(seed)
    said = (corner[0], corner[1] + 12.5, 1.2)
    stands = (said[0] + dice.normal(0, 0.05), said[1] + dice.normal(0, 0.05), said[2])
    pose, lens = pose_in_bed(camera, printer, stands), camera.lens
    canvas, colours = truth
    ways = pose.to_world(_rays(lens))
    z: Any = 0.2
    for _ in range(7 if lift else 1):  # walk along the ray until it meets the bent surface
        place = pose.place_mm + ((z - pose.place_mm[2]) / ways[..., 2])[..., None] * ways
        x, y = place[..., 0], place[..., 1]
        outside = np.max([CORNERS[0][0] - x, x - CORNERS[2][0], CORNERS[0][1] - y, y - CORNERS[2][1]], axis=0)
        # the bed stays where it is, but for a slope that the walk can climb
        near = np.clip(1 - outside / 2, 0, 1)
        z = 0.2 + lift * near * np.clip(1 - np.abs(place[..., :2] - corner).max(axis=-1) / 6, 0, 1)
    at = canvas.to_px(place[..., :2]).astype(np.float32)
    picture = cv2.remap(colours.astype(np.float32), at[..., 0], at[..., 1], cv2.INTER_LINEAR)
    picture = picture * dice.normal(1, 0.04) + dice.normal(0, 3, picture.shape)
    return SurveyFrame(picture=np.clip(picture, 0, 255).astype(np.uint8), nozzle_mm=said)


def _watched(scene: Callable[..., Any], rig_parts: Any, lifts: list[float], seed: int) -> list[Any]:
    camera, printer, _ = rig_parts
    drawn = scene(seed=seed)
    truth, strips = drawn.above(), []
    layer = LowerLayer(lines=drawn.lines(), top_mm=0.2, height_mm=0.2)
    for k, corner in enumerate(CORNERS):
        ups = [0.0, 0.0, *([lifts[k]] * 2)]
        frames = [
            (_seen(camera, printer, truth, corner, up, 100 * seed + 10 * k + n), 0.2)
            for n, up in enumerate(ups)
        ]
        strips.append(strip_of(corner, frames, camera, printer, [layer]))
    return monitor_corners(strips)


def _corner_job(
    folder: Path, scene: Callable[..., Any], rig_parts: Any, lifts: dict[tuple[int, int], float]
) -> Job:
    """Three layers of a square whose corners were visited; some are up: layer and corner, and by how much."""
    camera, printer, _ = rig_parts
    folder.mkdir(exist_ok=True)
    job = Job(folder)
    drawn = scene(seed=5)
    ends = np.column_stack([drawn.lines().first_mm, drawn.lines().last_mm])
    lines = ["G28", "G90", "M83"]
    for layer in range(3):
        lines += [f";LAYER:{layer}", f"G0 Z{0.2 * (layer + 1):.1f} F600"]
        for x0, y0, x1, y1 in ends:
            feed = 0.037 * np.hypot(x1 - x0, y1 - y0)  # 0.45 mm wide, 0.2 mm high, of filament of 1.75 mm
            lines += [f"G0 X{x0:.3f} Y{y0:.3f} F9000", f"G1 X{x1:.3f} Y{y1:.3f} E{feed:.5f} F1800"]
    job.original.write_text("\n".join([*lines, "M84"]) + "\n")
    truth = drawn.above()
    shots = []
    for layer in range(3):
        stops = []
        for k, corner in enumerate(CORNERS):
            frame = _seen(camera, printer, truth, corner, lifts.get((layer, k), 0.0), 10 * layer + k)
            path = job.frame("nozzle", layer + 1, k + 1)
            path.parent.mkdir(parents=True, exist_ok=True)
            Image.fromarray(frame.picture).save(path, quality=92)
            x, y, z = frame.nozzle_mm
            stops.append(Stop(cameras=("nozzle",), x_mm=x, y_mm=y, z_mm=z, dwell_s=1.0, stance=CORNER))
        rest = {"after_line": 10, "byte": 9, "at_s": 1.0, "cost_s": 5.0, "lift_mm": 1.0}
        pull = {"retract": "none", "retract_mm": 0.0, "retract_mm_s": 0.0}
        # every layer is seen at one height of camera and scene
        shots.append(Shot(number=layer + 1, layer=layer, z_mm=0.2, stops=tuple(stops), **rest, **pull))
    plan = Plan(
        original_sha256="0" * 64,
        rig=RIG,
        shots=tuple(shots),
        print_s=60.0,
        cost_s=15.0,
        film_s=1.0,
        layer_count=3,
    )
    write_plan(job.plan, plan)
    return job


def test_visited_corners_make_strips_in_the_report(tmp_path: Path, scene: Any, rig_parts: Any) -> None:
    job = _corner_job(tmp_path, scene, rig_parts, {(1, 1): 0.8, (2, 1): 0.8})
    run = CliRunner().invoke(command, [str(tmp_path), "--corner-check", "--json"])
    assert run.exit_code == 1, run.output
    told = json.loads(run.stdout)
    assert told["corner_layers"] == [1, 2, 3]
    lifted = [corner for corner in told["corners"] if corner["lifted"]]
    assert [corner["at_mm"] for corner in lifted] == [[114.0, 90.0]]
    assert abs(lifted[0]["lift_mm"][0]) < 0.02 and min(lifted[0]["lift_mm"][1:]) > 0.25
    page = (tmp_path / "firstlayer.html").read_text()
    assert page.count('class="strip"') == 4 and "1 of 4 corners has risen" in page
    # a look while the print goes on: what is in counts, and one frame that is missing does no harm
    for name in ("000003.jpg", "000003-2.jpg", "000003-3.jpg", "000003-4.jpg", "000002.jpg"):
        (job.frames / "nozzle" / name).unlink()
    corner_check = check_corners(job)
    assert corner_check is not None and corner_check.layers == (0, 1)
    seen = {strip.corner_mm: strip.pictures[1] is not None for strip in corner_check.strips}
    assert seen == {corner: corner != CORNERS[0] for corner in seen} and len(seen) == 4
    assert [watch.corner_mm for watch in corner_check.watches if watch.lifted] == [CORNERS[1]]
    for path in (job.frames / "nozzle").glob("000002*"):
        path.unlink()
    assert check_corners(job) is None
    with pytest.raises(JobError, match="not seen on two layers"):
        CliRunner().invoke(command, [str(tmp_path), "--corner-check"], catch_exceptions=False)


@pytest.mark.slow
def test_a_night_tells_a_gap_and_two_corners_apart(
    tmp_path: Path, scene: Any, rig_parts: Any, surveyed_job: Any
) -> None:
    """A gap in the first layer, a corner that rises after it, another one layer later: three alarms."""
    gap = (97.0, 90 + 0.9 + 0.225 + 0.45 * 12, 2.0)
    surveyed = surveyed_job(tmp_path / "first", scene(seed=5, gaps=[gap]))
    lifts = {(1, 1): 0.8, (2, 1): 0.8, (2, 3): 0.6}
    job = _corner_job(tmp_path / "job", scene, rig_parts, lifts)
    plan, first = read_plan(job.plan), read_plan(surveyed.plan).shots[0]
    shots = (replace(plan.shots[0], stops=(*first.stops, *plan.shots[0].stops)), *plan.shots[1:])
    plan = replace(plan, shots=shots)
    write_plan(job.plan, plan)
    files = [[surveyed.frame("nozzle", 1, stop + 1) for stop in range(len(first.stops))], [], []]
    for shot in (1, 2, 3):
        files[shot - 1] += [job.frame("nozzle", shot, stop) for stop in (1, 2, 3, 4)]
    pictures = [[np.asarray(Image.open(file)) for file in each] for each in files]
    for path in (job.frames / "nozzle").iterdir():
        path.unlink()
    shown, heard = [pictures[0][0]], tmp_path / "heard"
    with HttpCamera(lambda _: shown[0], fps=15, quality=92) as camera:
        values = json.loads(json.dumps(dict(plan.rig)))
        values["camera"][0] |= {"source": camera.stream, "age_s": 0.3}
        values["capture"] = {"alarm": {"command": ["/bin/sh", "-c", f"cat >> {heard}; echo >> {heard}"]}}
        night = CaptureService(job, plan, rig_from_mapping(values))
        night.start()
        try:
            _until(lambda: night.status()["cameras"]["nozzle"]["state"] == "live")
            for shot, each in enumerate(pictures, 1):
                for stop, picture in enumerate(each, 1):
                    shown[0] = picture
                    assert night.cue(Cue(shot=shot, stop=stop, cameras=("nozzle",))).taken
                _until(lambda at=shot - 1: night.status()["looks"][at]["state"] == "found")
            codes = ["layer 1", "corner X114 Y90", "corner X90 Y114"]
            _until(lambda: heard.exists() and heard.read_text().count("\n") == 3)
            told = [json.loads(line) for line in heard.read_text().splitlines()]
            assert [one["code"] for one in told] == codes
            assert [one["code"] for one in night.status()["troubles"]] == codes
            assert "gap at X97" in told[0]["text"] and "X114 Y90" not in told[0]["text"]
            named = [Path(one["picture_file"]).name for one in told]
            assert named == ["firstlayer-1.png", "firstlayer-2-corners.png", "firstlayer-3-corners.png"]
            heights = [len(cv2.imread(one["picture_file"])) for one in told[1:]]
            assert heights[1] == 2 * heights[0]
            assert "X114 Y90" in night.status()["looks"][2]["words"]
        finally:
            night.close()
    run = CliRunner().invoke(command, [str(job.folder), "--layer", "1", "--json"])
    said = json.loads(run.stdout)["overall"]
    assert run.exit_code == 1 and said["sound"] is False
    assert "2 of 4 corners have risen" in said["verdict"] and "1 thing found" in said["verdict"]
    assert said["verdict"] in (job.folder / "firstlayer.html").read_text()


def _until(done: Callable[[], bool], timeout_s: float = 120.0) -> None:
    end_s = time.monotonic() + timeout_s
    while not done():
        assert time.monotonic() < end_s
        time.sleep(0.05)


def test_corners_of_an_outline() -> None:
    square = np.array([[x, y] for x in np.linspace(0, 20, 41) for y in np.linspace(0, 10, 21)])
    assert sorted(outermost_corners(square)) == [(0, 0), (0, 10), (20, 0), (20, 10)]
    assert len(outermost_corners(square, 2)) == 2


@pytest.mark.slow
@pytest.mark.parametrize("lift", [0.8, 1.5])
def test_a_lifted_corner_is_found_and_no_other(scene: Any, rig_parts: Any, lift: float) -> None:
    watches = _watched(scene, rig_parts, [0.0, lift, 0.0, 0.0], 1)
    assert [watch.lifted for watch in watches] == [False, True, False, False]
    assert watches[1].since == 2


def test_corners_that_all_rise_together_are_told(scene: Any, rig_parts: Any) -> None:
    """A print that shrinks lifts all its corners: nothing is left on the print to compare them with."""
    watches = _watched(scene, rig_parts, [0.6] * 4, 4)
    assert [(watch.lifted, watch.since) for watch in watches] == [(True, 2)] * 4
    assert all(abs(watch.lift_mm[1]) < 0.05 for watch in watches)


@pytest.mark.slow
def test_steady_corners_are_left_in_peace(scene: Any, rig_parts: Any) -> None:
    for seed in (2, 3):
        assert not any(watch.lifted for watch in _watched(scene, rig_parts, [0.0] * 4, seed))


def test_a_point_laid_higher_moves_along_the_line_of_sight(rig_parts: Any) -> None:
    """The geometry behind the estimate: similar triangles of eye, corner and plane."""
    camera, printer, _ = rig_parts
    pose = pose_in_bed(camera, printer, (100.0, 100.0, 1.0))
    point = np.array([104.0, 88.0, 0.5])
    laid = on_plane(see(point, pose, camera.lens), pose, camera.lens, 0.0)
    sight = (point[:2] - pose.place_mm[:2]) / pose.place_mm[2]
    assert laid[:2] - point[:2] == pytest.approx(
        0.5 * sight * pose.place_mm[2] / (pose.place_mm[2] - 0.5), abs=1e-6
    )


def test_a_round_outline_has_no_corners() -> None:
    turn = np.linspace(0, 2 * np.pi, 200)
    for radius in (8.0, 20.0, 45.0):
        assert outermost_corners(radius * np.column_stack([np.cos(turn), np.sin(turn)])) == []
    # a brim rounds a corner by its own width
    brim = np.concatenate(
        [c + 5 * np.column_stack([np.cos(turn), np.sin(turn)]) for c in ([0, 0], [30, 0], [30, 30], [0, 30])]
    )
    assert len(outermost_corners(brim)) == 4


def test_a_bed_without_texture_leaves_the_lift_unknown(scene: Callable[..., Any], rig_parts: Any) -> None:
    watches = _watched(functools.partial(scene, texture=0.0), rig_parts, [0.8] * 4, 6)
    assert not any(watch.known or watch.lifted for watch in watches)
