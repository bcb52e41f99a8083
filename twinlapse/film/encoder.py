"""One pipe into the bundled ffmpeg: planes in, a tagged film out. The only place that builds its commands."""

from __future__ import annotations

import contextlib
import subprocess
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass, field
from fractions import Fraction
from pathlib import Path
from typing import IO, Any

import ffmpeg
import imageio_ffmpeg
import numpy as np
from numpy.typing import NDArray

from twinlapse.errors import RenderError
from twinlapse.files import replacing_by_name


@dataclass(frozen=True, slots=True, kw_only=True)
class Codec:
    """How a kind of film is encoded."""

    name: str
    container: str
    options: dict[str, Any] = field(default_factory=dict)


def h264(crf: float = 18, preset: str = "veryfast") -> Codec:
    """Return the settings of an H.264 film in MP4, its index in front so that it plays while it loads."""
    return Codec(
        name="libx264",
        container="mp4",
        options={"crf": crf, "preset": preset, "profile:v": "high", "movflags": "+faststart"},
    )


@dataclass(frozen=True, slots=True)
class Pipe:
    """Takes the planes of one frame after the other."""

    stdin: IO[bytes]

    def write(self, planes: NDArray[np.uint8]) -> None:
        """Write the planes that `to_i420` made."""
        self.stdin.write(planes.data)


def command(size: tuple[int, int], fps: Fraction, codec: Codec, out: Path) -> list[str]:
    """Return the ffmpeg command that takes I420 frames on standard input."""
    rate = f"{fps.numerator}/{fps.denominator}"
    stream = ffmpeg.input("pipe:", format="rawvideo", pix_fmt="yuv420p", video_size=size, framerate=rate)
    # flags given to the encoder alone are dropped unless the frames carry them
    stream = stream.filter(
        "setparams",
        range="tv",
        color_primaries="bt709",
        color_trc="bt709",
        colorspace="bt709",
    )
    options = {
        "codec:v": codec.name,
        "pix_fmt": "yuv420p",
        "g": max(1, round(2 * fps)),
        "chroma_sample_location": "center",
        "format": codec.container,
        **codec.options,
    }
    stream = ffmpeg.output(stream, str(out), **options).global_args("-nostdin", "-hide_banner")
    stream = stream.global_args("-loglevel", "error").overwrite_output()
    return [str(part) for part in ffmpeg.compile(stream, cmd=imageio_ffmpeg.get_ffmpeg_exe())]


@contextlib.contextmanager
def encoding(out: Path, size: tuple[int, int], fps: Fraction, codec: Codec) -> Iterator[Pipe]:
    """Yield a pipe; `out` is there when the block ends well, and untouched when it does not.

    Raises
    ------
    RenderError
        with what ffmpeg says, when it fails.
    """
    with replacing_by_name(out) as beside, tempfile.TemporaryFile() as said:
        # its words go to a file: a pipe that nobody drains would stop it
        process = subprocess.Popen(  # noqa: S603
            command(size, fps, codec, beside), stdin=subprocess.PIPE, stdout=said, stderr=said
        )
        assert process.stdin is not None
        try:
            yield Pipe(process.stdin)
            process.stdin.close()
        except BrokenPipeError:
            pass
        except BaseException:
            process.kill()
            process.wait()
            raise
        if process.wait() != 0:
            said.seek(0)
            words = said.read().decode(errors="replace").strip().splitlines()
            raise RenderError(
                f"the encoder failed: {words[-1] if words else process.returncode}",
                "check the free space and the settings of the film",
                path=out,
            )
