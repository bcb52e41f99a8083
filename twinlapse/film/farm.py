"""Who makes the chunks of films: processes of this machine, or a cluster whose workers prove that they can.

A worker of a cluster has to see the same folders and to run the same program: before a film is shared
out, each reads a token that was written beside the film, reads the frames, writes a file, and says its
versions. One that cannot is named and left out.
"""

from __future__ import annotations

import contextlib
import logging
import secrets
import time
from collections.abc import Iterator, Sequence
from concurrent import futures
from concurrent.futures import Future, ThreadPoolExecutor
from concurrent.futures import TimeoutError as LateError
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from twinlapse.arrays import Progress
from twinlapse.errors import RenderError, TwinlapseError
from twinlapse.film.chunks import Farm, FilmChunk, ThisProcess, UnfinishedError, make_chunk

__all__ = [
    "CONNECT_S",
    "PROOF_S",
    "TRIES",
    "ClusterFarm",
    "ProcessFarm",
    "Todo",
    "open_farm",
    "prove",
    "versions",
]

TRIES = 3  # pools of processes that may break over one film
CONNECT_S = 5.0  # for a scheduler to answer
PROOF_S = 12.0  # for all workers to come and to prove what they can
_LOOK_S = 0.1  # between looks at what is done
_ALIVE_S = 3.0  # between questions whether there are workers at all
_WORKERS_GONE_S = 12.0  # without any worker before a film is given up
_AHEAD = 2  # chunks that each worker is promised, so that it never waits
_SAMPLE = 2  # frames of each camera that a worker reads: the first and the last

_LOG = logging.getLogger(__name__)
Todo = Sequence[tuple[FilmChunk, Path]]


@contextlib.contextmanager
def open_farm(workers: int = 0, cluster: str = "") -> Iterator[Farm]:
    """Open what makes chunks: a cluster, processes of this machine if more than one, or this process.

    Parameters
    ----------
    workers : int
        Processes.
    cluster : str
        Address of a dask.distributed scheduler, ``tcp://HOST:PORT``. Its protocol runs whatever it is sent: a
        trusted network only, or TLS.

    Raises
    ------
    UnfinishedError
        when no scheduler answers.
    RenderError
        when the extra is not installed.
    """
    if cluster:
        with _client(cluster) as client:
            yield ClusterFarm(client=client, address=cluster)
    elif workers > 1:
        with ProcessFarm(workers) as farm:
            yield farm
    else:
        yield ThisProcess()


class ProcessFarm:
    """Processes of this machine; a pool that breaks because one died is opened again."""

    def __init__(self, workers: int) -> None:
        self._workers = workers
        self._pool = self._open()

    def __enter__(self) -> ProcessFarm:
        return self

    def __exit__(self, *_: object) -> None:
        self._pool.shutdown(cancel_futures=True)

    def _open(self) -> futures.ProcessPoolExecutor:
        from multiprocessing import get_context  # a film that is not shared out does without

        # spawned, not forked: this process has threads
        return futures.ProcessPoolExecutor(self._workers, mp_context=get_context("spawn"))

    def make(self, todo: Todo, progress: Progress | None) -> None:
        """Make chunks, each at its path."""
        for attempt in range(TRIES):
            pool = self._pool
            try:
                _wait([pool.submit(make_chunk, chunk, path) for chunk, path in todo], progress)
                return
            except futures.BrokenExecutor:
                if (
                    pool is self._pool
                ):  # films made side by side share a pool: the first to see it opens another
                    self._pool = self._open()
                if attempt == TRIES - 1:
                    hint = "check the free memory, or use fewer workers; render it again to go on"
                    raise UnfinishedError(f"workers died in {TRIES} pools", hint) from None


def _wait(running: Sequence[Future[Path]], progress: Progress | None) -> None:
    try:
        for done, future in enumerate(running, 1):
            future.result()
            if progress is not None:
                progress(done / len(running))
    finally:
        for future in running:
            future.cancel()


def _hush() -> None:
    """Keep the client's own loggers quiet: what goes wrong is said here, in one line."""
    for name in ["distributed", *logging.root.manager.loggerDict]:
        if name.split(".")[0] in ("distributed", "tornado", "asyncio"):
            logging.getLogger(name).setLevel(logging.CRITICAL + 1)


