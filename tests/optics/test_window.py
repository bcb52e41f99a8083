"""What a nozzle camera sees of the layer, against OpenCV's projection of a head built like the rig says."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from twinlapse.optics.lens import camera_matrix
from twinlapse.optics.pose import pose_on_mount
from twinlapse.optics.window import usable
from twinlapse.rig import Camera, Printer, Toolhead

HEAD = Toolhead(radius_mm=65, nozzle_length_mm=4.0, block_radius_mm=3.0)
PRINTER = Printer(bed_mm=(220, 220), height_mm=250, toolhead=HEAD)


@pytest.mark.parametrize("camera_mm", [(0.0, -28.0, 34.0), (0.0, -42.0, 15.0), (20.0, -20.0, 30.0)])
def test_no_place_behind_the_block_is_used(camera_mm: tuple[float, float, float]) -> None:
    camera = Camera(name="nozzle", mount="toolhead", place_mm=camera_mm, look_mm=(0.0, 0.0, 0.0))
    steps = np.linspace(-25, 25, 101)
    grid = np.stack(np.meshgrid(steps, steps), axis=-1).reshape(-1, 2)
    points = np.column_stack([grid, np.full(len(grid), -1.0)])
    good = usable(points, camera, PRINTER, 1.0)
    away = np.array(camera_mm[:2]) / np.hypot(*camera_mm[:2])
    beside = np.array([-away[1], away[0]])
    corners = [
        (*(HEAD.block_radius_mm * away + side * beside), high) for side in (-40, 40) for high in (4.0, 9.0)
    ]
    pose = pose_on_mount(camera, PRINTER)
    turn, _ = cv2.Rodrigues(pose.axes)
    block, ground = (
        cv2.projectPoints(
            np.array(some), turn, -pose.axes @ pose.place_mm, camera_matrix(camera.lens), np.zeros(4)
        )[0].reshape(-1, 2)
        for some in (corners, points)
    )
    face = cv2.convexHull(block.astype(np.float32))
    hidden = np.array([cv2.pointPolygonTest(face, (float(x), float(y)), False) > 0 for x, y in ground])
    assert hidden.any()
    assert not (good & hidden).any()
    near = np.hypot(*(grid - 8 * away).T) < 3  # on the camera's side of the tip
    assert good[near].mean() > 0.9
