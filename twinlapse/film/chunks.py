"""A film in chunks: cut on keyframes, each made by itself, joined without encoding them again.

Every film is made so, on one machine or on several, so it is the same film whoever makes it. A chunk is
named by a hash of all it is made from and written whole or not at all. So it does not matter who makes
it, how often, or who dies over it: what is there is right, and what is not is made again.
"""

from __future__ import annotations

import contextlib
import hashlib
import pickle
import shutil
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
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
from twinlapse.film.encoder import NO_EXTRAS, Extras, encoding, joining, keyframe_step
from twinlapse.film.frame_times import Beat
from twinlapse.film.scene import FilmScene
from twinlapse.frames.sequence import FrameSequence
from twinlapse.progress import part_of
from twinlapse.tracking.measure import in_order

__all__ = [
    "AHEAD",
    "KEYS_A_CHUNK",
    "Farm",
    "FilmChunk",
    "Planes",
    "ThisProcess",
    "UnfinishedError",
    "chunk_folder",
    "cut",
    "make_chunk",
    "render_in_chunks",
    "resolved",
    "write_frames",
]

Planes = NDArray[np.uint8]

AHEAD = 6  # frames drawn before they are asked for, 1.5 bytes a pixel each
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
        return _paths([self])[0]


def _paths(chunks: Sequence[FilmChunk]) -> list[Path]:
    """Return where the chunks of one film lie when they are done."""
    if not chunks:
        return []
    film = chunks[0]
    states = []
    for track in film.scene.tracks.values():
        for file in track.files:
            with contextlib.suppress(OSError):
                state = file.path.stat()
                states.append((str(file.path), state.st_size, state.st_mtime_ns))
    # what is the same for all of them, and grows with the film, is looked at once
    content = pickle.dumps((film.scene, film.fps, film.codec), protocol=5)
    common = hashlib.sha256(content + repr(states).encode()).digest()
    names = [hashlib.sha256(common + pickle.dumps(chunk.beats, protocol=5)).hexdigest() for chunk in chunks]
    return [film.folder / f"{name[:32]}.{film.codec.container}" for name in names]


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
        # frames are drawn on while an encoder works off its last ones and the next one starts
        frames = _drawn((chunk.scene, beat) for chunk, _ in todo for beat, _ in _runs(chunk.beats))
        for number, (chunk, path) in enumerate(todo):
            part = part_of(progress, number / len(todo), (number + 1) / len(todo))
            with encoding(path, chunk.scene.size, chunk.fps, chunk.codec) as pipe:
                _hand_on(frames, chunk.beats, pipe.write, part)


def write_frames(
    scene: FilmScene, beats: Sequence[Beat], write: Callable[[Any], None], progress: Progress | None = None
) -> None:
    """Draw beats in order, two at a time, and hand their planes on; a pause is drawn once."""
    _hand_on(_drawn((scene, beat) for beat, _ in _runs(beats)), beats, write, progress)


def _runs(beats: Sequence[Beat]) -> list[tuple[Beat, int]]:
    """Return each beat once, and how often it follows itself."""
    return [(beat, len(list(run))) for beat, run in groupby(beats)]


def _hand_on(
    frames: Iterator[Planes], beats: Sequence[Beat], write: Callable[[Any], None], progress: Progress | None
) -> None:
    """Take the frames of beats, and write each as often as it is shown."""
    done = 0
    # the beats come first: they end before a frame of others is taken
    for (_, length), planes in zip(_runs(beats), frames, strict=False):
        for _ in range(length):
            write(planes)
        done += length
        if progress is not None:
            progress(done / len(beats))


def _drawn(wanted: Iterable[tuple[FilmScene, Beat]]) -> Iterator[Planes]:
    """Yield the planes of frames, drawn some ahead; they are gone when the next ones are asked for."""
    spare: deque[Planes] = deque()  # memory that is fresh costs as much as to fill it

    def draw(one: tuple[FilmScene, Beat]) -> Planes:
        codes = one[0].frame(one[1])
        with contextlib.suppress(IndexError):
            return planes_of(codes, spare.pop())
        return planes_of(codes)

    for planes in in_order(draw, _coded(wanted), ahead=AHEAD):
        yield planes
        spare.append(planes)


def _coded(wanted: Iterable[tuple[FilmScene, Beat]]) -> Iterator[tuple[FilmScene, Beat]]:
    """Yield the same with scenes that are drawn in the film's codes; chunks of a film share theirs."""
    known: dict[int, FilmScene] = {}
    for scene, beat in wanted:
        if id(scene) not in known:
            known[id(scene)] = scene.coded()
        yield known[id(scene)], beat


def make_chunk(chunk: FilmChunk, path: Path) -> Path:
    """Make a chunk unless it is there, in a process of a farm."""
    if not path.exists():
        cv2.setNumThreads(1)
        ThisProcess().make([(chunk, path)], None)
    return path


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
    paths = _paths(chunks)
    todo = [(chunk, path) for chunk, path in zip(chunks, paths, strict=True) if not path.exists()]
    try:
        with joining(folder, codec, out, extras) as join:
            if todo:
                farm.make(todo, part_of(progress, 1 - len(todo) / len(chunks), 1.0))
            join(paths)
    except UnfinishedError as error:
        made = sum(path.exists() for path in paths)
        raise UnfinishedError(
            error.what, f"{made} of {len(paths)} chunks are kept; {error.hint}", path=out
        ) from None
    except Exception:
        shutil.rmtree(folder, ignore_errors=True)
        raise
    shutil.rmtree(folder, ignore_errors=True)
