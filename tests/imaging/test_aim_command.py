"""``twinlapse rig aim`` and ``rig target`` on files."""

from __future__ import annotations

import json
from pathlib import Path

import cv2
import numpy as np
import pytest
from click.testing import CliRunner
from PIL import Image

from twinlapse.cli.rig import command
from twinlapse.imaging.decode import read_picture
from twinlapse.optics.pose import pose_looking, see
from twinlapse.rig import Lens, read_rig
from twinlapse.rig.template import rig_text


def test_a_pose_is_solved_drawn_and_written(tmp_path: Path) -> None:
    rig, page, shot, over = (tmp_path / name for name in ("rig.toml", "page.png", "shot.png", "over.png"))
    rig.write_text(rig_text({}))
    assert CliRunner().invoke(command, ["target", "-o", str(page)]).exit_code == 0
    sheet = read_picture(page, grey=True)
    lens, truth = (
        Lens(width_px=1280, height_px=720, across_deg=75),
        pose_looking((0, -150, 200), (110, 90, 20), 2),
    )
    mark = np.array([(sheet.shape[1] - 1000) // 2 + 100, (sheet.shape[0] - 700) // 2 + 600])
    dots = np.array([[0, 0], [2900, 0], [2900, 2000], [0, 2000]], np.float32)
    bed = np.column_stack([(dots[:, 0] - mark[0]) / 10 + 60, (mark[1] - dots[:, 1]) / 10 + 80, np.zeros(4)])
    way = cv2.getPerspectiveTransform(dots - 0.5, see(bed, truth, lens).astype(np.float32))
    picture = cv2.warpPerspective(sheet, way, (1280, 720), flags=cv2.INTER_AREA, borderValue=(120,))
    Image.fromarray(np.asarray(picture, np.uint8)).save(shot)
    words = [
        "aim",
        str(rig),
        "--camera",
        "wide",
        "--picture",
        str(shot),
        "--board",
        "9",
        "6",
        "--at-mm",
        "60",
        "80",
    ]
    run = CliRunner().invoke(command, [*words, "--write", "-o", str(over), "--json"])
    assert run.exit_code == 0, run.output
    told = json.loads(run.output)
    camera = read_rig(rig).cameras[0]
    assert camera.place_mm == pytest.approx((0, -150, 200), abs=1.5)
    assert camera.roll_deg == pytest.approx(2, abs=0.3)
    assert 0 < camera.place_error_mm == told["place_error_mm"] < 2
    with Image.open(over) as drawn:
        assert drawn.size == (1280, 720)


def test_what_is_missing_is_said(tmp_path: Path) -> None:
    rig, shot = tmp_path / "rig.toml", tmp_path / "shot.png"
    rig.write_text(rig_text({}))
    Image.new("RGB", (640, 480)).save(shot)
    run = CliRunner().invoke(command, ["aim", str(rig), "--picture", str(shot), "--board", "9", "6"])
    assert run.exit_code == 2
    assert "--at" in run.output
    run = CliRunner().invoke(command, ["target", "-o", str(tmp_path / "p.png"), "--square-mm", "40"])
    assert run.exit_code == 2
    assert "does not fit" in run.output
