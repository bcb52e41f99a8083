"""When pictures were taken: by EXIF, else by the time of their files."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from pathlib import Path

from PIL import Image

__all__ = ["exif_times", "file_times"]

_EXIF_IFD, _TAKEN, _PART = 0x8769, 0x9003, 0x9291  # EXIF 2.32: DateTimeOriginal, SubSecTimeOriginal


def exif_times(paths: Sequence[Path]) -> list[float | None]:
    """Return seconds since 1970, local time taken for UTC, None where a picture does not tell them."""
    return [_exif_time(path) for path in paths]


def file_times(paths: Sequence[Path]) -> list[float | None]:
    """Return the times of the last change of files, seconds since 1970, None where one is not there."""
    return [_file_time(path) for path in paths]


def _file_time(path: Path) -> float | None:
    try:
        return path.stat().st_mtime
    except OSError:
        return None


def _exif_time(path: Path) -> float | None:
    try:
        with Image.open(path) as image:
            tags = image.getexif().get_ifd(_EXIF_IFD)
        taken = datetime.strptime(str(tags[_TAKEN]).strip("\0 "), "%Y:%m:%d %H:%M:%S")
        part = str(tags.get(_PART, "0")).strip("\0 ")
        return (taken - datetime(1970, 1, 1)).total_seconds() + float(f"0.{part}")
    except Exception:  # whatever a damaged header makes a plugin raise: the picture tells no time
        return None
