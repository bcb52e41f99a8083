"""Recordings: video files read by ffmpeg, folders of stills that carry their time."""

from __future__ import annotations

import re
import subprocess
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import IO, Protocol

import numpy as np

from twinlapse.arrays import Float, Grey
from twinlapse.cameras.jpeg import find_end
from twinlapse.errors import CaptureError
from twinlapse.pairing.motion_signal import SIZE_PX

__all__ = ["RATE_HZ", "Recording", "StillsRecording", "VideoRecording", "open_recording"]

RATE_HZ = 10.0  # pictures looked at in a second, at most: a stop lasts a second or more
_NEAR_S = 0.03  # a picture is known again by its time: recordings have fewer than 30 a second
_STAMP = re.compile(r"(\d{9,13}(?:\.\d+)?)(?!\d)")
_SHOWN = re.compile(rb"pts_time:\s*(-?\d+(?:\.\d+)?)")


class Recording(Protocol):
    """Something that was recorded while a machine printed."""

    @property
    def length_s(self) -> float:
        """How long it lasts; 0 when unknown."""

    @property
    def begun_s(self) -> float | None:
        """When it began, in seconds since 1970, if its files say so."""

    def small(self) -> Iterator[tuple[float, Grey]]:
        """Yield time and a small grey picture, in order."""

    def pictures_at(self, time_s: Float) -> list[bytes]:
        """Return the pictures that `small` gave at some neighbouring moments as JPEGs."""


class VideoRecording:
    """A video file of any kind that ffmpeg reads; pictures have the times that the file gives them."""

    begun_s = None

    def __init__(self, path: Path) -> None:
        import imageio_ffmpeg

        self._path = path
        self._program = imageio_ffmpeg.get_ffmpeg_exe()
        self._length_s = _length_of(self._program, path)

    @property
    def length_s(self) -> float:
        """How long it lasts."""
        return self._length_s

    def small(self) -> Iterator[tuple[float, Grey]]:
        """Yield up to ten pictures of every second."""
        width, height = SIZE_PX
        thin = f"select='isnan(prev_selected_t)+gte(t-prev_selected_t,{0.95 / RATE_HZ:.3f})'"
        look = f"{thin},scale={width}:{height}:flags=area,showinfo=checksum=0"
        command = [*self._input("info"), "-vf", look, "-fps_mode", "passthrough", "-copyts"]
        command += ["-pix_fmt", "gray", "-f", "rawvideo", "-"]
        with subprocess.Popen(  # noqa: S603
            command, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.PIPE
        ) as process:
            assert process.stdout is not None and process.stderr is not None
            times: list[float] = []
            reader = threading.Thread(target=_read_times, args=(process.stderr, times), daemon=True)
            reader.start()
            count = 0
            while len(data := process.stdout.read(width * height)) == width * height:
                while len(times) <= count and reader.is_alive():
                    reader.join(0.001)  # its time is said on the other pipe
                if len(times) <= count:
                    break
                yield times[count], np.frombuffer(data, np.uint8).reshape(height, width)
                count += 1
            process.stdout.close()
            reader.join()
        if process.returncode and not count:
            raise CaptureError("ffmpeg cannot read this recording", "play it to see", path=self._path)

    def pictures_at(self, time_s: Float) -> list[bytes]:
        """Return the pictures as JPEGs of high quality."""
        if len(time_s) == 0:
            return []
        # ffmpeg seeks to a keyframe and decodes from there; times then count from the place sought
        start_s = max(0.0, float(time_s[0]) - 0.5)
        seek = ["-ss", f"{start_s:.3f}", "-t", f"{float(time_s[-1]) - start_s + 0.5:.3f}"]
        wanted = "+".join(
            f"between(t,{a - start_s - _NEAR_S:.3f},{a - start_s + _NEAR_S:.3f})" for a in time_s
        )
        command = [*self._input("error", seek), "-vf", f"select='{wanted}'", "-fps_mode", "passthrough"]
        command += ["-c:v", "mjpeg", "-q:v", "2", "-f", "image2pipe", "-"]
        done = subprocess.run(command, capture_output=True, stdin=subprocess.DEVNULL, check=False)  # noqa: S603
        pictures, at = [], 0
        while at < len(done.stdout) and (end := find_end(done.stdout, at)) is not None:
            pictures.append(done.stdout[at:end])
            at = end
        return pictures

    def _input(self, loglevel: str, seek: list[str] | None = None) -> list[str]:
        # "file:" keeps ffmpeg from reading a name as an address or an option
        quiet = ["-nostdin", "-hide_banner", "-nostats", "-loglevel", loglevel]
        quiet += ["-protocol_whitelist", "file,pipe"]
        return [self._program, *quiet, *(seek or []), "-i", f"file:{self._path}"]


def _read_times(stream: IO[bytes], times: list[float]) -> None:
    for line in stream:
        found = _SHOWN.search(line)
        if found:
            times.append(float(found[1]))


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
        self.begun_s: float | None = first if all(stamps) else None
        self._files = sorted((time_s - first, path) for time_s, path in zip(times, paths, strict=True))

    @property
    def length_s(self) -> float:
        """How long it lasts."""
        return self._files[-1][0]

    def small(self) -> Iterator[tuple[float, Grey]]:
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

    def pictures_at(self, time_s: Float) -> list[bytes]:
        """Return the files as they are."""
        wanted = {round(moment, 6) for moment in time_s.tolist()}
        return [path.read_bytes() for moment, path in self._files if round(moment, 6) in wanted]


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
    told = subprocess.run(command, capture_output=True, encoding="utf-8", errors="replace", check=False)  # noqa: S603
    found = re.search(r"Duration: (\d+):(\d\d):(\d\d(?:\.\d+)?)", told.stderr)
    return 3600 * int(found[1]) + 60 * int(found[2]) + float(found[3]) if found else 0.0
