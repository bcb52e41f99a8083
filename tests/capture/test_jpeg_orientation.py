"""A turned camera's JPEG is shown upright: by Pillow's reading of EXIF, against OpenCV's turning."""

from __future__ import annotations

import io

import cv2
import numpy as np
import pytest
from PIL import Image, ImageOps

from twinlapse.cameras.jpeg_orientation import upright

CLOCKWISE = {90: cv2.ROTATE_90_CLOCKWISE, 180: cv2.ROTATE_180, 270: cv2.ROTATE_90_COUNTERCLOCKWISE}


@pytest.mark.parametrize("turn", [0, 90, 180, 270])
@pytest.mark.parametrize("mirror", [False, True])
def test_a_viewer_turns_it_as_the_rig_says(turn: int, mirror: bool) -> None:
    raw = np.kron(np.array([[0, 80, 160], [250, 30, 210]], np.uint8), np.ones((16, 16), np.uint8))
    data = io.BytesIO()
    Image.fromarray(raw).save(data, "JPEG", quality=95)
    told = upright(data.getvalue(), turn, mirror)
    with Image.open(io.BytesIO(told)) as picture:
        shown = np.asarray(ImageOps.exif_transpose(picture))
    wanted = cv2.flip(raw, 1) if mirror else raw
    wanted = cv2.rotate(wanted, CLOCKWISE[turn]) if turn else wanted
    assert shown.shape == wanted.shape
    assert np.abs(shown.astype(int) - wanted).max() < 20
    if not turn and not mirror:
        assert told == data.getvalue()
    assert cv2.imdecode(np.frombuffer(told, np.uint8), cv2.IMREAD_UNCHANGED) is not None


def test_what_is_no_jpeg_is_left_alone() -> None:
    assert upright(b"", 90, False) == b""
    assert upright(b"\x89PNG", 90, True) == b"\x89PNG"
