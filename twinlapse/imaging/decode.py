"""Bytes of a picture file to an upright RGB array; what is damaged is refused, never half shown."""

from __future__ import annotations

import contextlib
import io
import warnings
from pathlib import Path

import cv2
import numpy as np
import simplejpeg
from PIL import Image, ImageOps, UnidentifiedImageError

from twinlapse.arrays import Picture
from twinlapse.errors import FrameError

__all__ = [
    "SAME_SHAPE",
    "decode",
    "fitted",
    "picture_size",
    "read_picture",
    "reduced",
]

# once for all: filters that are set and reset around each picture are shared by all threads, and one of them
# would put back what another had set. Size is judged here, and damage that matters raises.
warnings.filterwarnings("ignore", module=r"PIL\.")


# HEIC is read where its reader is installed, which Pillow then knows
with contextlib.suppress(ImportError):
    from pillow_heif import register_heif_opener  # type: ignore[import-not-found,unused-ignore]

    register_heif_opener()

_MAX_BYTES = 64_000_000
_MAX_PIXELS = 60_000_000
SAME_SHAPE = 0.01  # relative difference that the aspects of one camera's sizes may have
_ORIENTATION = 0x0112
_HEAD_BYTES = 65_536  # of a file, in which all before the picture itself usually lies
_SCAN, _APP1, _FRAMES = 0xDA, 0xE1, (0xC0, 0xC1, 0xC2)
# what the JPEG library says of a picture that is shown whole all the same: a camera's padding
_HARMLESS = "extraneous bytes before marker"
_DAMAGE = {"Premature end": "this JPEG ends too early", "Corrupt JPEG data": "this JPEG is damaged inside"}


def read_picture(path: Path, *, grey: bool = False, reduce: int = 1, room: Picture | None = None) -> Picture:
    """Return a picture upright (EXIF orientation applied).

    Parameters
    ----------
    path : Path
        JPEG, PNG, WebP, TIFF or BMP.
    grey : bool
        Return luma only.
    reduce : {1, 2, 4, 8}
        Return the picture at this fraction of its size, which a JPEG gives for less work.
    room : ndarray of uint8, optional
        Memory for the picture, taken where a JPEG has just this shape: the result may lie in it.

    Returns
    -------
    ndarray of uint8, (height, width, 3) RGB or (height, width)

    Raises
    ------
    FrameError
        when the file is missing, empty, truncated, too large or no picture.
    """
    try:
        size = path.stat().st_size
        if size > _MAX_BYTES:
            raise FrameError(f"this frame has {size} bytes", "use frames below 64 MB", path=path)
        data = path.read_bytes()
    except OSError as error:
        raise FrameError(
            f"this frame cannot be read ({error.strerror})", "it will be covered", path=path
        ) from None
    return decode(data, path, grey=grey, reduce=reduce, room=room)


def picture_size(path: Path) -> tuple[int, int] | None:
    """Return width and height as `read_picture` delivers them, None where the header cannot be read."""
    try:
        with path.open("rb") as file:
            plain = _plain_jpeg_size(file.read(_HEAD_BYTES))
        if plain is not None:
            return plain
        with Image.open(path) as image:
            turned = image.getexif().get(_ORIENTATION, 1) in (5, 6, 7, 8)
            return (image.height, image.width) if turned else (image.width, image.height)
    except Exception:  # whatever a damaged header makes a plugin raise: reading it fully will tell why
        return None


def decode(
    data: bytes,
    path: Path | None = None,
    *,
    grey: bool = False,
    reduce: int = 1,
    room: Picture | None = None,
) -> Picture:
    """Return the picture held by `data`; see `read_picture`."""
    if not data:
        raise FrameError("this frame is empty", "it will be covered", path=path)
    try:
        plain = _plain_jpeg_size(data)
        if plain is not None:
            _check_size(plain, path)
            picture = _jpeg(data, path, plain, grey=grey, reduce=reduce, room=room)
            if picture is not None:
                return picture
        with Image.open(io.BytesIO(data)) as image:
            _check_size(image.size, path)
            if image.format == "JPEG" and image.mode in ("L", "RGB"):
                picture = _jpeg(data, path, image.size, grey=grey, reduce=reduce, room=room)
                if picture is not None:
                    return _upright(picture, image.getexif().get(_ORIENTATION, 1))
            return reduced(_by_pillow(image, grey), reduce)
    except FrameError:
        raise
    except UnidentifiedImageError as error:
        if path is not None and path.suffix.lower() in (".heic", ".heif"):
            raise FrameError(
                "HEIC pictures need a reader: pip install pillow-heif", "then it is shown", path=path
            ) from None
        raise FrameError(
            f"this is no whole picture ({_brief(error)})", "it will be covered", path=path
        ) from None
    except Exception as error:  # Pillow's plugins raise whatever they meet in a damaged file
        raise FrameError(
            f"this is no whole picture ({_brief(error)})", "it will be covered", path=path
        ) from None


