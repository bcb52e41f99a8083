"""Where a JPEG ends, what it claims, and what is refused before it is decoded."""

from __future__ import annotations

import io
from collections.abc import Callable

import pytest
from PIL import Image

from twinlapse.cameras.jpeg import check_whole, find_end, read_size, summarise
from twinlapse.errors import CaptureError


def encode(**options: object) -> bytes:
    target = io.BytesIO()
    Image.effect_noise((200, 120), 60).convert("RGB").save(target, "JPEG", **options)  # type: ignore[arg-type]
    return target.getvalue()


@pytest.mark.parametrize("options", [{}, {"progressive": True}, {"restart_marker_blocks": 2}, {"quality": 5}])
def test_the_end_of_every_kind_of_jpeg_is_found(options: dict[str, object]) -> None:
    data = encode(**options)
    assert find_end(data + b"--boundary") == len(data)
    assert read_size(data) == (200, 120)  # as the library that wrote it says
    assert all(find_end(data[:at]) is None for at in range(2, len(data), 97))


def test_a_bomb_is_refused_by_its_header(jpeg: Callable[..., bytes]) -> None:
    data = jpeg()
    at = data.index(b"\xff\xc0")
    bomb = data[: at + 5] + (13000).to_bytes(2, "big") + (13000).to_bytes(2, "big") + data[at + 9 :]
    with pytest.raises(CaptureError, match="claims 13000 x 13000"):
        summarise(bomb)


@pytest.mark.parametrize("damage", ["empty", "half", "text", "png", "no size"])
def test_what_is_no_picture_is_refused(jpeg: Callable[..., bytes], damage: str) -> None:
    png = io.BytesIO()
    Image.new("L", (8, 8)).save(png, "PNG")
    data = {
        "empty": b"",
        "half": jpeg()[:-40],
        "text": b"GIF89a" * 40,
        "png": png.getvalue(),
        "no size": b"\xff\xd8\xff\xd9",
    }[damage]
    with pytest.raises(CaptureError):
        check_whole(data)


def test_garbage_between_the_markers_does_not_decode(jpeg: Callable[..., bytes]) -> None:
    data = jpeg()
    at = data.index(b"\xff\xc4")
    with pytest.raises(CaptureError, match="does not decode"):
        summarise(data[:at] + b"\xff\xd9")


def test_brightness_and_sharpness(jpeg: Callable[..., bytes]) -> None:
    assert summarise(jpeg(grey=200)).luma > summarise(jpeg(grey=60)).luma + 80
    assert summarise(encode(), sharpness=True).sharpness > 50 * summarise(jpeg(), sharpness=True).sharpness
