"""Bytes of a picture file to an upright RGB array; what is damaged is refused, never half shown.

The fast decoder takes a truncated JPEG without a word and fills the rest with grey, so the end is checked
here before it sees the bytes.
"""

from __future__ import annotations

import io
import os
import warnings
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

os.environ.setdefault("OPENCV_IO_MAX_IMAGE_PIXELS", str(100_000_000))  # read once, when cv2 is imported

import cv2
from PIL import Image, ImageOps

from twinlapse.errors import FrameError

# once for all: filters that are set and reset around each picture are shared by all threads, and one of them
# would put back what another had set. Size is judged here, and damage that matters raises.
warnings.filterwarnings("ignore", module=r"PIL\.")

Picture = NDArray[np.uint8]

MAX_BYTES = 64_000_000
MAX_PIXELS = 60_000_000
# reduced and RGB: the flag of reduced grey, which is the bit of the reduction alone, with that of RGB
_COLOUR = {
    1: cv2.IMREAD_COLOR_RGB,
    2: cv2.IMREAD_REDUCED_GRAYSCALE_2 | cv2.IMREAD_COLOR_RGB,
    4: cv2.IMREAD_REDUCED_GRAYSCALE_4 | cv2.IMREAD_COLOR_RGB,
    8: cv2.IMREAD_REDUCED_GRAYSCALE_8 | cv2.IMREAD_COLOR_RGB,
}
_GREY = {
    1: cv2.IMREAD_GRAYSCALE,
    2: cv2.IMREAD_REDUCED_GRAYSCALE_2,
    4: cv2.IMREAD_REDUCED_GRAYSCALE_4,
    8: cv2.IMREAD_REDUCED_GRAYSCALE_8,
}
_EOI = b"\xff\xd9"


def read_picture(path: Path, *, grey: bool = False, reduce: int = 1) -> Picture:
    """Return a picture upright (EXIF orientation applied).

    Parameters
    ----------
    path : Path
        JPEG, PNG, WebP, TIFF or BMP.
    grey : bool
        Return luma only.
    reduce : {1, 2, 4, 8}
        Return the picture at this fraction of its size, which a JPEG gives for less work.

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
        if size > MAX_BYTES:
            raise FrameError(f"this frame has {size} bytes", "use frames below 64 MB", path=path)
        data = path.read_bytes()
    except OSError as error:
        raise FrameError(
            f"this frame cannot be read ({error.strerror})", "it will be covered", path=path
        ) from None
    return decode(data, path, grey=grey, reduce=reduce)


def picture_size(path: Path) -> tuple[int, int] | None:
    """Return width and height as `read_picture` delivers them, None where the header cannot be read."""
    try:
        with Image.open(path) as image:
            turned = image.getexif().get(0x0112, 1) in (5, 6, 7, 8)
            return (image.height, image.width) if turned else (image.width, image.height)
    except Exception:  # whatever a damaged header makes a plugin raise: reading it fully will tell why
        return None


def decode(data: bytes, path: Path | None = None, *, grey: bool = False, reduce: int = 1) -> Picture:
    """Return the picture held by `data`; see `read_picture`."""
    if not data:
        raise FrameError("this frame is empty", "it will be covered", path=path)
    try:
        with Image.open(io.BytesIO(data)) as image:
            if image.width * image.height > MAX_PIXELS:
                raise FrameError(
                    f"this frame has {image.width} x {image.height} pixels", "use smaller frames", path=path
                )
            if image.format != "JPEG" or image.mode == "CMYK":
                return reduced(_by_pillow(image, grey), reduce)
    except FrameError:
        raise
    except Exception as error:  # Pillow's plugins raise whatever they meet in a damaged file
        raise FrameError(
            f"this is no whole picture ({_brief(error)})", "it will be covered", path=path
        ) from None
    if data.rstrip(b"\0")[-2:] != _EOI and _EOI not in data[-4096:]:
        raise FrameError("this JPEG ends too early", "it will be covered", path=path)
    flags = (_GREY if grey else _COLOUR)[reduce]
    picture = cv2.imdecode(np.frombuffer(data, np.uint8), flags)
    if picture is None:
        raise FrameError("this JPEG cannot be decoded", "it will be covered", path=path)
    return np.asarray(picture, dtype=np.uint8)


def reduced(picture: Picture, by: int) -> Picture:
    """Return a picture at a fraction of its size, each pixel the mean of those it covers."""
    if by == 1:
        return picture
    size = (-(-picture.shape[1] // by), -(-picture.shape[0] // by))
    return np.asarray(cv2.resize(picture, size, interpolation=cv2.INTER_AREA), dtype=np.uint8)


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