@contextlib.contextmanager
def _client(address: str) -> Iterator[Any]:
    try:
        from distributed import Client
    except ImportError:
        raise RenderError(
            "rendering on a cluster needs dask.distributed", "pip install distributed"
        ) from None
    _hush()
    try:
        client = Client(address, timeout=f"{CONNECT_S:g}s", set_as_default=False)  # type: ignore[no-untyped-call,unused-ignore]
    except Exception as error:  # something else may listen there, and its bytes are taken for sizes
        raise UnfinishedError(
            f"no scheduler answers at {address} ({type(error).__name__})", "check the address"
        ) from None
    try:
        yield client
    finally:
        with contextlib.suppress(Exception):
            client.close(timeout=2)  # type: ignore[no-untyped-call,unused-ignore]


class _Proof:
    """What workers prove for one film, and what came of it."""

    def __init__(self, todo: Todo) -> None:
        self.folder = todo[0][1].parent
        self.frames = [
            track.files[place].path
            for track in todo[0][0].scene.tracks.values()
            for place in (0, -1)[:_SAMPLE]
        ]
        self.token = secrets.token_hex(8)
        self.faults: dict[str, str] = {}


@dataclass(slots=True)
class ClusterFarm:
    """The workers of a dask.distributed scheduler that have proved what they can."""

    client: Any
    address: str
    _named: set[str] = field(default_factory=set)

    def make(self, todo: Todo, progress: Progress | None) -> None:
        """Make chunks, each at its path; a worker that comes while they are made proves itself and helps."""
        proof = _Proof(todo)
        able, here = self._proved(proof), self._workers()
        left, running = list(todo), list[Any]()
        seen_s = asked_s = time.monotonic()
        try:
            with ThreadPoolExecutor(1) as helper:
                late = helper.submit(dict[str, str])
                while left or running:
                    if self.client.status != "running":
                        raise self._lost()
                    # not all at once: what a worker has been promised, one that comes later cannot take
                    while left and len(running) < _AHEAD * sum(here.get(one, 1) for one in able):
                        running.append(self._submit(*left.pop(0), able))
                    ended = [future for future in running if future.done()]
                    for future in ended:
                        self._check(future)
                    running = [future for future in running if future not in ended]
                    if ended and progress is not None:
                        progress(1 - (len(left) + len(running)) / len(todo))
                    now_s = time.monotonic()
                    if late.done() and now_s - asked_s > _ALIVE_S:
                        asked_s, here = now_s, self._workers()
                        gained = [worker for worker, fault in late.result().items() if not fault]
                        able = [worker for worker in able if worker in here] + [
                            worker for worker in gained if worker in here and worker not in able
                        ] or able
                        if set(able) & set(here):
                            seen_s = time.monotonic()
                        new = [worker for worker in here if worker not in proof.faults]
                        late = helper.submit(self._prove, proof, new, now_s + PROOF_S)
                    if now_s - seen_s > _WORKERS_GONE_S:
                        raise UnfinishedError(
                            f"all workers of {self.address} are gone", "start one and render again to go on"
                        )
                    time.sleep(_LOOK_S)
        finally:
            with contextlib.suppress(Exception):
                self.client.cancel(running)

    def _submit(self, chunk: FilmChunk, path: Path, able: list[str]) -> Any:
        # pure=False: a chunk is known by its file, not by what the scheduler remembers
        return self.client.submit(
            make_chunk, chunk, path, pure=False, retries=1, workers=able, allow_other_workers=False
        )

    def _check(self, future: Any) -> None:
        if future.status == "finished":
            return
        if self.client.status != "running" or future.status in ("cancelled", "lost"):
            raise self._lost()
        error = future.exception()
        if isinstance(error, TwinlapseError):
            raise error
        if type(error).__name__ == "KilledWorker":
            hint = "check the free memory there, and render again to go on"
            raise UnfinishedError(f"workers of {self.address} died over a chunk", hint)
        raise RenderError(f"a worker of {self.address} failed: {error!r}", "see the worker's own output")

    def _lost(self) -> UnfinishedError:
        return UnfinishedError(
            f"the scheduler at {self.address} is gone", "start it and render again to go on"
        )

    def _workers(self) -> dict[str, int]:
        """Return addresses of all workers, and their threads; none when the scheduler does not answer."""
        with ThreadPoolExecutor(1) as helper:
            asked = helper.submit(lambda: dict(self.client.nthreads()))
            try:
                return asked.result(timeout=_ALIVE_S)
            except Exception:  # whatever a dying connection raises
                return {}

    def _proved(self, proof: _Proof) -> list[str]:
        """Return the addresses of the workers that see the frames and may write beside the film."""
        until_s = time.monotonic() + PROOF_S
        while not (workers := self._workers()):
            if self.client.status != "running":
                raise self._lost()
            if time.monotonic() > until_s - CONNECT_S:
                raise UnfinishedError(f"{self.address} has no worker", "start one: dask worker ADDRESS")
            time.sleep(_LOOK_S)
        faults = self._prove(proof, list(workers), until_s)
        able = [worker for worker, fault in faults.items() if not fault]
        if not able:
            worker, fault = next(iter(faults.items()))
            raise UnfinishedError(
                f"none of the {len(faults)} workers of {self.address} can make this film; {worker}: {fault}",
                "let them see the same folders and install the same versions",
            )
        return able

    def _prove(self, proof: _Proof, workers: Sequence[str], until_s: float) -> dict[str, str]:
        """Return what is wrong with each worker, "" where nothing is; name and remember it."""
        if not workers:
            return {}
        probe = proof.folder / f".probe-{proof.token}"
        probe.write_text(proof.token, "utf-8")
        pool = ThreadPoolExecutor(len(workers))
        try:
            words = (proof.folder, proof.token, proof.frames, versions())
            asked = {one: pool.submit(self._ask, one, words) for one in workers}
            faults = {one: self._answer(future, until_s) for one, future in asked.items()}
        finally:
            pool.shutdown(wait=False, cancel_futures=True)
            probe.unlink(missing_ok=True)
        proof.faults.update(faults)
        for worker, fault in faults.items():
            kind = f"{worker} {fault.partition(str(proof.folder))[0]}"  # not again for the folder of each job
            if fault and kind not in self._named:
                self._named.add(kind)
                _LOG.warning("worker %s is left out: %s", worker, fault)
        return faults

    def _ask(self, worker: str, words: tuple[Any, ...]) -> str:
        answer = self.client.run(prove, *words, workers=[worker], on_error="return")[worker]
        return answer if isinstance(answer, str) else f"{type(answer).__name__}: {answer}"

    @staticmethod
    def _answer(future: Future[str], until_s: float) -> str:
        try:
            return future.result(timeout=max(0.1, until_s - time.monotonic()))
        except LateError:
            return "it does not answer"
        except Exception as error:  # a worker that cannot load the question, or goes while it is asked
            return f"{type(error).__name__}: {error}".splitlines()[0]


