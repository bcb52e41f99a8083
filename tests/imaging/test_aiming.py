"""Poses solved from boards: known ones found again, real pictures against OpenCV and published optics."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest

from twinlapse.cli.aim_drawing import target_page
from twinlapse.errors import FrameError
from twinlapse.imaging.aiming import Board, aim_at_board, solve_pose
from twinlapse.imaging.calibration import find_corners
from twinlapse.imaging.decode import read_picture
from twinlapse.optics.pose import Pose, pose_looking, see
from twinlapse.rig import Lens

DATA = Path("/usr/share/doc/opencv-doc/examples/data")
BOARD = Board(at_mm=(60.0, 40.0), turn_deg=15.0)
LENSES = [
    Lens(width_px=1280, height_px=720, across_deg=75, distortion=(-0.12, 0.03, 0.001, -0.0005, 0.0)),
    Lens(width_px=1280, height_px=960, across_deg=130, kind="fisheye", distortion=(-0.02, 0.003)),
]


def _angle_deg(one: Pose, other: Pose) -> float:
    return float(np.degrees(np.arccos(np.clip((np.trace(one.axes @ other.axes.T) - 1) / 2, -1, 1))))


@pytest.mark.parametrize("lens", LENSES)
def test_a_known_pose_is_found_again(lens: Lens) -> None:
    truth = pose_looking((-40, -120, 150), (100, 70, 0), 7)
    aim = solve_pose(BOARD.points_mm(), see(BOARD.points_mm(), truth, lens), lens)
    assert aim.rms_px < 1e-6
    assert aim.pose.place_mm == pytest.approx(truth.place_mm, abs=1e-5)
    assert _angle_deg(aim.pose, truth) < 1e-5


def test_the_stated_uncertainty_is_the_spread_of_repeated_measurements() -> None:
    truth, lens = pose_looking((-40, -120, 150), (100, 70, 0)), LENSES[0]
    exact, dice = see(BOARD.points_mm(), truth, lens), np.random.default_rng(3)
    aims = [solve_pose(BOARD.points_mm(), exact + dice.normal(0, 0.3, exact.shape), lens) for _ in range(60)]
    spread = np.std([aim.pose.place_mm for aim in aims], axis=0)
    stated = np.mean([aim.place_error_mm for aim in aims], axis=0)
    assert spread == pytest.approx(stated, rel=0.35)  # 60 draws tell a spread to about 10 %
    turns = np.std([_angle_deg(aim.pose, truth) for aim in aims])
    assert 0 < turns < 3 * np.linalg.norm(aims[0].turn_error_deg)


def test_the_printed_page_is_found_in_a_picture_of_it(tmp_path: Path) -> None:
    """The page lies on a virtual bed; the picture of it is the page seen through the pinhole's homography."""
    page = tmp_path / "page.png"
    target_page((9, 6), 10.0, page)
    sheet = read_picture(page, grey=True)
    lens, truth = (
        Lens(width_px=960, height_px=720, across_deg=60),
        pose_looking((90, -60, 160), (105, 75, 0), -4),
    )
    board = Board(at_mm=(60.0, 40.0))
    # the marked corner: one square in from the board's front left corner; 10 dots are a millimetre
    left, top = (sheet.shape[1] - 1000) // 2, (sheet.shape[0] - 700) // 2
    mark = np.array([left + 100, top + 600])
    dots = np.array([[0, 0], [2000, 0], [2000, 1500], [0, 1500]], np.float32) + 100
    bed = np.column_stack([(dots[:, 0] - mark[0]) / 10 + 60, (mark[1] - dots[:, 1]) / 10 + 40, np.zeros(4)])
    way = cv2.getPerspectiveTransform(dots - 0.5, see(bed, truth, lens).astype(np.float32))
    picture = cv2.warpPerspective(sheet, way, (960, 720), flags=cv2.INTER_AREA, borderValue=(200,))
    assert np.asarray(sheet)[mark[1] - 50, mark[0] + 50] != np.asarray(sheet)[mark[1] + 50, mark[0] + 50]
    aim = aim_at_board(
        np.asarray(picture, np.uint8), board, lens, pose_looking((120, -90, 140), (110, 80, 0))
    )
    assert aim.rms_px < 0.3
    assert np.linalg.norm(aim.pose.place_mm - truth.place_mm) < 0.5
    assert _angle_deg(aim.pose, truth) < 0.15


def test_of_two_sides_the_expected_one() -> None:
    truth, lens = pose_looking((100, -80, 160), (105, 65, 0)), LENSES[0]
    points = BOARD.points_mm()
    aim = solve_pose(points, see(points, truth, lens)[::-1], lens)
    assert (
        np.linalg.norm(aim.pose.place_mm - truth.place_mm) > 100
    )  # read from the wrong end it lies elsewhere


def test_no_board_no_pose() -> None:
    with pytest.raises(FrameError, match="no board with 9 x 6"):
        aim_at_board(np.zeros((480, 640), np.uint8), BOARD, Lens(), pose_looking((0, 0, 50), (0, 0, 0)))
    with pytest.raises(FrameError, match="5 points"):
        solve_pose(BOARD.points_mm()[:5], np.zeros((5, 2)), Lens())


@pytest.mark.skipif(not DATA.is_dir(), reason="needs Debian's package opencv-doc")
@pytest.mark.parametrize("number", [1, 4, 9, 14])
def test_poses_of_the_published_boards_agree_with_opencv(number: int) -> None:
    """opencv-doc's left*.jpg with its left_intrinsics.yml; one focal length for both directions as here."""
    store = cv2.FileStorage(str(DATA / "left_intrinsics.yml"), cv2.FILE_STORAGE_READ)
    matrix, bend = (
        store.getNode("camera_matrix").mat(),
        store.getNode("distortion_coefficients").mat().ravel(),
    )
    focal = float((matrix[0, 0] + matrix[1, 1]) / 2)
    matrix[0, 0] = matrix[1, 1] = focal
    lens = Lens(
        across_deg=float(np.degrees(2 * np.arctan(320 / focal))),
        distortion=tuple(bend.tolist()),
        centre_px=(float(matrix[0, 2]), float(matrix[1, 2])),
    )
    grey = read_picture(DATA / f"left{number:02d}.jpg", grey=True)
    corners = find_corners(grey, (9, 6))
    assert corners is not None
    points = Board(square_mm=25.0).points_mm()
    aim = solve_pose(points, corners.reshape(-1, 2).astype(float), lens)
    _, turn, way = cv2.solvePnP(points, corners, matrix, bend, flags=cv2.SOLVEPNP_ITERATIVE)
    axes = cv2.Rodrigues(turn)[0]
    assert aim.rms_px < 0.6
    assert aim.pose.place_mm == pytest.approx((-axes.T @ way).ravel(), abs=0.5)  # of some 300 to 500 mm
    assert _angle_deg(aim.pose, Pose(place_mm=np.zeros(3), axes=axes)) < 0.05
    # the poses published with the pictures, in metres; there is no tenth picture
    row = store.getNode("extrinsic_parameters").mat()[number - 1 if number < 10 else number - 2]
    axes = cv2.Rodrigues(row[:3])[0]
    assert aim.pose.place_mm == pytest.approx(-axes.T @ row[3:] * 1000, abs=2.0)
    assert _angle_deg(aim.pose, Pose(place_mm=np.zeros(3), axes=axes)) < 0.3
