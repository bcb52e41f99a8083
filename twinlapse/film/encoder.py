"""One pipe into the bundled ffmpeg: planes in, a tagged film out. The only place that builds its commands."""

from __future__ import annotations

import contextlib
import subprocess
import tempfile
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import IO, Any

import ffmpeg
import imageio_ffmpeg
import numpy as np
from numpy.typing import NDArray

from twinlapse.errors import RenderError
from twinlapse.files import replacing_by_name
from twinlapse.film.codecs import Codec
from twinlapse.film.sound import Sound

__all__ = [
    "KEY_S",
    "NO_EXTRAS",
    "THREADS",
    "Chapter",
    "Extras",
    "Pipe",
    "command",
    "encoding",
    "join_command",
    "joining",
    "keyframe_step",
    "note_text",
]

THREADS = 4  # of the encoder: what H.264 comes to depends on their number, and a film is the same everywhere
_PIPE_BYTES = 1 << 20  # what Linux gives to everybody (pipe(7), /proc/sys/fs/pipe-max-size)
KEY_S = 2  # a keyframe at least this often, so that seeking is quick


@dataclass(frozen=True, slots=True)
class Chapter:
    """A named place in the film."""

    name: str
    start_s: float


@dataclass(frozen=True, slots=True)
class Extras:
    """What is added to the pictures of a film."""

    notes: str = ""  # title and chapters, as `note_text` writes them
    sound: Sound | None = None


NO_EXTRAS = Extras()


@dataclass(frozen=True, slots=True)
class Pipe:
    """Takes the planes of one frame after the other."""

    stdin: IO[bytes]

    def write(self, planes: NDArray[np.uint8]) -> None:
        """Write the planes that `planes_of` made."""
        self.stdin.write(planes.data)


def keyframe_step(fps: Fraction) -> int:
    """Return after how many frames a keyframe comes at the latest."""
    return max(1, round(KEY_S * fps))


def command(
    size: tuple[int, int], fps: Fraction, codec: Codec, out: Path, notes: Path | None = None
) -> list[str]:
    """Return the ffmpeg command that takes I420 frames on standard input.

    `notes` is a file with title and chapters as `note_text` writes it.
    """
    rate = f"{fps.numerator}/{fps.denominator}"
    stream = ffmpeg.input("pipe:", format="rawvideo", pix_fmt="yuv420p", video_size=size, framerate=rate)
    # flags given to the encoder alone are dropped unless the frames carry them
    stream = stream.filter(
        "setparams", range="tv", color_primaries="bt709", color_trc="bt709", colorspace="bt709"
    )
    options: dict[str, Any] = {"codec:v": codec.name, "format": codec.container, **codec.options}
    if codec.palette:
        copies = stream.filter_multi_output("split", 2)
        palette = copies[0].filter("palettegen", stats_mode="diff")
        stream = ffmpeg.filter(
            [copies[1], palette], "paletteuse", dither="bayer", bayer_scale=4, diff_mode="rectangle"
        )
    else:
        options["pix_fmt"] = "yuv420p"
    if codec.tagged:
        options |= {"g": keyframe_step(fps), "chroma_sample_location": "center", "threads": THREADS}
    stream = ffmpeg.output(stream, str(out), **options)
    words = [str(part) for part in ffmpeg.compile(stream, cmd=imageio_ffmpeg.get_ffmpeg_exe())]
    if notes is not None:
        words = _with_notes(words, "pipe:", notes)
    return [words[0], *_QUIET, *words[1:]]


def _with_notes(words: list[str], last_input: str, notes: Path) -> list[str]:
    """Add an input without streams, which the command builder cannot express."""
    place = words.index(last_input) + 1
    before, after = words[:place], words[place:-1]
    metadata = ["-map_metadata", "1", "-map_chapters", "1"]
    return [*before, "-f", "ffmetadata", "-i", str(notes), *after, *metadata, words[-1]]


_QUIET = ("-nostdin", "-hide_banner", "-loglevel", "error", "-y")


def join_command(codec: Codec, out: Path, notes: Path | None = None, sound: Sound | None = None) -> list[str]:
    """Return the ffmpeg command that joins segments, listed on its input, without encoding them again."""
    stream = ffmpeg.input("pipe:", format="concat", safe=0, protocol_whitelist="file,pipe")
    options: dict[str, Any] = {"codec:v": "copy", "format": codec.container}
    if codec.container == "mp4":
        options["movflags"] = "+faststart"
    if codec.container == "webm":
        options["fflags"] = "+bitexact"  # without its random number
    words = [str(part) for part in ffmpeg.compile(ffmpeg.output(stream, str(out), **options))]
    if notes is not None:
        words = _with_notes(words, "pipe:", notes)
    if sound is not None:
        source, output = sound.words(1 if notes is None else 2, codec)
        after = words.index("pipe:" if notes is None else str(notes)) + 1
        words = [*words[:after], *source, *words[after:-1], *output, words[-1]]
    return [imageio_ffmpeg.get_ffmpeg_exe(), *_QUIET, *words[1:]]


