"""Poses against OpenCV's, and the axes along which a print shifts against the kinematics table."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from twinlapse.optics.pose import (
    FULL,
    in_picture,
    looking_of,
    on_plane,
    pose_in_bed,
    pose_looking,
    pose_on_mount,
    see,
    volume_corners,
)
from twinlapse.rig import Camera, Lens, Printer, shift_axes
from twinlapse.rig.kinematics import SHIFT_AXES

BED = Printer(bed_mm=(220, 220), height_mm=250)
NONE: set[str] = set()
TABLE = {
    "frame": {"bed-moves-y": {"y"}, "bed-moves-z": {"z"}, "bed-fixed": NONE},
    "toolhead": {"bed-moves-y": set("xyz"), "bed-moves-z": set("xyz"), "bed-fixed": set("xyz")},
    "gantry": {"bed-moves-y": set("yz"), "bed-moves-z": {"z"}},
    "bed": {"bed-moves-y": NONE, "bed-moves-z": NONE, "bed-fixed": NONE},
}
CASES = [(mount, kinematics) for mount, row in TABLE.items() for kinematics in row]


@pytest.mark.parametrize(("mount", "kinematics"), CASES)
def test_axes_that_shift_the_print(mount: str, kinematics: str) -> None:
    assert shift_axes(kinematics, mount) == TABLE[mount][kinematics]  # type: ignore[arg-type]


@pytest.mark.parametrize(("mount", "kinematics"), CASES)
def test_the_pose_moves_along_those_axes_and_no_other(mount: str, kinematics: str) -> None:
    printer = Printer(bed_mm=(220, 220), height_mm=250, kinematics=kinematics)  # type: ignore[arg-type]
    camera = Camera(name="eye", mount=mount)  # type: ignore[arg-type]
    here = pose_in_bed(camera, printer, (50.0, 60.0, 7.0))
    for index, axis in enumerate("xyz"):
        place = [50.0, 60.0, 7.0]
        place[index] += 5
        there = pose_in_bed(camera, printer, (place[0], place[1], place[2]))
        way = np.zeros(3)
        way[index] = 5.0 if axis in TABLE[mount][kinematics] else 0.0
        assert there.place_mm - here.place_mm == pytest.approx(way)


def test_no_gantry_on_a_fixed_bed() -> None:
    assert SHIFT_AXES["gantry", "bed-fixed"] is None
    with pytest.raises(ValueError, match="no X gantry"):
        shift_axes("bed-fixed", "gantry")


def test_projection_of_a_pose_agrees_with_opencv() -> None:
    pose = pose_looking((-120, -200, 180), (110, 100, 20), 12.0)
    lens = Lens(width_px=1280, height_px=720, across_deg=80, distortion=(-0.1, 0.02, 0.001, 0.0005, 0.0))
    points = volume_corners(BED, 60.0)
    matrix = np.array(
        [[640 / np.tan(np.radians(40)), 0, 639.5], [0, 640 / np.tan(np.radians(40)), 359.5], [0, 0, 1]]
    )
    turn = cv2.Rodrigues(pose.axes)[0]
    expected, _ = cv2.projectPoints(
        points, turn, -pose.axes @ pose.place_mm, matrix, np.array(lens.distortion)
    )
    assert np.abs(see(points, pose, lens) - expected[:, 0]).max() < 1e-8


def test_axes_are_a_right_handed_frame_and_up_is_up() -> None:
    pose = pose_looking((0, -100, 50), (0, 0, 0))
    assert np.linalg.det(pose.axes) == pytest.approx(1)
    assert pose.axes[0] == pytest.approx([1, 0, 0])
    assert pose.axes[1][2] < 0


def test_roll_turns_clockwise_seen_from_behind() -> None:
    pixels = [
        see(np.array([0.0, 0, 10]), pose_looking((0, -100, 0), (0, 0, 0), roll), Lens()) for roll in (0, 10)
    ]
    assert pixels[0][0] == pytest.approx(319.5)
    assert pixels[1][0] < 319.5  # the camera leans right, so what is above it leans left


@pytest.mark.parametrize("roll", [0.0, -170.0, 33.0])
def test_a_pose_read_back(roll: float) -> None:
    pose = pose_looking((10, -40, 30), (0, 0, 0), roll)
    place, look, rolled = looking_of(pose, 50.0)
    again = pose_looking(place, look, rolled)
    assert again.axes == pytest.approx(pose.axes)
    assert rolled == pytest.approx(roll)


def test_looking_straight_down_has_the_back_on_top() -> None:
    pose = pose_looking((0, 0, 50), (0, 0, 0))
    assert see(np.array([0.0, 5, 0]), pose, Lens())[1] < see(np.array([0.0, 0, 0]), pose, Lens())[1]
    with pytest.raises(ValueError, match="same point"):
        pose_looking((1, 1, 1), (1, 1, 1))


@pytest.mark.parametrize("kinematics", ["bed-moves-y", "bed-moves-z", "bed-fixed"])
@pytest.mark.parametrize("across", [50.0, 90.0])
def test_the_standard_frame_camera_sees_the_whole_volume(kinematics: str, across: float) -> None:
    printer = Printer(bed_mm=(220, 200), height_mm=250, kinematics=kinematics)  # type: ignore[arg-type]
    camera = Camera(name="wide", mount="frame", lens=Lens(across_deg=across))
    pose = pose_on_mount(camera, printer)
    corners = volume_corners(printer)
    if kinematics == "bed-moves-z":
        corners = corners - [0, 0, 250]
    pixels = see(corners, pose, camera.lens)
    assert in_picture(pixels, camera.lens, FULL + 1e-6).all()
    assert not in_picture(pixels, camera.lens, FULL - 0.02).all()  # and stands no further away than it must


def test_the_standard_nozzle_camera_looks_at_the_tip_from_aside() -> None:
    camera = Camera(name="nozzle", mount="toolhead")
    pose = pose_in_bed(camera, BED, (80.0, 70.0, 0.4))
    assert see(np.array([80.0, 70.0, 0.4]), pose, camera.lens) == pytest.approx([319.5, 239.5])
    away = pose.place_mm - [80.0, 70.0, 0.4]
    assert 30 <= np.linalg.norm(away) <= 60
    assert 35 <= np.degrees(np.arcsin(away[2] / np.linalg.norm(away))) <= 50


def test_pixels_come_down_on_the_plane() -> None:
    pose = pose_looking((0, -100, 60), (0, 0, 0), 5)
    lens = Lens(distortion=(-0.05, 0.01))
    points = np.array([[0.0, 0, 2], [12, -8, 2], [-15, 20, 2]])
    assert on_plane(see(points, pose, lens), pose, lens, 2.0) == pytest.approx(points, abs=1e-5)
    up = pose_looking((0, 0, 10), (0, 10, 20))
    assert np.isnan(on_plane(np.array([319.5, 239.5]), up, lens)).all()
