"""The picture that goes with an alarm, made no larger than the receiver should have to take."""

from __future__ import annotations

import io
from dataclasses import dataclass
from pathlib import Path

from twinlapse.cameras.jpeg_orientation import upright

__all__ = ["AlarmPicture", "picture_for"]

_MOST_PX = 1280  # longer side of a picture that is made smaller (common practice, no source)
_QUALITIES = (85, 70, 55, 40)
_LARGEST = 32 << 20  # bytes of a file that is looked at
_MOST_PIXELS = 40_000_000


@dataclass(frozen=True, slots=True)
class AlarmPicture:
    """A file that goes along, and how it is brought upright: mirrored first, then turned clockwise."""

    file: str = ""  # "": none
    rotate_deg: int = 0
    mirror: bool = False


def picture_for(shown: AlarmPicture, most_kb: float) -> bytes:
    """Return a picture as JPEG of at most so many kB; empty where there is none, or none that small.

    A JPEG that is small enough is sent as it is, with the tag that turns it upright if it needs one.
    """
    file = shown.file
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
        return upright(data, shown.rotate_deg, shown.mirror)
    return _smaller(data, most, shown)


def _smaller(data: bytes, most: int, shown: AlarmPicture) -> bytes:
    from PIL import Image, ImageOps

    try:
        with Image.open(io.BytesIO(data), formats=("JPEG", "PNG")) as opened:
            if opened.width * opened.height > _MOST_PIXELS:
                return b""
            opened.draft("RGB", (_MOST_PX, _MOST_PX))
            picture = opened.convert("RGB")
        picture = ImageOps.mirror(picture) if shown.mirror else picture
        picture = picture.rotate(-shown.rotate_deg, expand=True)
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
