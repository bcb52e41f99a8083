"""Recordings: video files read by ffmpeg, folders of stills that carry their time."""

from __future__ import annotations

import re
import subprocess
from collections.abc import Iterator
from pathlib import Path
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from twinlapse.cameras.jpeg import find_end
from twinlapse.errors import CaptureError
from twinlapse.pairing.standstills import SIZE_PX

RATE_HZ = 10.0  # pictures looked at in a second of video
_STAMP = re.compile(r"(\d{9,13}(?:\.\d+)?)(?!\d)")


class Recording(Protocol):
    """Something that was recorded while a machine printed."""

    @property
    def length_s(self) -> float:
        """How long it lasts; 0 when unknown."""

    def small(self) -> Iterator[tuple[float, NDArray[np.uint8]]]:
        """Yield time and a small grey picture, in order."""

    def between(self, start_s: float, end_s: float) -> list[bytes]:
        """Return the pictures of a while as JPEGs."""


class VideoRecording:
    """A video file of any kind that ffmpeg reads."""

    def __init__(self, path: Path) -> None:
        import imageio_ffmpeg

        self._path = path
        self._program = imageio_ffmpeg.get_ffmpeg_exe()
        self._length_s = _length_of(self._program, path)

    @property
    def length_s(self) -> float:
        """How long it lasts."""
        return self._length_s

    def small(self) -> Iterator[tuple[float, NDArray[np.uint8]]]:
        """Yield ten pictures of every second."""
        width, height = SIZE_PX
        look = f"fps={RATE_HZ:g},scale={width}:{height}:flags=area"
        command = [*self._input(), "-vf", look, "-pix_fmt", "gray", "-f", "rawvideo", "-"]
        with subprocess.Popen(  # noqa: S603
            command, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL
        ) as process:
            assert process.stdout is not None
            count = 0
            while len(data := process.stdout.read(width * height)) == width * height:
                yield count / RATE_HZ, np.frombuffer(data, np.uint8).reshape(height, width)
                count += 1
        if process.returncode and not count:
            raise CaptureError("ffmpeg cannot read this recording", "play it to see", path=self._path)

    def between(self, start_s: float, end_s: float) -> list[bytes]:
        """Return the pictures of a while as JPEGs of high quality."""
        seek = ["-ss", f"{max(0.0, start_s):.3f}", "-t", f"{max(0.05, end_s - start_s):.3f}"]
        command = [*self._input(seek), "-vf", f"fps={RATE_HZ:g}", "-c:v", "mjpeg", "-q:v", "2"]
        command += ["-f", "image2pipe", "-"]
        done = subprocess.run(command, capture_output=True, stdin=subprocess.DEVNULL, check=False)  # noqa: S603
        pictures, at = [], 0
        while at < len(done.stdout) and (end := find_end(done.stdout, at)) is not None:
            pictures.append(done.stdout[at:end])
            at = end
        return pictures

    def _input(self, seek: list[str] | None = None) -> list[str]:
        # "file:" keeps ffmpeg from reading a name as an address or an option
        quiet = ["-nostdin", "-hide_banner", "-loglevel", "error", "-protocol_whitelist", "file,pipe"]
        return [self._program, *quiet, *(seek or []), "-i", f"file:{self._path}"]


class StillsRecording:
    """A folder of JPEGs; their time is a number of seconds or milliseconds in every name, else the file's."""

    def __init__(self, folder: Path) -> None:
        paths = [path for path in folder.iterdir() if path.suffix.lower() in (".jpg", ".jpeg")]
        if len(paths) < 2:
            raise CaptureError("this folder holds no recording", "put timed JPEG files there", path=folder)
        stamps = [_STAMP.search(path.stem) for path in paths]
        if all(stamps):
            times = [_seconds(float(stamp[1])) for stamp in stamps if stamp]
        else:
            times = [path.stat().st_mtime for path in paths]
        first = min(times)
        self._files = sorted((time_s - first, path) for time_s, path in zip(times, paths, strict=True))

    @property
    def length_s(self) -> float:
        """How long it lasts."""
        return self._files[-1][0]

    def small(self) -> Iterator[tuple[float, NDArray[np.uint8]]]:
        """Yield every picture that decodes."""
        from PIL import Image

        for time_s, path in self._files:
            try:
                with Image.open(path, formats=("JPEG",)) as picture:
                    picture.draft("L", SIZE_PX)
                    grey = picture.convert("L").resize(SIZE_PX, Image.Resampling.BOX)
            except (OSError, ValueError, Image.DecompressionBombError):
                continue
            yield time_s, np.asarray(grey)

    def between(self, start_s: float, end_s: float) -> list[bytes]:
        """Return the files of a while as they are."""
        return [path.read_bytes() for time_s, path in self._files if start_s <= time_s <= end_s]


def open_recording(path: Path) -> Recording:
    """Return the recording at `path`: a folder of stills or a video file.

    Raises
    ------
    CaptureError
        when there is none.
    """
    if not path.exists():
        raise CaptureError("there is no such recording", "check the path", path=path)
    return StillsRecording(path) if path.is_dir() else VideoRecording(path)


def _seconds(stamp: float) -> float:
    return stamp / 1000 if stamp > 1e11 else stamp


def _length_of(program: str, path: Path) -> float:
    command = [program, "-nostdin", "-hide_banner", "-i", f"file:{path}"]
    told = subprocess.run(command, capture_output=True, text=True, errors="replace", check=False)  # noqa: S603
    found = re.search(r"Duration: (\d+):(\d\d):(\d\d(?:\.\d+)?)", told.stderr)
    return 3600 * int(found[1]) + 60 * int(found[2]) + float(found[3]) if found else 0.0
