"""Pictures from bytes: upright, whole, of sane size, or refused in one line."""

from __future__ import annotations

import io
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from twinlapse.errors import FrameError
from twinlapse.imaging import decode as decode_module
from twinlapse.imaging.decode import decode, picture_size, read_picture


def scene(width: int = 48, height: int = 32) -> Image.Image:
    rng = np.random.default_rng(1)
    small = Image.fromarray(rng.integers(0, 255, (4, 6, 3), dtype=np.uint8))
    return small.resize((width, height), Image.Resampling.BICUBIC)


def encoded(image: Image.Image, kind: str, **options: object) -> bytes:
    data = io.BytesIO()
    image.save(data, kind, **options)
    return data.getvalue()


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "WEBP", "TIFF", "BMP"])
def test_every_kind_decodes_to_rgb(kind: str) -> None:
    options = {"quality": 98} if kind in ("JPEG", "WEBP") else {}
    picture = decode(encoded(scene(), kind, **options))
    assert picture.shape == (32, 48, 3) and picture.dtype == np.uint8
    # Pillow is the judge of colour order: a swap of red and blue would be tens of levels off
    assert np.abs(picture.astype(int) - np.asarray(scene()).astype(int)).mean() < 6
    assert decode(encoded(scene(), kind, **options), grey=True).shape == (32, 48)


# EXIF 2.32, tag 0x0112: what a viewer does to bring each of the eight orientations upright
UPRIGHT = {
    1: lambda a: a, 2: lambda a: a[:, ::-1], 3: lambda a: a[::-1, ::-1], 4: lambda a: a[::-1],
    5: lambda a: a.transpose(1, 0, 2), 6: lambda a: np.rot90(a, -1),
    7: lambda a: a[::-1, ::-1].transpose(1, 0, 2), 8: lambda a: np.rot90(a, 1),
}  # fmt: skip


@pytest.mark.parametrize("kind", ["JPEG", "PNG"])
@pytest.mark.parametrize("orientation", UPRIGHT)
def test_exif_orientation_is_applied(tmp_path: Path, kind: str, orientation: int) -> None:
    exif = Image.Exif()
    exif[0x0112] = orientation
    options = {"quality": 98} if kind == "JPEG" else {}
    path = tmp_path / f"frame.{kind.lower()}"
    path.write_bytes(encoded(scene(), kind, exif=exif, **options))
    picture = read_picture(path)
    wanted = UPRIGHT[orientation](np.asarray(scene()))
    assert picture.shape == wanted.shape
    assert np.abs(picture.astype(int) - wanted.astype(int)).mean() < 6
    assert picture_size(path) == (wanted.shape[1], wanted.shape[0])


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "WEBP", "TIFF", "BMP"])
@pytest.mark.parametrize("share", [0.0, 0.3, 0.6, 0.95])
def test_cut_off_files_are_refused(tmp_path: Path, kind: str, share: float) -> None:
    rng = np.random.default_rng(2)
    data = encoded(Image.fromarray(rng.integers(0, 255, (64, 64, 3), dtype=np.uint8)), kind)
    path = tmp_path / f"frame.{kind.lower()}"
    path.write_bytes(data[: int(len(data) * share)])
    with pytest.raises(FrameError) as caught:
        read_picture(path)
    assert "\n" not in str(caught.value) and str(path) in str(caught.value)


def photograph(width: int = 203, height: int = 121) -> Image.Image:
    rng = np.random.default_rng(3)
    return Image.fromarray(rng.integers(0, 255, (height, width, 3), dtype=np.uint8))


@pytest.mark.parametrize("place", [0.3, 0.6, 0.9])
def test_a_jpeg_with_a_hole_is_refused(place: float) -> None:
    data = encoded(photograph(), "JPEG")
    at = int(len(data) * place)
    with pytest.raises(FrameError, match="damaged inside"):
        decode(data[:at] + data[at + 400 :])


def test_padding_of_a_camera_is_harmless() -> None:
    data = encoded(photograph(), "JPEG")
    whole = decode(data)
    for padded in (data + b"\0" * 300, data[:-2] + b"\0" * 300 + data[-2:]):
        assert np.array_equal(decode(padded), whole)


