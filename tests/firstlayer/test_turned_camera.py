"""A camera that hangs turned or mirrored: the same report, and its place written back as the rig means it."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from click.testing import CliRunner
from PIL import Image

from twinlapse.cli.first_layer import command

# by OpenCV, from the upright picture back to the one that the camera delivers: turned first, then mirrored
BACK = {90: cv2.ROTATE_90_COUNTERCLOCKWISE, 180: cv2.ROTATE_180, 270: cv2.ROTATE_90_CLOCKWISE}


def _told(folder: Path) -> dict[str, Any]:
    run = CliRunner().invoke(command, [str(folder), "--json"])
    assert run.exit_code in (0, 1), run.output
    value: dict[str, Any] = json.loads(run.output)
    return value


@pytest.mark.slow
@pytest.mark.parametrize(("turn", "mirror"), [(90, False), (180, True), (270, True)])
def test_a_turned_camera_gives_the_same_report(
    tmp_path: Path, scene: Any, surveyed_job: Any, turn: int, mirror: bool
) -> None:
    made = scene(size_mm=14.0, seed=6, gaps=[(97.0, 90 + 0.9 + 0.225 + 0.45 * 12, 2.0)])
    surveyed_job(tmp_path / "straight", made)
    job = surveyed_job(tmp_path / "turned", made)
    for path in sorted((job.frames / "nozzle").iterdir()):
        picture = np.asarray(Image.open(path))
        picture = cv2.rotate(picture, BACK[turn])
        Image.fromarray(cv2.flip(picture, 1) if mirror else picture).save(path, quality=98)
    plan = json.loads(job.plan.read_text())
    camera = plan["rig"]["camera"][0]
    camera |= {"rotate_deg": turn, "mirror": mirror}
    if turn != 180:  # 640 x 480 with 60 degrees across is delivered as 480 x 640
        focal_px = 320 / math.tan(math.radians(30))
        across_deg = 2 * math.degrees(math.atan(240 / focal_px))
        camera["lens"] = {"width_px": 480, "height_px": 640, "across_deg": across_deg}
    job.plan.write_text(json.dumps(plan))
    straight, turned = _told(tmp_path / "straight"), _told(tmp_path / "turned")
    assert [d["kind"] for d in turned["defects"]] == ["gap"] == [d["kind"] for d in straight["defects"]]
    assert turned["defects"][0]["at_mm"] == pytest.approx(straight["defects"][0]["at_mm"], abs=0.1)
    for key in ("place_mm", "look_mm"):
        assert turned["calibration"][key] == pytest.approx(straight["calibration"][key], abs=0.3)
