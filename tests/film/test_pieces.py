"""A film in pieces is the film in one; workers that are killed in the middle lose nothing."""

from __future__ import annotations

import contextlib
import os
import signal
import threading
import time
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from pathlib import Path

import av
import cv2
import numpy as np
import pytest

from twinlapse.errors import RenderError
from twinlapse.film import FilmOptions, render_film
from twinlapse.film.chunks import cut, render_in_pieces
from twinlapse.film.codecs import codec_for
from twinlapse.film.frame_times import Beat, schedule
from twinlapse.film.render import measured
from twinlapse.film.scene import Scene, set_scene
from twinlapse.frames.sequence import FrameSequence, read_sequence
from twinlapse.rig.film_settings import Filming

FILMING = Filming(shape="320x180", length_s=9.0, last_s=0.0, between="fade", quality=4)


@pytest.fixture(scope="module")
def sources(tmp_path_factory: pytest.TempPathFactory) -> dict[str, FrameSequence]:
    """Thirty frames that brighten from corner to corner."""
    folder = tmp_path_factory.mktemp("pieces") / "wide"
    folder.mkdir()
    rng = np.random.default_rng(6)
    scene = cv2.resize(rng.integers(40, 200, (18, 32, 3)).astype(np.uint8), (320, 180))
    for shot in range(1, 31):
        view = scene.copy()
        cv2.rectangle(view, (90, 160 - 4 * shot), (230, 160), (250, 250, 250), -1)
        cv2.imwrite(str(folder / f"{shot:06d}.jpg"), view)
    return {"wide": read_sequence(folder, "wide")}


@pytest.fixture(scope="module")
def scene(sources: dict[str, FrameSequence]) -> tuple[Scene, tuple[Beat, ...]]:
    options = FilmOptions(filming=FILMING, cache=False)
    slots, tracks, options = measured(sources, None, options, lambda share: None)
    return set_scene(slots, None, tracks, options)[0], schedule(len(slots), FILMING)


def frames_of(path: Path) -> list[np.ndarray]:
    with av.open(str(path)) as film:
        return [frame.to_ndarray(format="gray") for frame in film.decode(video=0)]


class Here:
    """A pool that does the work at once, and counts it."""

    def __init__(self, fail_at: int | None = None) -> None:
        self.done, self.fail_at = 0, fail_at

    def submit(self, function, /, *args):
        if self.done == self.fail_at:
            raise KeyboardInterrupt
        self.done += 1
        value = function(*args)
        return type("Done", (), {"result": staticmethod(lambda: value)})


def test_pieces_begin_on_keyframes() -> None:
    beats = [Beat(place, place) for place in range(270)]
    pieces = cut(beats, FILMING.fps)
    assert [len(piece) for piece in pieces] == [120, 120, 30]
    assert [beat for piece in pieces for beat in piece] == beats


def test_joined_pieces_are_the_film(scene, sources, tmp_path: Path) -> None:
    whole = render_film(sources, None, FilmOptions(filming=FILMING, cache=False), tmp_path / "whole.mp4")
    out = tmp_path / "joined.mp4"
    here = Here()
    render_in_pieces(
        *scene, FILMING.fps, codec_for(out, FILMING), out, pools=lambda: contextlib.nullcontext(here)
    )
    assert here.done == 3
    first, second = frames_of(tmp_path / "whole.mp4"), frames_of(out)
    assert len(first) == len(second) == whole.frames == 270
    difference = [np.abs(a.astype(int) - b).mean() for a, b in zip(first, second, strict=True)]
    misplaced = [np.abs(a.astype(int) - b).mean() for a, b in zip(first, second[10:], strict=False)]
    assert max(difference) < 0.5 * np.median(misplaced)
    assert [path.name for path in tmp_path.iterdir() if path.name.startswith(".")] == []


def test_what_is_done_is_not_done_again(scene, tmp_path: Path) -> None:
    out = tmp_path / "film.mp4"
    codec = codec_for(out, FILMING)
    with pytest.raises(KeyboardInterrupt):
        render_in_pieces(
            *scene, FILMING.fps, codec, out, pools=lambda: contextlib.nullcontext(Here(fail_at=2))
        )
    assert not out.exists()
    again = Here()
    render_in_pieces(*scene, FILMING.fps, codec, out, pools=lambda: contextlib.nullcontext(again))
    assert again.done == 1 and len(frames_of(out)) == 270


@pytest.mark.slow
def test_a_killed_process_loses_nothing(scene, tmp_path: Path) -> None:
    out, opened = tmp_path / "film.mp4", []

    @contextlib.contextmanager
    def pool() -> Iterator[ProcessPoolExecutor]:
        with ProcessPoolExecutor(1, mp_context=get_context("spawn")) as made:
            opened.append(made)
            if len(opened) == 1:
                threading.Thread(target=kill_soon, args=(made,), daemon=True).start()
            yield made

    def kill_soon(made: ProcessPoolExecutor) -> None:
        while not list(out.parent.glob(".film.pieces/*.mp4")):  # the first piece is there: in the middle
            time.sleep(0.01)
        for pid in list(made._processes):
            os.kill(pid, signal.SIGKILL)

    render_in_pieces(*scene, FILMING.fps, codec_for(out, FILMING), out, pools=pool)
    assert len(opened) == 2
    assert len(frames_of(out)) == 270


@pytest.mark.slow
@pytest.mark.filterwarnings("default")
def test_a_killed_cluster_worker_loses_nothing(sources, tmp_path: Path) -> None:
    distributed = pytest.importorskip("distributed", reason="needs twinlapse[farm]")
    options = {"n_workers": 2, "threads_per_worker": 1, "dashboard_address": None}
    with distributed.LocalCluster(host="127.0.0.1", **options) as cluster:
        first = next(iter(cluster.workers.values()))
        out = tmp_path / "film.mp4"

        def kill_soon() -> None:
            while not list(tmp_path.glob(".film.pieces/.*.part*")):  # someone is at work
                time.sleep(0.01)
            os.kill(first.process.process.pid, signal.SIGKILL)

        threading.Thread(target=kill_soon, daemon=True).start()
        made = FilmOptions(filming=FILMING, cache=False, cluster=cluster.scheduler_address)
        report = render_film(sources, None, made, out)
    assert report.frames == len(frames_of(out)) == 270


def test_no_scheduler_is_said(sources, tmp_path: Path) -> None:
    pytest.importorskip("distributed", reason="needs twinlapse[farm]")
    made = FilmOptions(filming=FILMING, cache=False, cluster="nonsense://nowhere")
    with pytest.raises(RenderError, match="no scheduler"):
        render_film(sources, None, made, tmp_path / "film.mp4")
