"""A sound track: a file cut or repeated to the film's length, faded in and out."""

from __future__ import annotations

import subprocess
from dataclasses import dataclass
from pathlib import Path

import imageio_ffmpeg

from twinlapse.errors import RenderError
from twinlapse.files import require_file
from twinlapse.film.codecs import Codec

__all__ = ["FADE_IN_S", "FADE_OUT_S", "Sound", "checked_sound"]

FADE_IN_S, FADE_OUT_S = 0.5, 2.0  # common practice, no source; a quarter of a short film at most
_ENCODERS = {"mp4": "aac", "webm": "libopus"}


@dataclass(frozen=True, slots=True)
class Sound:
    """The sound of a film of a length."""

    path: Path
    length_s: float

    def words(self, place: int, codec: Codec) -> tuple[list[str], list[str]]:
        """Return the words of ffmpeg's command for this input, the `place`-th, and for the output."""
        rise, fall = min(FADE_IN_S, self.length_s / 4), min(FADE_OUT_S, self.length_s / 4)
        fades = f"afade=t=in:d={rise:.3f},afade=t=out:st={self.length_s - fall:.3f}:d={fall:.3f}"
        output = ["-map", "0:v:0", "-map", f"{place}:a:0", "-af", fades, "-t", f"{self.length_s:.6f}"]
        encoder = ["-c:a", _ENCODERS[codec.container], "-b:a", "160k", "-ac", "2", "-ar", "48000"]
        return ["-stream_loop", "-1", "-i", str(self.path)], [*output, *encoder]


def checked_sound(path: Path, codec: Codec) -> Path:
    """Return the sound file when it holds sound and the kind of film can carry it.

    Raises
    ------
    MissingFileError, RenderError
    """
    require_file(path, "sound file")
    if codec.container not in _ENCODERS:
        raise RenderError(f"a .{codec.container} has no sound", "name the film .mp4 or .webm")
    command = [imageio_ffmpeg.get_ffmpeg_exe(), "-nostdin", "-hide_banner", "-loglevel", "error"]
    command += ["-i", str(path), "-map", "0:a:0", "-t", "0.2", "-f", "wav", "pipe:1"]
    tried = subprocess.run(command, capture_output=True, check=False, stdin=subprocess.DEVNULL)  # noqa: S603
    if tried.returncode != 0 or len(tried.stdout) <= 100:  # a WAV's header alone is shorter
        raise RenderError(
            "no sound can be read from this file", "name an audio file such as .wav, .mp3 or .m4a", path=path
        )
    return path.resolve()
