"""What the service must know about a JPEG without trusting it: where it ends, how large, how bright.

References: ITU-T T.81 annex B (markers and their lengths).
"""

from __future__ import annotations

import io
from dataclasses import dataclass
from typing import Any

from twinlapse.errors import CaptureError

__all__ = ["MAX_BYTES", "JpegSummary", "check_whole", "find_end", "read_size", "summarise"]

MAX_BYTES = 8 * 1024 * 1024  # a still of 12 million pixels at high quality (common practice, no source)
_MAX_PIXELS = 20_000_000  # a file of 1 MB can claim 177 million pixels and take 700 MB to decode
_SOI, _EOI, _SOS = 0xD8, 0xD9, 0xDA
_BARE = frozenset((0x01, _SOI, *range(0xD0, 0xD8)))  # markers without a length
_FRAMES = frozenset(range(0xC0, 0xD0)) - {0xC4, 0xC8, 0xCC}


def find_end(data: bytes | bytearray | memoryview, start: int = 0) -> int | None:
    """Return the offset after the end-of-image marker of the JPEG at `start`, None while it is incomplete.

    Segments are skipped by their length, so that a thumbnail inside one does not end the picture.

    Raises
    ------
    CaptureError
        when the bytes are no JPEG.
    """
    if len(data) - start < 2:
        return None
    if data[start] != 0xFF or data[start + 1] != _SOI:
        raise CaptureError("the picture is no JPEG", "set the camera to MJPEG")
    view = bytes(data)
    at = start + 2
    while True:
        at = _next_marker(view, at)
        if at < 0 or at + 1 >= len(view):
            return None
        marker = view[at + 1]
        if marker == _EOI:
            return at + 2
        if marker in _BARE:
            at += 2
            continue
        if at + 4 > len(view):
            return None
        at += 2 + int.from_bytes(view[at + 2 : at + 4], "big")


def _next_marker(view: bytes, at: int) -> int:
    # within entropy-coded data FF00 is a data byte and FFD0..FFD7 restart the coder: neither is a segment
    while True:
        at = view.find(b"\xff", at)
        if at < 0 or at + 1 >= len(view):
            return -1
        following = view[at + 1]
        if following == 0xFF:
            at += 1
        elif following == 0 or 0xD0 <= following <= 0xD7:
            at += 2
        else:
            return at


def read_size(data: bytes) -> tuple[int, int]:
    """Return (width, height) in pixels from the header alone.

    Raises
    ------
    CaptureError
        when there is no frame header before the data.
    """
    at = 2
    while (at := _next_marker(data, at)) >= 0 and at + 9 <= len(data):
        marker = data[at + 1]
        if marker in _FRAMES:
            height = int.from_bytes(data[at + 5 : at + 7], "big")
            return int.from_bytes(data[at + 7 : at + 9], "big"), height
        if marker in (_SOS, _EOI):
            break
        at += 2 if marker in _BARE else 2 + int.from_bytes(data[at + 2 : at + 4], "big")
    raise CaptureError("the picture has no size", "check the camera")


def check_whole(data: bytes) -> None:
    """Raise a CaptureError unless this is one whole JPEG of a bearable size.

    The size is read from the header before anything is decoded.
    """
    if len(data) > MAX_BYTES:
        raise CaptureError(f"the picture has {len(data)} bytes", "8 MB are enough")
    end = find_end(data)
    if end is None:
        raise CaptureError("the picture is only a part of one", "check the connection of the camera")
    width, height = read_size(data)
    if not 0 < width * height <= _MAX_PIXELS:
        raise CaptureError(f"the picture claims {width} x {height} pixels", "20 million are enough")


@dataclass(frozen=True, slots=True, kw_only=True)
class JpegSummary:
    """How a picture looks at an eighth of its size."""

    luma: float  # mean, 0 to 255
    spread: float  # standard deviation of the luma
    sharpness: float  # mean square difference of neighbours at full size


def summarise(data: bytes, *, sharpness: bool = False) -> JpegSummary:
    """Decode a picture and say how bright it is; with `sharpness` at full size, which takes longer.

    Raises
    ------
    CaptureError
        when it does not decode to its last row.
    """
    from PIL import Image, ImageChops, ImageStat

    check_whole(data)
    try:
        with _open(Image, data) as picture:
            if not sharpness:
                picture.draft("L", (max(1, picture.width // 8), max(1, picture.height // 8)))
            grey = picture.convert("L")
    except (OSError, ValueError, SyntaxError, Image.DecompressionBombError) as error:
        raise CaptureError(f"the picture does not decode ({error})", "check the camera") from None
    stats = ImageStat.Stat(grey)
    detail = 0.0
    if sharpness:
        shifted = ImageChops.difference(grey, ImageChops.offset(grey, 1, 0))
        detail = ImageStat.Stat(shifted.crop((1, 0, grey.width, grey.height))).rms[0] ** 2
    return JpegSummary(luma=stats.mean[0], spread=stats.stddev[0], sharpness=detail)


def _open(module: Any, data: bytes) -> Any:
    return module.open(io.BytesIO(data), formats=("JPEG",))
