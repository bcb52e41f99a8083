"""The lines to aim by, against OpenCV's own projection of the same places."""

from __future__ import annotations

import math
from dataclasses import replace

import cv2
import numpy as np
import pytest

from twinlapse.optics.aiming_lines import aim_lines, near_tip, visible_runs
from twinlapse.optics.pose import pose_in_bed
from twinlapse.rig import Camera, Lens, Printer

PRINTER = Printer(bed_mm=(220.0, 200.0), height_mm=180.0, kinematics="bed-moves-y")
LENS = Lens(width_px=1280, height_px=720, across_deg=62.0)


def by_opencv(points: np.ndarray, place: np.ndarray, look: np.ndarray, lens: Lens) -> np.ndarray:
    """Project by cv2.projectPoints: its camera looks along z, x to the right, y down (OpenCV, calib3d)."""
    forward = (look - place) / np.linalg.norm(look - place)
    right = np.cross(forward, [0.0, 0.0, 1.0])
    right /= np.linalg.norm(right)
    turn = np.array([right, np.cross(forward, right), forward])
    focal = lens.width_px / 2 / math.tan(math.radians(lens.across_deg / 2))
    matrix = np.array([[focal, 0, (lens.width_px - 1) / 2], [0, focal, (lens.height_px - 1) / 2], [0, 0, 1]])
    rotation = cv2.Rodrigues(turn)[0]
    return np.asarray(cv2.projectPoints(points, rotation, -turn @ place, matrix, None)[0]).reshape(-1, 2)


def test_edges_of_bed_and_volume_lie_where_opencv_puts_them() -> None:
    place, look = (-150.0, -420.0, 330.0), (110.0, 100.0, 40.0)
    camera = Camera(name="wide", mount="frame", place_mm=place, look_mm=look, lens=LENS)
    nozzle = (110.0, 100.0, 0.2)
    pose = pose_in_bed(camera, PRINTER, nozzle)
    assert not near_tip(pose, nozzle)
    lines = aim_lines(pose, LENS, PRINTER, nozzle)
    kinds = [line.kind for line in lines]
    assert kinds.count("outline") == 4 and kinds.count("volume") == 8 and kinds.count("horizon") == 1
    bed = np.array([(0, 0, 0), (220, 0, 0), (220, 200, 0), (0, 200, 0)], np.float64)
    wanted = by_opencv(bed, np.array(place), np.array(look), LENS)
    outline = [line.pixels for line in lines if line.kind == "outline"]
    for corner, line in zip(wanted, outline, strict=True):
        np.testing.assert_allclose(line[0], corner, atol=1e-6)
    top = by_opencv(bed + np.array([0, 0, 180.0]), np.array(place), np.array(look), LENS)
    volume = [line.pixels for line in lines if line.kind == "volume"]
    for k in range(4):
        np.testing.assert_allclose(volume[k][[0, -1]], [wanted[k], top[k]], atol=1e-6)
        np.testing.assert_allclose(volume[4 + k][[0, -1]], [top[k], top[(k + 1) % 4]], atol=1e-6)


def test_a_camera_beside_the_nozzle_gets_a_fine_grid_around_the_tip() -> None:
    camera = Camera(
        name="nozzle", mount="toolhead", place_mm=(0.0, -30.0, 24.0), look_mm=(0.0, 0.0, 0.0), lens=LENS
    )
    nozzle = (60.0, 70.0, 0.2)
    pose = pose_in_bed(camera, PRINTER, nozzle)
    lines = aim_lines(pose, LENS, PRINTER, nozzle)
    assert near_tip(pose, nozzle) and not [line for line in lines if line.kind == "volume"]
    across = [line for line in lines if line.kind == "grid"][3]  # x = 60: the line through the tip
    ends = np.array([(60.0, 40.0, 0.2), (60.0, 100.0, 0.2)])
    place = np.array([60.0, 40.0, 24.2])
    far = by_opencv(ends[1:], place, np.array(nozzle), LENS)
    np.testing.assert_allclose(across.pixels[-1], far[0], atol=1e-6)


def test_a_bed_that_sinks_has_no_volume_above_it() -> None:
    printer = replace(PRINTER, kinematics="bed-moves-z")
    camera = Camera(name="wide", mount="frame", lens=LENS)
    nozzle = (110.0, 100.0, 0.2)
    lines = aim_lines(pose_in_bed(camera, printer, nozzle), LENS, printer, nozzle)
    assert "volume" not in {line.kind for line in lines}


@pytest.mark.parametrize(
    ("xs", "runs"),
    [([10, 20, 30], [3]), ([-5, 10, 20, 2000, 30, 40], [2, 2]), ([-5, 10, -5], []), ([np.nan, 5, 6], [2])],
)
def test_only_pieces_in_the_picture_are_drawn(xs: list[float], runs: list[int]) -> None:
    pixels = np.array([(x, 100.0) for x in xs])
    assert [len(run) for run in visible_runs(pixels, LENS)] == runs
