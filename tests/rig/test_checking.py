"""What rig check says, on rigs whose answers are known beforehand; and that new rigs pass it."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from PIL import Image

from twinlapse.cli.rig import command
from twinlapse.optics.pose import pose_on_mount
from twinlapse.rig import Camera, Lens, Printer, Rig, read_rig
from twinlapse.rig.checking import check_rig
from twinlapse.rig.finding import Finding
from twinlapse.rig.housing_check import lowest_mm, reach_mm
from twinlapse.rig.template import QUESTIONS, checked_answer, read_back, rig_text

BED = Printer(bed_mm=(220, 220), height_mm=250)
WIDE = Camera(name="wide", mount="frame", lens=Lens(width_px=1280, height_px=720, across_deg=75))
NOZZLE = Camera(name="nozzle", mount="toolhead", source="v4l2:/dev/video0")


def _found(camera: Camera, name: str, printer: Printer = BED) -> Finding:
    findings = check_rig(Rig(printer=printer, cameras=(camera,)))
    return next(finding for finding in findings if finding.name == name)


def test_a_camera_too_near_does_not_see_the_volume() -> None:
    assert _found(WIDE, "sees-volume").holds
    near = replace(WIDE, place_mm=(110.0, -60.0, 150.0), look_mm=(110.0, 110.0, 60.0))
    finding = _found(near, "sees-volume")
    assert finding.holds is False
    assert 0 < finding.values["share_at_shot"] < 1
    assert finding.hint


def test_a_camera_that_looks_away() -> None:
    away = replace(WIDE, place_mm=(110.0, -200.0, 100.0), look_mm=(110.0, -400.0, 100.0))
    assert _found(away, "resolution").holds is False
    assert _found(away, "sees-volume").values["share_at_shot"] == 0


def test_a_sliding_bed_leaves_the_picture_of_the_frame_and_not_its_own() -> None:
    frame = _found(WIDE, "sees-volume").values
    assert frame["share_at_worst"] < frame["share_at_shot"]
    bed = _found(replace(WIDE, mount="bed"), "sees-volume").values
    assert bed["share_at_worst"] == bed["share_at_shot"]


def test_the_tip_out_of_the_picture_and_out_of_focus() -> None:
    assert _found(replace(NOZZLE, look_mm=(60.0, -60.0, 0.0)), "tip-in-picture").holds is False
    far = replace(NOZZLE, lens=Lens(focus_mm=80.0))
    assert _found(far, "sharp").holds is False
    assert _found(NOZZLE, "sharp").holds


def test_resolution_at_the_tip_is_distance_over_focal_length() -> None:
    finding = _found(NOZZLE, "resolution")
    away = float(np.linalg.norm([23, 19, 25]))
    focal = 320 / np.tan(np.radians(30))
    assert finding.values["mm_per_px"] == pytest.approx(away / focal / (25 / away), rel=0.01)
    coarse = _found(replace(NOZZLE, lens=Lens(width_px=160, height_px=120)), "resolution")
    assert coarse.holds is False


def test_clearance_of_a_housing_by_hand() -> None:
    # upright: its front face is the lowest; lying: its radius hangs below the pupil
    upright = replace(NOZZLE, place_mm=(30.0, 0.0, 20.0), look_mm=(30.0, 0.0, 0.0))
    assert lowest_mm(upright, pose_on_mount(upright, BED)) == pytest.approx(20)
    assert reach_mm(upright, pose_on_mount(upright, BED)) == pytest.approx(34)
    lying = replace(NOZZLE, place_mm=(30.0, 0.0, 6.0), look_mm=(0.0, 0.0, 6.0))
    assert lowest_mm(lying, pose_on_mount(lying, BED)) == pytest.approx(2)
    assert reach_mm(lying, pose_on_mount(lying, BED)) == pytest.approx(74)
    assert _found(lying, "clear-of-layer").holds is False


def test_two_raw_streams_are_more_than_a_bus() -> None:
    one = check_rig(Rig(printer=BED, cameras=(NOZZLE,)))
    two = check_rig(Rig(printer=BED, cameras=(NOZZLE, replace(NOZZLE, name="other"))))
    assert [f.holds for f in one if f.name == "bandwidth"] == [None]
    assert [f.holds for f in two if f.name == "bandwidth"] == [False]


@pytest.mark.parametrize("kinematics", ["bed-moves-y", "bed-moves-z", "bed-fixed"])
def test_a_new_rig_passes_its_check(kinematics: str) -> None:
    rig = read_back(rig_text({"kinematics": kinematics}))
    assert [finding for finding in check_rig(rig) if finding.holds is False] == []


def test_every_question_takes_its_own_standard_answer() -> None:
    for question in QUESTIONS:
        assert checked_answer(question, question.default_text) == question.default
    with pytest.raises(ValueError, match="2 numbers"):
        checked_answer(QUESTIONS[0], "220")


def test_answers_with_quotes_and_line_breaks_stay_text() -> None:
    source = 'http://garden "shed"\\\n[printer]'
    assert read_back(rig_text({"wide_source": source})).cameras[0].source == source


def test_new_and_check_on_the_command_line(tmp_path: Path) -> None:
    path, picture = tmp_path / "rig.toml", tmp_path / "rig.png"
    run = CliRunner().invoke(command, ["new", str(path), "--defaults"])
    assert run.exit_code == 0, run.output
    assert [camera.name for camera in read_rig(path).cameras] == ["wide", "nozzle"]
    before = path.read_bytes()
    again = CliRunner().invoke(command, ["new", str(path), "--defaults"])
    assert "there already" in str(again.exception)
    assert path.read_bytes() == before
    run = CliRunner().invoke(command, ["check", str(path), "--json", "--drawing", str(picture)])
    assert run.exit_code == 0
    assert json.loads(run.output)["holds"] is True
    pixels = np.asarray(Image.open(picture).convert("RGB"))
    assert (np.ptp(pixels, axis=2) > 60).mean() > 0.005  # something coloured was drawn


def test_check_says_no_by_its_exit_status(tmp_path: Path) -> None:
    path = tmp_path / "rig.toml"
    path.write_text(rig_text({}).replace("place_mm = [0, -28, 34]", "place_mm = [0, -28, 5]"))
    run = CliRunner().invoke(command, ["check", str(path)])
    assert run.exit_code == 1
    assert "raise it" in run.output


@pytest.mark.parametrize(
    "lens",
    ["across_deg = 179.9", 'kind = "fisheye", across_deg = 220', "distortion = [-5, 20]", "f_number = 0.01"],
)
def test_an_absurd_lens_is_no_traceback(tmp_path: Path, lens: str) -> None:
    path = tmp_path / "rig.toml"
    camera = f'[[camera]]\nname = "eye"\nmount = "toolhead"\nlens = {{ {lens} }}\n'
    path.write_text(f"[printer]\nbed_mm = [9, 9]\nheight_mm = 9\n{camera}")
    run = CliRunner().invoke(command, ["check", str(path), "--json"])
    assert isinstance(json.loads(run.output)["holds"], bool)


def test_the_sample_rig_passes_its_own_check() -> None:
    sample = Path(__file__).parents[2] / "sample_jobs" / "seedling_pot" / "rig.toml"
    assert [finding for finding in check_rig(read_rig(sample)) if finding.holds is False] == []


@pytest.mark.parametrize(
    ("place", "hidden"),
    [((0, -28, 34), False), ((0, -40, 12), False), ((0, -10, 34), True), ((0, -1, 20), True)],
)
def test_a_block_between_camera_and_tip_is_found(place: tuple[float, float, float], hidden: bool) -> None:
    camera = Camera(name="nozzle", mount="toolhead", place_mm=place, look_mm=(0, 0, 0))
    rig = Rig(printer=Printer(bed_mm=(220, 220), height_mm=250), cameras=(camera,))
    sight = next(finding for finding in check_rig(rig) if finding.name == "sight")
    assert sight.holds is not hidden
    # similar triangles: where the line of sight passes the block's underside
    at_mm = np.hypot(*place[:2]) * 4.0 / place[2]
    assert hidden == (at_mm < 3.0)


def test_a_size_is_answered_as_people_write_it() -> None:
    size = next(question for question in QUESTIONS if question.key == "wide_px")
    for text in ("1280x720", "1280 x 720", "1280,720", "1280 720", "1280X720"):
        assert checked_answer(size, text) == (1280.0, 720.0)


def test_a_camera_that_hangs_on_its_side_is_checked_by_its_upright_picture() -> None:
    """A lens of 640 x 480 turned by 90 degrees is one of 480 x 640 whose width the other angle spans."""
    printer = Printer(bed_mm=(220.0, 220.0), height_mm=200.0)
    place, look = (110.0, -200.0, 300.0), (110.0, 110.0, 60.0)
    across_deg = 60.0
    high_deg = math.degrees(2 * math.atan(math.tan(math.radians(across_deg / 2)) * 480 / 640))
    turned = Camera(
        name="wide", mount="frame", place_mm=place, look_mm=look, rotate_deg=90,
        lens=Lens(width_px=640, height_px=480, across_deg=across_deg),
    )  # fmt: skip
    upright = replace(turned, rotate_deg=0, lens=Lens(width_px=480, height_px=640, across_deg=high_deg))
    texts = [[f.text for f in check_rig(Rig(printer=printer, cameras=(one,)))] for one in (turned, upright)]
    assert texts[0] == texts[1]
    flat = replace(turned, rotate_deg=0)
    assert [f.text for f in check_rig(Rig(printer=printer, cameras=(flat,)))] != texts[0]


def test_what_a_survey_gets_and_why_it_gets_nothing() -> None:
    found = _found(NOZZLE, "survey")
    assert found.holds is None and found.values["window_mm"][0] > 10
    level = _found(replace(NOZZLE, place_mm=(0.0, -40.0, 4.0), look_mm=(0.0, 0.0, 0.0)), "survey")
    assert level.holds is False and "12 degrees" in level.hint
    near = _found(replace(NOZZLE, place_mm=(0.0, -16.0, 5.5), look_mm=(0.0, -1.0, 0.0)), "survey")
    assert near.holds is False and "move it away" in near.hint
