"""The picture that goes with an alarm, made no larger than the receiver should have to take."""

from __future__ import annotations

import io
from pathlib import Path

__all__ = ["picture_for"]

_MOST_PX = 1280  # longer side of a picture that is made smaller (common practice, no source)
_QUALITIES = (85, 70, 55, 40)
_LARGEST = 32 << 20  # bytes of a file that is looked at
_MOST_PIXELS = 40_000_000


def picture_for(file: str, most_kb: float) -> bytes:
    """Return a picture as JPEG of at most so many kB; empty where there is none, or none that small.

    A JPEG that is small enough is sent byte for byte.
    """
    if not file or most_kb <= 0:
        return b""
    try:
        path = Path(file)
        if path.is_symlink() or path.stat().st_size > _LARGEST:
            return b""
        data = path.read_bytes()
    except OSError:
        return b""
    most = int(1000 * most_kb)
    if data[:2] == b"\xff\xd8" and len(data) <= most:
        return data
    return _smaller(data, most)


def _smaller(data: bytes, most: int) -> bytes:
    from PIL import Image

    try:
        with Image.open(io.BytesIO(data), formats=("JPEG", "PNG")) as opened:
            if opened.width * opened.height > _MOST_PIXELS:
                return b""
            opened.draft("RGB", (_MOST_PX, _MOST_PX))
            picture = opened.convert("RGB")
    except (OSError, ValueError, SyntaxError):
        return b""
    side = _MOST_PX
    while side >= 80:
        picture.thumbnail((side, side))
        for quality in _QUALITIES:
            target = io.BytesIO()
            picture.save(target, "JPEG", quality=quality)
            if target.tell() <= most:
                return target.getvalue()
        side //= 2
    return b""
