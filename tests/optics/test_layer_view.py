"""What a nozzle camera shows of the layer, against OpenCV's projection and the thin lens."""

from __future__ import annotations

import math
from dataclasses import replace

import cv2
import numpy as np
import pytest

from twinlapse.optics.layer_view import layer_view
from twinlapse.optics.lens import camera_matrix
from twinlapse.optics.pose import pose_on_mount
from twinlapse.optics.view import blur_px
from twinlapse.rig import Camera, Lens, Printer

PRINTER = Printer(bed_mm=(220, 220), height_mm=250)


def _at(degrees: float) -> Camera:
    """A camera 40 mm from the tip, so many degrees above level, aimed at the tip."""
    up = math.radians(degrees)
    return Camera(
        name="nozzle",
        mount="toolhead",
        place_mm=(0.0, -40 * math.cos(up), 40 * math.sin(up)),
        look_mm=(0.0, 0.0, 0.0),
        lens=Lens(width_px=640, height_px=480, across_deg=50.0),
    )


@pytest.mark.parametrize("degrees", [15.0, 25.0, 40.0, 60.0])
def test_a_pixel_and_the_sharp_zone(degrees: float) -> None:
    camera = _at(degrees)
    view = layer_view(camera, PRINTER)
    assert view.steep_deg == pytest.approx(degrees)
    pose = pose_on_mount(camera, PRINTER)
    turn, _ = cv2.Rodrigues(pose.axes)
    points = np.array([[0, 0, 0], [0.05, 0, 0], [0, 0.05, 0]], float)
    at, _ = cv2.projectPoints(
        points, turn, -pose.axes @ pose.place_mm, camera_matrix(camera.lens), np.zeros(5)
    )
    across, along = (0.05 / np.linalg.norm(at[k, 0] - at[0, 0]) for k in (1, 2))
    assert (view.across_mm, view.along_mm) == pytest.approx((across, along), rel=0.01)
    # at both ends of the sharp zone a point is blurred over one pixel: thin lens
    for off in (-view.sharp_mm[0], view.sharp_mm[1]):
        depth = float(pose.to_camera(np.array([[0.0, off, 0.0]]))[0, 2])
        assert blur_px(camera.lens, 40.0, depth) == pytest.approx(1.0, rel=0.02)


def test_level_cameras_are_said_to_be_so_and_what_they_cannot_show() -> None:
    words = {degrees: layer_view(_at(degrees), PRINTER).words(0.4) for degrees in (15.0, 25.0, 57.0)}
    assert "grooves of lines that run across the picture are not shown" in words[15.0]
    assert "a lump hides what lies behind it" in words[25.0] and "grooves" not in words[25.0]
    assert "none in lines across it" in words[25.0]
    assert "lump" not in words[57.0] and "A stop of a survey shows" in words[57.0]
    assert layer_view(_at(90.0), PRINTER).sharp_mm == (math.inf, math.inf)


def test_a_camera_that_surveys_nothing_says_so() -> None:
    far = replace(_at(40.0), lens=Lens(width_px=640, height_px=480, across_deg=50.0, focus_mm=400.0))
    view = layer_view(far, PRINTER)
    assert view.window is None
    assert "not sharp at the tip" in view.words(0.4)
    assert "No part of the layer is shown well enough" in view.words(0.4)
