"""A film in pieces: cut on keyframes, each made by itself, joined without encoding them again.

A piece is named by a hash of all it is made from and written whole or not at all. So it does not matter who
makes it, how often, or who dies over it: what is there is right, and what is not is made again.
"""

from __future__ import annotations

import contextlib
import hashlib
import pickle
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Executor, Future, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass
from fractions import Fraction
from itertools import groupby
from multiprocessing import get_context
from pathlib import Path
from typing import Any, Protocol

import cv2

from twinlapse.arrays import Progress
from twinlapse.errors import RenderError
from twinlapse.film.codecs import Codec
from twinlapse.film.colour import planes_of
from twinlapse.film.encoder import encoding, join, keyframe_step
from twinlapse.film.frame_times import Beat
from twinlapse.film.scene import Scene
from twinlapse.tracking.measure import in_order

TRIES = 3  # pools that may break over one film
KEYS_A_PIECE = 2  # keyframe distances in a piece: long enough to pay for a start, short enough to share out


class Pool(Protocol):
    """What hands out work: an executor of this machine, or the client of a cluster."""

    def submit(self, function: Callable[..., Any], /, *args: Any) -> Any:
        """Return something with a ``result()``."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Piece:
    """One piece of a film and all that it is made from."""

    scene: Scene
    beats: tuple[Beat, ...]
    fps: Fraction
    codec: Codec
    folder: Path

    @property
    def path(self) -> Path:
        """Where the piece lies when it is done."""
        told = pickle.dumps((self.scene, self.beats, self.fps, self.codec), protocol=5)
        states = [
            (str(file.path), file.path.stat().st_size, file.path.stat().st_mtime_ns)
            for track in self.scene.tracks.values()
            for file in track.files
            if file.path.exists()
        ]
        name = hashlib.sha256(told + repr(states).encode()).hexdigest()[:32]
        return self.folder / f"{name}.{self.codec.container}"


def write_frames(
    scene: Scene, beats: Sequence[Beat], write: Callable[[Any], None], progress: Progress | None = None
) -> None:
    """Draw beats in order, two at a time, and hand their planes on; a pause is drawn once."""
    runs = [(beat, len(list(run))) for beat, run in groupby(beats)]
    drawn = scene.coded()
    frames = in_order(lambda run: planes_of(drawn.frame(run[0])), runs, ahead=2)
    done = 0
    for planes, (_, length) in zip(frames, runs, strict=True):
        for _ in range(length):
            write(planes)
        done += length
        if progress is not None:
            progress(done / len(beats))


def make_piece(piece: Piece, path: Path) -> Path:
    """Make a piece unless it is there; runs in whatever process the pool has."""
    if not path.exists():
        cv2.setNumThreads(1)
        with encoding(path, piece.scene.size, piece.fps, piece.codec) as pipe:
            write_frames(piece.scene, piece.beats, pipe.write)
    return path


def cut(beats: Sequence[Beat], fps: Fraction) -> list[tuple[Beat, ...]]:
    """Return the beats in pieces that each begin on a keyframe."""
    step = keyframe_step(fps) * KEYS_A_PIECE
    return [tuple(beats[start : start + step]) for start in range(0, len(beats), step)]


def render_in_pieces(
    scene: Scene,
    beats: Sequence[Beat],
    fps: Fraction,
    codec: Codec,
    out: Path,
    *,
    pools: Callable[[], contextlib.AbstractContextManager[Pool]],
    notes: str = "",
    progress: Progress | None = None,
) -> None:
    """Make a film in pieces and join them.

    Parameters
    ----------
    pools : callable
        Opens a pool; called again when one breaks because a worker died.
    notes : str
        Title and chapters.

    Raises
    ------
    RenderError
        when pools keep breaking, or the encoder fails.
    """
    folder = out.parent / f".{out.stem}.pieces"
    folder.mkdir(exist_ok=True)
    pieces = [Piece(scene=scene, beats=some, fps=fps, codec=codec, folder=folder) for some in cut(beats, fps)]
    paths = [piece.path for piece in pieces]
    for attempt in range(TRIES):
        try:
            with pools() as pool:
                _hand_out(pool, pieces, paths, progress)
            break
        except BrokenProcessPool:
            if attempt == TRIES - 1:
                raise RenderError(
                    f"workers died in {TRIES} pools", "check the free memory, or use fewer workers", path=out
                ) from None
    join(paths, codec, out, notes)
    for path in folder.iterdir():
        path.unlink()
    folder.rmdir()


def _hand_out(pool: Pool, pieces: Sequence[Piece], paths: Sequence[Path], progress: Progress | None) -> None:
    missing = [(piece, path) for piece, path in zip(pieces, paths, strict=True) if not path.exists()]
    running: list[Future[Path]] = [pool.submit(make_piece, piece, path) for piece, path in missing]
    done = len(pieces) - len(missing)
    for future in running:
        future.result()
        done += 1
        if progress is not None:
            progress(done / len(pieces))


@contextlib.contextmanager
def process_pool(workers: int) -> Iterator[Executor]:
    """Open a pool of processes of this machine."""
    # spawned, not forked: this process has threads
    with ProcessPoolExecutor(workers, mp_context=get_context("spawn")) as pool:
        yield pool


@contextlib.contextmanager
def cluster_pool(address: str) -> Iterator[Pool]:
    """Connect to a dask.distributed scheduler whose workers see the same folders.

    Its protocol runs whatever it is sent: a trusted network only, or TLS.

    Raises
    ------
    RenderError
        when the extra is not installed, or nobody answers.
    """
    try:
        from distributed import Client
    except ImportError:
        raise RenderError(
            "rendering on a cluster needs dask.distributed", "run: pip install distributed"
        ) from None
    try:
        client = Client(address, timeout="10s", set_as_default=False)  # type: ignore[no-untyped-call,unused-ignore]
    except (OSError, ValueError) as error:
        raise RenderError(f"no scheduler answers at {address} ({error})", "check the address") from None
    with client:
        yield _Cluster(client)


@dataclass(frozen=True, slots=True)
class _Cluster:
    client: Any

    def submit(self, function: Callable[..., Any], /, *args: Any) -> Any:
        # pure=False: a piece is known by its file, not by what the scheduler remembers
        return self.client.submit(function, *args, pure=False, retries=3)
