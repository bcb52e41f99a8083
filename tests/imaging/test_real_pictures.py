"""Alignment and calibration on open pictures that nobody made for this project.

They are in Debian's package opencv-doc (``apt-get install opencv-doc``); without it these tests are skipped.
"""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import av
import cv2
import numpy as np
import pytest
from click.testing import CliRunner

from twinlapse.cli.root import cli
from twinlapse.imaging.calibration import calibrate
from twinlapse.imaging.registration import make_reference, measure
from twinlapse.imaging.resampling import chain, pane_map, resample, straight_map
from twinlapse.imaging.transforms import fit_map

DATA = Path("/usr/share/doc/opencv-doc/examples/data")
pytestmark = pytest.mark.skipif(not DATA.is_dir(), reason="needs Debian's package opencv-doc")


def street(count: int, step: int) -> list[np.ndarray]:
    """Every `step`-th frame of a static camera's clip with people walking, as luma."""
    frames = []
    with av.open(str(DATA / "vtest.avi")) as clip:
        for number, frame in enumerate(clip.decode(video=0)):
            if number % step == 0:
                frames.append(frame.to_ndarray(format="gray"))
            if len(frames) == count:
                break
    return frames


def test_a_street_with_people_is_held_still() -> None:
    rng = np.random.default_rng(4)
    frames = street(14, 25)
    size = (720, 540)
    ways = np.round(rng.normal(0, 2, (len(frames), 2)) * 32) / 32
    moved = [
        cv2.warpAffine(
            frame,
            np.array([[1, 0, 24 - way[0]], [0, 1, 18 - way[1]]]),
            size,
            flags=cv2.INTER_LANCZOS4 | cv2.WARP_INVERSE_MAP,
        )
        for frame, way in zip(frames, ways, strict=True)
    ]
    reference = make_reference(moved[7])
    found = []
    for frame in moved:
        votes = measure(reference, [frame])
        matrix, confidence = fit_map(reference.centres, votes.shifts[0], votes.weights[0], "scale")
        assert confidence > 0.5
        middle = np.array(size) / 2
        found.append(matrix[:, :2] @ middle + matrix[:, 2] - middle)
    left = np.array(found) - (ways - ways[7])
    assert np.sqrt((ways**2).mean()) > 1.5
    assert np.sqrt((left**2).mean()) < 0.1
    assert np.abs(left).max() < 0.3


def test_the_chessboard_set_gives_the_published_optics() -> None:
    # OpenCV's tutorial "Camera calibration" publishes f = 535.9 px, centre (342.3, 235.6), RMS 0.3926 px with
    # a wider corner window
    paths = sorted(DATA.glob("left[01]?.jpg"))
    assert len(paths) == 13
    result = calibrate(paths)
    assert result.rms_px < 0.25
    (fx, _, cx), (_, fy, cy), _ = result.matrix
    assert abs(fx / 535.9 - 1) < 0.015 and abs(fy / 535.9 - 1) < 0.015
    assert abs(cx - 342.3) < 5 and abs(cy - 235.6) < 5
    assert sum(view.used for view in result.views) >= 11


def test_bad_views_are_left_out_and_named(tmp_path: Path) -> None:
    for path in sorted(DATA.glob("left0?.jpg")):
        shutil.copy(path, tmp_path)
    whole = cv2.imread(str(DATA / "left01.jpg"))
    cv2.imwrite(str(tmp_path / "small.png"), cv2.resize(whole, (320, 240)))
    cv2.imwrite(str(tmp_path / "blank.png"), np.full((480, 640), 128, np.uint8))
    (tmp_path / "cut.jpg").write_bytes((DATA / "left02.jpg").read_bytes()[:9000])
    rows, columns = np.mgrid[0:480, 0:640].astype(np.float32)
    wave = 3 * np.sin(rows / 25)  # a board that was not flat
    cv2.imwrite(str(tmp_path / "wavy.png"), cv2.remap(whole, columns + wave, rows, cv2.INTER_CUBIC))
    result = CliRunner().invoke(cli, ["rig", "lens", str(tmp_path), "--json"])
    assert result.exit_code == 0, result.output
    told = json.loads(result.stdout)
    why = {Path(view["file"]).name: view["why"] for view in told["views"] if not view["used"]}
    assert why == {
        "small.png": "320 x 240, the others 640 x 480",
        "blank.png": "no board found",
        "cut.jpg": "this JPEG ends too early",
        "wavy.png": "left out",
    }
    assert told["rms_px"] < 0.25
    assert abs(told["matrix"][0][0] / 535.9 - 1) < 0.015


def test_straightening_makes_the_board_s_lines_straight() -> None:
    paths = sorted(DATA.glob("left[01]?.jpg"))
    result = calibrate(paths)
    grey = np.asarray(cv2.imread(str(DATA / "left12.jpg"), cv2.IMREAD_GRAYSCALE), np.uint8)
    identity = chain(pane_map((0, 0, 640, 480), (640, 480)))
    straightened = resample(grey, identity, (640, 480), straight=straight_map(result.lens))

    def bend(picture: np.ndarray) -> float:
        seen, corners = cv2.findChessboardCorners(picture, (9, 6))
        assert seen
        corners = cv2.cornerSubPix(
            picture, corners, (5, 5), (-1, -1), (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_MAX_ITER, 50, 1e-4)
        )
        rows = corners.reshape(6, 9, 2)
        away = []
        for row in rows:
            middle = row - row.mean(axis=0)
            away.append(np.abs(middle @ np.linalg.svd(middle)[2][1]).max())
        return float(np.mean(away))

    assert bend(straightened) < 0.35 * bend(grey)
