"""A camera that hangs turned, or whose picture is mirrored, and the camera that takes it upright.

The picture as delivered is mirrored left to right first, then turned clockwise, as the rig's ``mirror`` and
``rotate_deg`` say. A rig's lens describes the picture as delivered; place and direction the upright one.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from twinlapse.optics.lens import axis_px, focal_px
from twinlapse.rig.camera import Camera, Lens

__all__ = ["delivered_lens", "delivered_picture", "upright_camera", "upright_picture"]

Any8 = TypeVar("Any8", bound=np.generic)


def upright_picture(picture: NDArray[Any8], camera: Camera) -> NDArray[Any8]:
    """Return a picture (height, width, ...) as delivered, mirrored and turned upright."""
    straight = picture[:, ::-1] if camera.mirror else picture
    return np.ascontiguousarray(np.rot90(straight, -camera.rotate_deg // 90))


def delivered_picture(picture: NDArray[Any8], camera: Camera) -> NDArray[Any8]:
    """Return an upright picture (height, width, ...) as the camera would deliver it."""
    turned = np.rot90(picture, camera.rotate_deg // 90)
    return np.ascontiguousarray(turned[:, ::-1] if camera.mirror else turned)


def upright_camera(camera: Camera) -> Camera:
    """Return the camera that takes the upright picture by itself."""
    lens = _mirrored(camera.lens) if camera.mirror else camera.lens
    for _ in range(camera.rotate_deg // 90):
        lens = _turned(lens)
    return replace(camera, lens=lens, rotate_deg=0, mirror=False)


def delivered_lens(lens: Lens, camera: Camera) -> Lens:
    """Return an upright lens as the rig file describes it: that of the picture as `camera` delivers it."""
    for _ in range((4 - camera.rotate_deg // 90) % 4):
        lens = _turned(lens)
    return _mirrored(lens) if camera.mirror else lens


def _mirrored(lens: Lens) -> Lens:
    centre = lens.centre_px and (lens.width_px - 1 - lens.centre_px[0], lens.centre_px[1])
    bent = list(lens.distortion)
    if lens.kind == "pinhole" and len(bent) > 3:
        bent[3] = -bent[3]  # p2 goes with x
    return replace(lens, centre_px=centre, distortion=tuple(bent))


def _turned(lens: Lens) -> Lens:
    """Return the lens of the picture turned clockwise by 90 degrees: what was right is now down."""
    x, y = axis_px(lens)
    half = lens.height_px / 2 / focal_px(lens)
    across = 2 * half if lens.kind == "fisheye" else 2 * math.atan(half)
    bent = list(lens.distortion)
    if lens.kind == "pinhole" and len(bent) > 3:
        bent[2], bent[3] = bent[3], -bent[2]  # (p2, p1) turn as (x, y) do
    return replace(
        lens,
        width_px=lens.height_px,
        height_px=lens.width_px,
        across_deg=math.degrees(across),
        centre_px=lens.centre_px and (lens.height_px - 1 - y, x),
        distortion=tuple(bent),
    )