def _check_size(size: tuple[int, int], path: Path | None) -> None:
    if size[0] * size[1] > _MAX_PIXELS:
        raise FrameError(f"this frame has {size[0]} x {size[1]} pixels", "use smaller frames", path=path)


def _plain_jpeg_size(data: bytes) -> tuple[int, int] | None:
    """Return width and height of a JPEG without notes on how it is to be turned, or other pictures in it.

    None for all else: Pillow, which knows them all, takes three times as long to say so. Segments as in
    ITU-T T.81, B.1.1; notes (Exif, XMP) lie in APP1, others' places (CIPA DC-007) in APP2.
    """
    size, place = None, 2
    if data[:2] != b"\xff\xd8":
        return None
    while data[place : place + 1] == b"\xff" and place + 10 <= len(data):
        marker, length = data[place + 1], int.from_bytes(data[place + 2 : place + 4], "big")
        if marker == _SCAN:
            return size
        if marker == _APP1 or data[place + 4 : place + 8] == b"MPF\0":
            return None
        if marker in _FRAMES:
            bits, components = data[place + 4], data[place + 9 : place + 10]
            height, width = (int.from_bytes(data[place + at : place + at + 2], "big") for at in (5, 7))
            size = (width, height) if bits == 8 and components in (b"\1", b"\3") and width * height else None
        place += 2 + length
    return None


def _jpeg(
    data: bytes,
    path: Path | None,
    size: tuple[int, int],
    *,
    grey: bool,
    reduce: int,
    room: Picture | None,
) -> Picture | None:
    """Return a JPEG as it lies in its file; None where it is whole, but of a kind that others must read."""
    shape = (-(-size[1] // reduce), -(-size[0] // reduce), 1 if grey else 3)
    wanted = {
        "colorspace": "GRAY" if grey else "RGB",
        "min_height": shape[0],
        "min_width": shape[1],
        "min_factor": reduce,
        "buffer": room if room is not None and room.shape == shape else None,
    }
    try:
        picture = simplejpeg.decode_jpeg(data, **wanted)
    except ValueError as error:
        said = str(error)
        damage = next((what for start, what in _DAMAGE.items() if said.startswith(start)), None)
        if damage is None:
            return None
        if _HARMLESS not in said:
            raise FrameError(damage, "it will be covered", path=path) from None
        picture = simplejpeg.decode_jpeg(data, strict=False, **wanted)
    return np.asarray(picture[..., 0] if grey else picture, dtype=np.uint8)


def _upright(picture: Picture, orientation: int) -> Picture:
    """Return a picture turned as EXIF 2.32, tag 0x0112, says."""
    if orientation in (5, 6, 7, 8):
        picture = picture.swapaxes(0, 1)
    if orientation in (3, 4, 7, 8):
        picture = picture[::-1]
    if orientation in (2, 3, 6, 7):
        picture = picture[:, ::-1]
    return np.ascontiguousarray(picture)


def reduced(picture: Picture, by: int) -> Picture:
    """Return a picture at a fraction of its size, each pixel the mean of those it covers."""
    if by == 1:
        return picture
    size = (-(-picture.shape[1] // by), -(-picture.shape[0] // by))
    return np.asarray(cv2.resize(picture, size, interpolation=cv2.INTER_AREA), dtype=np.uint8)


def fitted(picture: Picture, size: tuple[int, int]) -> Picture | None:
    """Return a picture at `size` (width, height), scaled where it has the same shape, None where not."""
    height, width = picture.shape[:2]
    if (width, height) == size:
        return picture
    if abs(width * size[1] / (height * size[0]) - 1) > SAME_SHAPE:
        return None
    how = cv2.INTER_AREA if width > size[0] else cv2.INTER_CUBIC
    return np.asarray(cv2.resize(picture, size, interpolation=how), dtype=np.uint8)


def _by_pillow(image: Image.Image, grey: bool) -> Picture:
    image.load()
    upright = ImageOps.exif_transpose(image)
    if upright.mode.startswith(("I", "F")):  # 16 bits and more: scale to 8, never clip
        wide = np.asarray(upright, dtype=np.float64)
        top = 65535.0 if wide.max() > 255 else 255.0
        upright = Image.fromarray((wide * (255.0 / top)).clip(0, 255).astype(np.uint8))
    return np.array(upright.convert("L" if grey else "RGB"), dtype=np.uint8)


def _brief(error: Exception) -> str:
    return (str(error) or type(error).__name__).splitlines()[0][:80].partition(" <_io.")[0]
