"""A film as the frames of a camera: unpacked once into a folder of pictures beside it."""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

from PIL import Image

from twinlapse.errors import FrameError
from twinlapse.files import make_folder, sweep

__all__ = ["READERS", "is_clip", "unpacked"]

# which of imageio's readers takes it
READERS = dict.fromkeys((".mp4", ".m4v", ".mov", ".mkv", ".avi", ".webm"), "FFMPEG") | dict.fromkeys(
    (".gif", ".apng", ".webp"), "pillow"
)
_QUALITY = 95


def is_clip(path: Path) -> bool:
    """Whether a path is a file that may hold a series of pictures."""
    return path.suffix.lower() in READERS and path.is_file()


def unpacked(path: Path, progress: Callable[[float], None] | None = None) -> Path:
    """Return a folder ``CLIP.frames`` with the pictures of a clip, made unless it is there already.

    Its pictures are named so that they are counted, not taken for numbers of shots.

    Raises
    ------
    FrameError
        when the clip holds no picture that can be read.
    FileProblemError
        when the folder cannot be made.
    """
    folder = path.with_name(path.name + ".frames")
    if folder.is_dir() and folder.stat().st_mtime_ns >= path.stat().st_mtime_ns:
        return folder
    make_folder(folder.parent)
    sweep(folder)
    # under another name until it is whole, so that a stopped run leaves nothing that looks done
    prefix = f".{folder.name}.{os.getpid()}."
    beside = Path(tempfile.mkdtemp(dir=folder.parent, prefix=prefix, suffix=".part"))
    try:
        count = 0
        for count, picture in enumerate(_pictures(path), 1):
            Image.fromarray(picture).convert("RGB").save(
                beside / f"frame-{count:06d}.jpg", quality=_QUALITY, subsampling=0
            )
            if progress is not None:
                progress(1 - 0.98**count)  # how many there are is not known before the end
        if not count:
            raise FrameError("this clip holds no picture", "check that it plays", path=path)
        shutil.rmtree(folder, ignore_errors=True)
        beside.chmod(0o755)
        beside.rename(folder)
    finally:
        shutil.rmtree(beside, ignore_errors=True)
    return folder


def _pictures(path: Path) -> Iterator[Any]:
    import imageio.v3 as imageio  # most films are made of pictures

    try:
        yield from imageio.imiter(path, plugin=READERS[path.suffix.lower()])
    except Exception as error:  # imageio's readers raise whatever they meet in a damaged file
        said = (str(error) or type(error).__name__).strip().splitlines()[-1][:100]
        raise FrameError(f"this clip cannot be read ({said})", "check that it plays", path=path) from None
