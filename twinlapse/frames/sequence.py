"""The frames of one camera in the order of shooting, from a job folder or from any folder of pictures."""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path

from twinlapse.errors import FrameError
from twinlapse.frames.job import Job

__all__ = ["FrameFile", "FrameSequence", "job_sequences", "natural_key", "read_sequence"]

_SUFFIXES = frozenset((".jpg", ".jpeg", ".png", ".webp", ".tif", ".tiff", ".bmp", ".heic", ".heif"))
_SHOT = re.compile(r"(\d{1,9})(?:-(\d{1,3}))?")
_DIGITS = re.compile(r"(\d+)")


@dataclass(frozen=True, slots=True, kw_only=True)
class FrameFile:
    """One picture on the disk."""

    path: Path
    shot: int  # number of the shot, or place in the folder counted from 1
    repeat: int = 1  # 2 for the second stop of the same camera in one shot


@dataclass(frozen=True, slots=True, kw_only=True)
class FrameSequence:
    """What one camera saw, in order."""

    camera: str
    files: tuple[FrameFile, ...]
    numbered: bool  # the file names are numbers of shots, so that gaps are known

    def __len__(self) -> int:
        return len(self.files)


def natural_key(name: str) -> tuple[tuple[int, int | str], ...]:
    """Sort key under which ``shot9.jpg`` stands before ``shot10.jpg``."""
    return tuple((0, int(part)) if part.isdigit() else (1, part.casefold()) for part in _DIGITS.split(name))


def read_sequence(folder: Path, camera: str) -> FrameSequence:
    """Return the pictures of a folder in natural order; hidden and half-written files are passed over.

    Where every name is a number (``000123.jpg``, ``000123-2.jpg``) it is the number of the shot; else the
    pictures are counted from 1.

    Raises
    ------
    FrameError
        when there is no such folder or it holds no picture.
    """
    if not folder.is_dir():
        raise FrameError(f"there is no folder with frames of {camera}", "check the path", path=folder)
    paths = sorted(
        (path for path in folder.iterdir() if path.suffix.lower() in _SUFFIXES and path.name[0] != "."),
        key=lambda path: natural_key(path.name),
    )
    if not paths:
        kinds = " ".join(sorted(suffix[1:] for suffix in _SUFFIXES))
        raise FrameError(f"this folder holds no picture of {camera}", f"put {kinds} files there", path=folder)
    found = [_SHOT.fullmatch(path.stem) for path in paths]
    if all(found):
        files = [
            FrameFile(path=path, shot=int(match[1]), repeat=int(match[2] or 1))
            for path, match in zip(paths, found, strict=True)
            if match
        ]
        files.sort(key=lambda file: (file.shot, file.repeat))
        return FrameSequence(camera=camera, files=tuple(files), numbered=True)
    files = [FrameFile(path=path, shot=place) for place, path in enumerate(paths, 1)]
    return FrameSequence(camera=camera, files=tuple(files), numbered=False)


def job_sequences(job: Job) -> dict[str, FrameSequence]:
    """Return the frames of every camera of a job that has any.

    Raises
    ------
    FrameError
        when no camera has frames.
    """
    folders = sorted(path for path in job.frames.iterdir() if path.is_dir()) if job.frames.is_dir() else []
    sequences = {
        folder.name: read_sequence(folder, folder.name)
        for folder in folders
        if any(path.suffix.lower() in _SUFFIXES for path in folder.iterdir())
    }
    if not sequences:
        raise FrameError("this job has no frames yet", "capture or rehearse it first", path=job.frames)
    return sequences
