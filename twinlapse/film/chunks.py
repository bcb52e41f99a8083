"""A film in chunks: cut on keyframes, each made by itself, joined without encoding them again.

Every film is made so, on one machine or on several, so it is the same film whoever makes it. A chunk is
named by a hash of all it is made from and written whole or not at all. So it does not matter who makes
it, how often, or who dies over it: what is there is right, and what is not is made again.
"""

from __future__ import annotations

import hashlib
import pickle
import shutil
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from itertools import groupby
from pathlib import Path
from typing import Any, Protocol

import cv2
import numpy as np
from numpy.typing import NDArray

from twinlapse.arrays import Progress
from twinlapse.errors import RenderError
from twinlapse.film.codecs import Codec
from twinlapse.film.colour import planes_of
from twinlapse.film.encoder import NO_EXTRAS, Extras, encoding, join, keyframe_step
from twinlapse.film.frame_times import Beat
from twinlapse.film.scene import FilmScene
from twinlapse.frames.sequence import FrameSequence
from twinlapse.progress import part_of
from twinlapse.tracking.measure import in_order

__all__ = [
    "KEYS_A_CHUNK",
    "Farm",
    "FilmChunk",
    "ThisProcess",
    "UnfinishedError",
    "chunk_folder",
    "cut",
    "make_chunk",
    "render_in_chunks",
    "resolved",
    "write_frames",
]

KEYS_A_CHUNK = 2  # keyframe distances in a chunk: long enough to pay for a start, short enough to share out


@dataclass(frozen=True, slots=True, kw_only=True)
class FilmChunk:
    """One chunk of a film and all that it is made from."""

    scene: FilmScene
    beats: tuple[Beat, ...]
    fps: Fraction
    codec: Codec
    folder: Path

    @property
    def path(self) -> Path:
        """Where the chunk lies when it is done."""
        content = pickle.dumps((self.scene, self.beats, self.fps, self.codec), protocol=5)
        states = [
            (str(file.path), file.path.stat().st_size, file.path.stat().st_mtime_ns)
            for track in self.scene.tracks.values()
            for file in track.files
            if file.path.exists()
        ]
        name = hashlib.sha256(content + repr(states).encode()).hexdigest()[:32]
        return self.folder / f"{name}.{self.codec.container}"


class UnfinishedError(RenderError):
    """The farm is gone before the film was finished; its chunks are kept for the next render."""


class Farm(Protocol):
    """What makes chunks: this process, processes of this machine, or the workers of a cluster."""

    def make(self, todo: Sequence[tuple[FilmChunk, Path]], progress: Progress | None) -> None:
        """Make chunks, each at its path.

        Raises
        ------
        RenderError
            when one cannot be made; `UnfinishedError` when the farm itself fails.
        """


class ThisProcess:
    """Makes one chunk after the other."""

    def make(self, todo: Sequence[tuple[FilmChunk, Path]], progress: Progress | None) -> None:
        """Make chunks, each at its path."""
        for number, (chunk, path) in enumerate(todo):
            _write(chunk, path, part_of(progress, number / len(todo), (number + 1) / len(todo)))


def write_frames(
    scene: FilmScene, beats: Sequence[Beat], write: Callable[[Any], None], progress: Progress | None = None
) -> None:
    """Draw beats in order, two at a time, and hand their planes on; a pause is drawn once."""
    runs = [(beat, len(list(run))) for beat, run in groupby(beats)]
    drawn = scene.coded()
    spare: deque[NDArray[np.uint8]] = deque()

    def draw(run: tuple[Beat, int]) -> NDArray[np.uint8]:
        codes = drawn.frame(run[0])
        try:
            room = spare.pop()
        except IndexError:
            room = None
        return planes_of(codes, room)

    frames = in_order(draw, runs, ahead=2)
    done = 0
    for planes, (_, length) in zip(frames, runs, strict=True):
        for _ in range(length):
            write(planes)
        spare.append(planes)  # memory that is fresh costs as much as to fill it
        done += length
        if progress is not None:
            progress(done / len(beats))


def make_chunk(chunk: FilmChunk, path: Path) -> Path:
    """Make a chunk unless it is there, in a process of a farm."""
    if not path.exists():
        cv2.setNumThreads(1)
        _write(chunk, path, None)
    return path


def _write(chunk: FilmChunk, path: Path, progress: Progress | None) -> None:
    with encoding(path, chunk.scene.size, chunk.fps, chunk.codec) as pipe:
        write_frames(chunk.scene, chunk.beats, pipe.write, progress)


def cut(beats: Sequence[Beat], fps: Fraction) -> list[tuple[Beat, ...]]:
    """Return the beats in chunks that each begin on a keyframe."""
    step = keyframe_step(fps) * KEYS_A_CHUNK
    return [tuple(beats[start : start + step]) for start in range(0, len(beats), step)]


def chunk_folder(out: Path) -> Path:
    """Return where the chunks of a film lie while it is made."""
    return out.resolve().with_name(f".{out.name}.chunks")


def resolved(sources: Mapping[str, FrameSequence]) -> dict[str, FrameSequence]:
    """Return sequences whose paths mean the same on every machine and from every folder."""
    return {
        camera: replace(
            sequence, files=tuple(replace(file, path=file.path.resolve()) for file in sequence.files)
        )
        for camera, sequence in sources.items()
    }


def render_in_chunks(
    scene: FilmScene,
    beats: Sequence[Beat],
    fps: Fraction,
    codec: Codec,
    out: Path,
    *,
    farm: Farm,
    extras: Extras = NO_EXTRAS,
    progress: Progress | None = None,
) -> None:
    """Make a film in chunks and join them.

    Parameters
    ----------
    farm : Farm
        Makes the chunks that are not there yet.
    extras : Extras
        Title, chapters and sound, which are added when the chunks are joined.

    Raises
    ------
    RenderError
        when a chunk cannot be made: nothing of the film is left then. When the farm fails or this process is
        stopped, the chunks are kept, and the next render of the film goes on with them.
    """
    folder = chunk_folder(out)
    try:
        folder.mkdir(exist_ok=True)
    except FileNotFoundError:
        raise RenderError("its folder does not exist", "make the folder first", path=out) from None
    except OSError as error:
        raise RenderError(
            f"its folder cannot be written ({error.strerror})", "choose another place", path=out
        ) from None
    chunks = [
        FilmChunk(scene=scene, beats=some, fps=fps, codec=codec, folder=folder) for some in cut(beats, fps)
    ]
    paths = [chunk.path for chunk in chunks]
    todo = [(chunk, path) for chunk, path in zip(chunks, paths, strict=True) if not path.exists()]
    try:
        if todo:
            farm.make(todo, part_of(progress, 1 - len(todo) / len(chunks), 1.0))
        join(paths, codec, out, extras)
    except UnfinishedError as error:
        made = sum(path.exists() for path in paths)
        raise UnfinishedError(
            error.what, f"{made} of {len(paths)} chunks are kept; {error.hint}", path=out
        ) from None
    except Exception:
        shutil.rmtree(folder, ignore_errors=True)
        raise
    shutil.rmtree(folder, ignore_errors=True)