def note_text(title: str, chapters: Sequence[Chapter], end_s: float) -> str:
    """Return title and chapters in ffmpeg's own notation for metadata."""
    lines = [";FFMETADATA1"]
    if title:
        lines.append(f"title={_escaped(title)}")
    for chapter, following in zip(chapters, [*chapters[1:], None], strict=True):
        stop = end_s if following is None else following.start_s
        lines += [
            "[CHAPTER]",
            "TIMEBASE=1/1000",
            f"START={round(chapter.start_s * 1000)}",
            f"END={round(stop * 1000)}",
            f"title={_escaped(chapter.name)}",
        ]
    return "\n".join(lines) + "\n"


def _escaped(text: str) -> str:
    plain = " ".join(text.split())
    return "".join("\\" + letter if letter in "=;#\\" else letter for letter in plain)


@contextlib.contextmanager
def encoding(
    out: Path, size: tuple[int, int], fps: Fraction, codec: Codec, notes: str = ""
) -> Iterator[Pipe]:
    """Yield a pipe; `out` is there when the block ends well, and untouched when it does not.

    Raises
    ------
    RenderError
        with what ffmpeg says, when it fails.
    """
    with contextlib.ExitStack() as held:
        beside = held.enter_context(replacing_by_name(out))
        noted = None
        if notes and codec.tagged:
            noted = Path(held.enter_context(tempfile.TemporaryDirectory())) / "notes.txt"
            noted.write_text(notes, encoding="utf-8")
        with _program(command(size, fps, codec, beside, noted), out) as stdin:
            _widen(stdin)
            yield Pipe(stdin)


@contextlib.contextmanager
def _program(words: list[str], out: Path) -> Iterator[IO[bytes]]:
    """Start a command that makes `out`, yield its standard input, and wait for its end."""
    # its words go to a file: a pipe that nobody drains would stop it
    with tempfile.TemporaryFile() as said:
        process = subprocess.Popen(words, stdin=subprocess.PIPE, stdout=said, stderr=said)  # noqa: S603
        assert process.stdin is not None
        try:
            yield process.stdin
            process.stdin.close()
        except BrokenPipeError:
            pass  # it has stopped by itself; its words tell why
        except BaseException:
            process.kill()
            process.wait()
            raise
        finally:
            with contextlib.suppress(BrokenPipeError):
                process.stdin.close()
        if process.wait() != 0:
            said.seek(0)
            raise _failed(said.read(), process.returncode, out)


def _widen(pipe: IO[bytes]) -> None:
    """Let a pipe hold a third of a frame, where the system allows it: both ends are woken less often."""
    with contextlib.suppress(ImportError, AttributeError, OSError):
        import fcntl  # not on every system

        fcntl.fcntl(pipe.fileno(), fcntl.F_SETPIPE_SZ, _PIPE_BYTES)


@contextlib.contextmanager
def joining(
    place: Path, codec: Codec, out: Path, extras: Extras = NO_EXTRAS
) -> Iterator[Callable[[Sequence[Path]], None]]:
    """Yield what joins segments of one film without encoding them again, which is done when the block ends.

    The program that joins is started at once, so that it is ready when the segments are. Its files lie in the
    folder `place`: where this process is killed, they go with it.

    Raises
    ------
    RenderError
        with what ffmpeg says, when it fails.
    """
    with replacing_by_name(out) as beside, tempfile.TemporaryDirectory(dir=place) as folder:
        noted = None
        if extras.notes and codec.tagged:
            noted = Path(folder) / "notes.txt"
            noted.write_text(extras.notes, encoding="utf-8")
        with _program(join_command(codec, beside, noted, extras.sound), out) as stdin:

            def join(parts: Sequence[Path]) -> None:
                quoted = [str(part.resolve()).replace("'", "'\\''") for part in parts]
                # with its protocol: another name would be one beside the pipe
                stdin.write("".join(f"file 'file:{name}'\n" for name in quoted).encode())

            yield join


def _failed(said: bytes, status: int, out: Path) -> RenderError:
    words = said.decode(errors="replace").strip().splitlines()
    what = words[0] if words else f"status {status}"
    return RenderError(
        f"the encoder failed: {what}", "check the free space and the settings of the film", path=out
    )