def test_frames_of_a_stream_bring_no_tables_and_are_read() -> None:
    """Streams leave out the Huffman tables that ITU-T T.81, annex K.3, lists as typical."""
    data = encoded(photograph(), "JPEG")
    bare, at = data[:2], 2
    while data[at + 1] != 0xDA:
        length = 2 + int.from_bytes(data[at + 2 : at + 4], "big")
        bare += b"" if data[at + 1] == 0xC4 else data[at : at + length]
        at += length
    assert len(bare + data[at:]) < len(data) - 300
    assert np.array_equal(decode(bare + data[at:]), decode(data))


@pytest.mark.parametrize("mode", ["RGB", "L", "CMYK"])
@pytest.mark.parametrize("progressive", [False, True])
def test_jpegs_of_each_kind_are_what_pillow_shows(mode: str, progressive: bool) -> None:
    image = photograph().convert(mode)
    data = encoded(image, "JPEG", progressive=progressive)
    shown = np.asarray(Image.open(io.BytesIO(data)).convert("RGB"))
    assert np.abs(decode(data).astype(int) - shown).max() <= 1
    if mode != "CMYK":
        luma = Image.open(io.BytesIO(data))
        luma.draft("L", luma.size)
        assert np.abs(decode(data, grey=True).astype(int) - np.asarray(luma)).max() <= 1


@pytest.mark.parametrize("by", [1, 2, 4, 8])
@pytest.mark.parametrize("kind", ["JPEG", "PNG"])
def test_reduced_pictures_have_one_size_whatever_their_kind(kind: str, by: int) -> None:
    for size in ((203, 121), (200, 120), (7, 9)):
        picture = decode(encoded(photograph(*size), kind), reduce=by)
        assert picture.shape == (-(-size[1] // by), -(-size[0] // by), 3)


def test_memory_that_is_given_is_taken_where_it_fits() -> None:
    data, whole = encoded(photograph(), "JPEG"), decode(encoded(photograph(), "JPEG"))
    for shape, fits in (((121, 203, 3), True), ((203, 121, 3), False), ((61, 102, 3), False)):
        room = np.zeros(shape, np.uint8)
        picture = decode(data, room=room)
        assert np.array_equal(picture, whole) and np.shares_memory(picture, room) == fits
    assert not np.shares_memory(decode(encoded(photograph(), "PNG"), room=room), room)


def test_a_bomb_is_refused_by_its_header() -> None:
    data = encoded(Image.new("L", (9000, 9000)), "PNG")
    with pytest.raises(FrameError, match="9000 x 9000"):
        decode(data)


def test_deep_pictures_are_scaled_not_clipped() -> None:
    ramp = np.linspace(0, 65535, 256).astype(np.uint16)[None].repeat(4, axis=0)
    picture = decode(encoded(Image.fromarray(ramp), "PNG"))
    assert np.abs(picture[0, :, 0].astype(int) - np.arange(256)).max() <= 1


def test_noise_and_text_are_refused(tmp_path: Path) -> None:
    path = tmp_path / "frame.jpg"
    path.write_text("no picture")
    with pytest.raises(FrameError):
        read_picture(path)
    with pytest.raises(FrameError, match="cannot be read"):
        read_picture(tmp_path / "none.jpg")
    assert picture_size(path) is None


def test_the_size_of_a_plain_jpeg_is_told_without_pillow_and_of_no_other(tmp_path: Path) -> None:
    picture = Image.fromarray(np.full((30, 50, 3), 90, np.uint8))
    noted, data = Image.Exif(), io.BytesIO()
    noted[0x0112] = 6
    for extra, size in ({}, (50, 30)), ({"progressive": True}, (50, 30)), ({"exif": noted}, None):
        data = io.BytesIO()
        picture.save(data, "JPEG", **extra)
        assert decode_module._plain_jpeg_size(data.getvalue()) == size
        path = tmp_path / "one.jpg"
        path.write_bytes(data.getvalue())
        assert picture_size(path) == (size or (30, 50))  # turned by a quarter
    whole = data.getvalue()
    assert all(decode_module._plain_jpeg_size(whole[:cut]) is None for cut in range(0, 600, 7))