def versions() -> dict[str, str]:
    """Return the versions that have to be the same everywhere, or chunks do not join to one film."""
    from importlib import metadata

    import cv2
    import imageio_ffmpeg

    try:
        own = metadata.version("twinlapse")
    except metadata.PackageNotFoundError:  # run from its folder, not installed
        own = "not installed"
    return {
        "twinlapse": own,
        "ffmpeg": str(imageio_ffmpeg.get_ffmpeg_version()),
        "OpenCV": cv2.__version__.split(".")[0],
    }


def prove(folder: Path, token: str, frames: Sequence[Path], wanted: dict[str, str]) -> str:
    """Return why the machine that runs this cannot make chunks, "" if it can."""
    own = versions()
    for name, version in wanted.items():
        if own[name] != version:
            return f"its {name} is {own[name]}, here it is {version}"
    try:
        if (folder / f".probe-{token}").read_text("utf-8") != token:
            return f"{folder} is another folder there"
    except OSError:
        return f"it does not see {folder}"
    for frame in frames:
        try:
            with frame.open("rb") as file:
                file.read(16)
        except OSError as error:
            return f"it cannot read {frame} ({error.strerror})"
    try:
        mine = folder / f".proof-{secrets.token_hex(8)}"
        mine.write_bytes(b"proof")
        mine.unlink()
    except OSError as error:
        return f"it cannot write to {folder} ({error.strerror})"
    return ""
