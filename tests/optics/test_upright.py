"""A picture turned and mirrored, and the camera that takes it upright: one projection for both."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from twinlapse.imaging.resampling import upright_map
from twinlapse.optics.lens import project
from twinlapse.optics.upright import delivered_lens, delivered_picture, upright_camera, upright_picture
from twinlapse.rig import Camera, Lens

CLOCKWISE = {90: cv2.ROTATE_90_CLOCKWISE, 180: cv2.ROTATE_180, 270: cv2.ROTATE_90_COUNTERCLOCKWISE}
LENS = Lens(
    width_px=64,
    height_px=48,
    across_deg=60.0,
    centre_px=(30.0, 25.0),
    distortion=(-0.1, 0.02, 0.004, -0.003, 0.0),
)


@pytest.mark.parametrize("turn", [0, 90, 180, 270])
@pytest.mark.parametrize("mirror", [False, True])
def test_picture_and_lens_turn_together(turn: int, mirror: bool) -> None:
    camera = Camera(name="n", mount="toolhead", rotate_deg=turn, mirror=mirror, lens=LENS)
    raw = np.random.default_rng(1).integers(0, 255, (48, 64, 3), dtype=np.uint8)
    by_opencv = cv2.flip(raw, 1) if mirror else raw
    by_opencv = cv2.rotate(by_opencv, CLOCKWISE[turn]) if turn else by_opencv
    upright = upright_picture(raw, camera)
    assert np.array_equal(upright, by_opencv)
    assert np.array_equal(delivered_picture(upright, camera), raw)
    lens = upright_camera(camera).lens
    assert (lens.width_px, lens.height_px) == upright.shape[1::-1]
    # a ray seen upright appears, in the picture as delivered, where the film's map says
    rays = np.array([[0.1, -0.2, 1.0], [-0.3, 0.15, 1.0], [0.0, 0.0, 1.0]])
    x, y = rays[:, 0], rays[:, 1]
    back = {0: (x, y), 90: (y, -x), 180: (-x, -y), 270: (-y, x)}[turn]
    own = np.column_stack([-back[0] if mirror else back[0], back[1], rays[:, 2]])
    seen = project(rays, lens)
    matrix, _ = upright_map((64, 48), turn, mirror)
    assert seen @ matrix[:, :2].T + matrix[:, 2] == pytest.approx(project(own, LENS), abs=1e-9)
    again = delivered_lens(lens, camera)
    assert again.across_deg == pytest.approx(LENS.across_deg)
    assert again.distortion == pytest.approx(LENS.distortion)
    assert again.centre_px == pytest.approx(LENS.centre_px)
