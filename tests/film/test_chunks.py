"""A film is made in chunks, by one machine or several: the same film; what fails leaves nothing behind."""

from __future__ import annotations

import json
import os
import shutil
import signal
import socket
import subprocess
import sys
import threading
import time
from dataclasses import replace
from pathlib import Path

import av
import cv2
import numpy as np
import pytest

from twinlapse.errors import RenderError
from twinlapse.film import FilmOptions, encoder, render_film
from twinlapse.film.chunks import FilmChunk, ThisProcess, UnfinishedError, cut, render_in_chunks
from twinlapse.film.codecs import codec_for
from twinlapse.film.farm import ClusterFarm, ProcessFarm, open_farm, prove, versions
from twinlapse.film.frame_times import Beat, schedule
from twinlapse.film.render import measured
from twinlapse.film.scene import FilmScene, set_scene
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
def scene(sources: dict[str, FrameSequence]) -> tuple[FilmScene, tuple[Beat, ...]]:
    options = FilmOptions(filming=FILMING, cache=False)
    slots, tracks, options = measured(sources, None, options, lambda share: None)
    return set_scene(slots, None, tracks, options)[0], schedule(len(slots), FILMING)


def frames_of(path: Path) -> list[np.ndarray]:
    with av.open(str(path)) as film:
        return [frame.to_ndarray(format="gray") for frame in film.decode(video=0)]


class Here:
    """Makes chunks here, and counts them."""

    def __init__(self, fail_at: int | None = None, fault: BaseException | None = None) -> None:
        self.done, self.fail_at, self.fault = 0, fail_at, fault

    def make(self, todo, progress) -> None:
        for one in todo:
            if self.done == self.fail_at:
                raise self.fault or KeyboardInterrupt
            ThisProcess().make([one], None)
            self.done += 1


def made(scene, out: Path, farm) -> Path:
    render_in_chunks(*scene, FILMING.fps, codec_for(out, FILMING), out, farm=farm)
    return out


def hidden(folder: Path) -> list[str]:
    return [path.name for path in folder.iterdir() if path.name.startswith(".")]


def test_chunks_begin_on_keyframes() -> None:
    beats = [Beat(place, place) for place in range(270)]
    chunks = cut(beats, FILMING.fps)
    assert [len(chunk) for chunk in chunks] == [120, 120, 30]
    assert [beat for chunk in chunks for beat in chunk] == beats


def test_every_farm_makes_the_same_film(sources, tmp_path: Path) -> None:
    """Bit-identical: by this process and by two processes; and every frame is where it belongs."""
    serial = tmp_path / "serial.mp4"
    report = render_film(sources, None, FilmOptions(filming=FILMING, cache=False), serial)
    shared = tmp_path / "shared.mp4"
    with open_farm(workers=2) as farm:
        assert isinstance(farm, ProcessFarm)
        render_film(sources, None, FilmOptions(filming=FILMING, cache=False), shared, farm=farm)
    assert serial.read_bytes() == shared.read_bytes()
    frames = frames_of(serial)
    assert len(frames) == report.frames == 270
    # the picture brightens from first to last: no frame is lost, doubled or misplaced at a joint
    levels = [float(frame.mean()) for frame in frames]
    assert max(np.diff(levels)) < 3 and min(np.diff(levels)) > -0.5
    assert hidden(tmp_path) == []


@pytest.mark.slow
@pytest.mark.parametrize("codec", ["h264", "h264 careful", "h265", "av1", "vp9"])
@pytest.mark.parametrize("suffix", [".mp4", ".m4v", ".webm"])
def test_every_kind_of_film_in_chunks_is_the_same_whoever_makes_it(
    scene, tmp_path: Path, codec: str, suffix: str
) -> None:
    """Made twice here and once by two processes, in another order: the same bytes, and all frames there."""
    name, *careful = codec.split()
    filming = replace(FILMING, codec=name, careful=bool(careful))
    if (suffix == ".webm") == (name in ("h264", "h265")) and name != "av1":
        with pytest.raises(RenderError, match="does not go into"):
            codec_for(tmp_path / f"film{suffix}", filming)
        return

    class Backwards(Here):
        def make(self, todo, progress) -> None:
            super().make(list(reversed(todo)), progress)

    films = []
    with ProcessFarm(2) as shared:
        for place, farm in enumerate((ThisProcess(), Backwards(), shared)):
            out = tmp_path / f"film{place}{suffix}"
            render_in_chunks(*scene, filming.fps, codec_for(out, filming), out, farm=farm)
            films.append(out)
    assert films[0].read_bytes() == films[1].read_bytes() == films[2].read_bytes()
    assert len(frames_of(films[0])) == 270


def test_what_is_done_is_not_done_again(scene, tmp_path: Path) -> None:
    out = tmp_path / "film.mp4"
    with pytest.raises(KeyboardInterrupt):
        made(scene, out, Here(fail_at=2))
    with pytest.raises(UnfinishedError, match="the farm is gone") as caught:
        made(scene, out, Here(fail_at=0, fault=UnfinishedError("the farm is gone", "go on")))
    assert "2 of 3 chunks are kept" in caught.value.hint and not out.exists()
    again = Here()
    made(scene, out, again)
    assert again.done == 1 and len(frames_of(out)) == 270 and hidden(tmp_path) == []


def test_a_film_that_cannot_be_made_leaves_nothing(scene, tmp_path: Path) -> None:
    with pytest.raises(RenderError):
        made(scene, tmp_path / "film.mp4", Here(fail_at=1, fault=RenderError("the encoder failed")))
    assert list(tmp_path.iterdir()) == []


def test_what_is_written_to_join_parts_lies_beside_them(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # a kill while they are joined must leave nothing where no render looks again
    listed: list[Path] = []

    def stopped(words, **options):
        listed.append(Path(words[words.index("ffmetadata") + 2]))
        raise KeyboardInterrupt

    monkeypatch.setattr("twinlapse.film.encoder.subprocess.Popen", stopped)
    (tmp_path / "chunks").mkdir()
    codec = codec_for(tmp_path / "film.mp4", Filming())
    joined = encoder.joining(tmp_path / "chunks", codec, tmp_path / "film.mp4", encoder.Extras("title"))
    with pytest.raises(KeyboardInterrupt), joined:
        pass
    assert listed and listed[0].is_relative_to(tmp_path / "chunks")


@pytest.mark.slow
def test_a_killed_process_loses_nothing(scene, tmp_path: Path) -> None:
    out = tmp_path / "film.mp4"
    with ProcessFarm(1) as farm:
        first = farm._pool

        def kill_soon() -> None:
            while not list(tmp_path.glob(".film.mp4.chunks/*.mp4")):  # the first is there: in the middle
                time.sleep(0.01)
            for pid in list(first._processes):
                os.kill(pid, signal.SIGKILL)

        threading.Thread(target=kill_soon, daemon=True).start()
        made(scene, out, farm)
        assert farm._pool is not first
    assert len(frames_of(out)) == 270


def test_a_worker_proves_what_it_can(tmp_path: Path) -> None:
    frame = tmp_path / "000001.jpg"
    frame.write_bytes(b"picture")
    for token in ("token", "other"):
        (tmp_path / f".probe-{token}").write_text("token")
    assert prove(tmp_path, "token", [frame], versions()) == ""
    assert "another folder" in prove(tmp_path, "other", [frame], versions())
    assert "does not see" in prove(tmp_path / "job", "token", [frame], versions())
    assert "cannot read" in prove(tmp_path, "token", [tmp_path / "000002.jpg"], versions())
    assert "its ffmpeg is" in prove(tmp_path, "token", [frame], {**versions(), "ffmpeg": "1.0"})
    assert sorted(path.name for path in tmp_path.iterdir()) == [
        ".probe-other",
        ".probe-token",
        "000001.jpg",
    ]


# -- a cluster, as separate programs ---------------------------------------------------------------------


class Programs:
    """A scheduler and workers, each a program of its own, ended at the end."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        with socket.socket() as probe:
            probe.bind(("127.0.0.1", 0))
            self.address = f"tcp://127.0.0.1:{probe.getsockname()[1]}"
        self.running: list[subprocess.Popen[bytes]] = []

    def start(
        self,
        kind: str,
        *words: str,
        cwd: Path | None = None,
        env: dict[str, str] | None = None,
        hidden: Path | None = None,
    ):
        command = [sys.executable, "-m", f"distributed.cli.dask_{kind}", *words, "--no-dashboard"]
        if hidden is not None:  # in a mount namespace of its own, with an empty file system there
            command = [
                "unshare",
                "--mount",
                "sh",
                "-c",
                'mount -t tmpfs none "$0" && exec "$@"',
                str(hidden),
                *command,
            ]
        place = cwd or self.folder
        done = subprocess.Popen(
            command, cwd=place, stderr=subprocess.DEVNULL, stdout=subprocess.DEVNULL,
            env={**os.environ, **(env or {})},
        )  # fmt: skip
        self.running.append(done)
        return done

    def scheduler(self):
        done = self.start("scheduler", "--host", "127.0.0.1", "--port", self.address.rsplit(":", 1)[1])
        for _ in range(300):
            with socket.socket() as probe:
                if probe.connect_ex(("127.0.0.1", int(self.address.rsplit(":", 1)[1]))) == 0:
                    return done
            time.sleep(0.1)
        raise AssertionError("the scheduler did not start")

    def worker(self, name: str, **options):
        words = [
            "--nthreads",
            "1",
            "--name",
            name,
            "--no-nanny",
            "--local-directory",
            str(self.folder / name),
        ]
        return self.start("worker", self.address, *words, **options)

    def end(self) -> None:
        for program in self.running:
            program.kill()
        for program in self.running:
            program.wait()


@pytest.fixture
def programs(tmp_path_factory: pytest.TempPathFactory):
    pytest.importorskip("distributed", reason="needs twinlapse[farm]")
    started = Programs(tmp_path_factory.mktemp("programs"))
    yield started
    started.end()


@pytest.fixture
def jobs(sources, tmp_path: Path) -> Path:
    """Three job folders: two with frames, one whose frames are no pictures."""
    for name in ("label", "pot", "spoilt"):
        (tmp_path / "jobs" / name / "frames").mkdir(parents=True)
    source = sources["wide"].files[0].path.parent
    for name in ("label", "pot"):
        shutil.copytree(source, tmp_path / "jobs" / name / "frames" / "wide")
    (tmp_path / "jobs/spoilt/frames/wide").mkdir()
    (tmp_path / "jobs/spoilt/frames/wide/000001.jpg").write_bytes(b"no picture")
    return tmp_path


def render_all(folder: Path, *words: str) -> tuple[int, dict[str, str], str, float]:
    """Return status, state by job, standard error, and the seconds it took; the folder is given relative."""
    began_s = time.monotonic()
    command = [sys.executable, "-m", "twinlapse", "render-all", "jobs", *words, "--json"]
    done = subprocess.run(command, cwd=folder, capture_output=True, text=True, timeout=300)
    films = json.loads(done.stdout)["films"] if done.stdout else []
    states = {Path(film["job"]).name: film["state"] for film in films}
    return done.returncode, states, done.stderr, time.monotonic() - began_s


@pytest.mark.slow
def test_jobs_of_a_relative_folder_are_made_by_the_workers_that_can(jobs: Path, programs: Programs) -> None:
    """Both stand in another folder, one has another ffmpeg; a spoilt job fails alone and leaves nothing."""
    programs.scheduler()
    programs.worker("good")
    other = programs.folder / "ffmpeg"
    other.write_text("#!/bin/sh\necho ffmpeg version 0.1 other\n")
    other.chmod(0o755)
    programs.worker("other", env={"IMAGEIO_FFMPEG_EXE": str(other)})
    time.sleep(8)
    status, states, said, _ = render_all(jobs, "--cluster", programs.address)
    assert (status, states) == (1, {"label": "made", "pot": "made", "spoilt": "failed"}), said
    assert said.count("is left out: its ffmpeg is 0.1") == 1
    left = [str(path) for path in (jobs / "jobs").rglob(".*")]
    assert not any("chunks" in path or "part" in path for path in left), left
    serial = render_all(jobs, "--name", "serial.mp4")[1]
    assert serial["pot"] == "made"
    pot = jobs / "jobs" / "pot"
    assert (pot / "serial.mp4").read_bytes() == (pot / "film.mp4").read_bytes()


@pytest.mark.slow
@pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() != 0, reason="hiding a folder needs root")
def test_a_worker_without_the_folder_is_named_and_left_out(jobs: Path, programs: Programs) -> None:
    """It sees another file system where the jobs are; with it alone nothing is made, and nothing is left."""
    if shutil.which("unshare") is None:
        pytest.skip("needs unshare")
    programs.scheduler()
    programs.worker("blind", hidden=jobs / "jobs")
    time.sleep(8)
    status, states, said, took_s = render_all(jobs, "--cluster", programs.address)
    assert status == 1 and took_s < 40 and "made" not in states.values(), said
    assert "does not see" in said and "Traceback" not in said
    assert not list(jobs.glob("jobs/*/film*.mp4"))
    programs.worker("good")
    time.sleep(8)
    status, states, said, _ = render_all(jobs, "--cluster", programs.address)
    assert (status, states) == (1, {"label": "made", "pot": "made", "spoilt": "failed"}), said
    assert said.count("does not see") == 1
    assert not [path for path in (jobs / "jobs").rglob(".*") if "chunks" in path.name or "probe" in path.name]


@pytest.mark.slow
@pytest.mark.parametrize("what", ["dead address", "no workers", "scheduler dies", "workers die"])
def test_a_farm_that_fails_is_one_line_in_15_seconds(jobs: Path, programs: Programs, what: str) -> None:
    killed_s: list[float] = []
    if what != "dead address":
        scheduler = programs.scheduler()
    if what in ("scheduler dies", "workers die"):
        workers = [programs.worker("one")]
        time.sleep(5)

        def kill_soon() -> None:
            while not list(jobs.glob("jobs/*/.film.mp4.chunks/.*part*")):  # someone is at work
                time.sleep(0.01)
            for program in [scheduler] if what == "scheduler dies" else workers:
                program.kill()
            killed_s.append(time.monotonic())

        threading.Thread(target=kill_soon, daemon=True).start()
    status, states, said, took_s = render_all(jobs, "--cluster", programs.address)
    lines = [line for line in said.splitlines() if line]
    assert len(lines) == 1 + (states.get("spoilt") == "failed"), said
    assert "Traceback" not in said and status in (1, 2)
    waited_s = time.monotonic() - killed_s[0] if killed_s else took_s
    assert waited_s < 20  # 15 s, and the start of the program
    if what != "dead address":
        assert "unfinished" in states.values() and status == 1
    # what is left goes on, here
    assert render_all(jobs)[1] == {"label": "made", "pot": "made", "spoilt": "failed"}
    assert not list(jobs.glob("jobs/*/.*chunks"))


@pytest.mark.slow
def test_a_worker_that_comes_later_helps_after_its_own_proof(
    scene,
    tmp_path: Path,
    programs: Programs,
    monkeypatch: pytest.MonkeyPatch,
    caplog: pytest.LogCaptureFixture,
) -> None:
    """One worker proves and works; two come while it does: one able, one with another ffmpeg."""
    programs.scheduler()
    programs.worker("first")
    other = programs.folder / "ffmpeg"
    other.write_text("#!/bin/sh\necho ffmpeg version 0.1 other\n")
    other.chmod(0o755)
    shown, beats = scene
    out = tmp_path / "film.mp4"
    makers: set[str] = set()
    submit = ClusterFarm._submit

    def watched(farm: ClusterFarm, chunk: FilmChunk, path: Path, able: list[str]):
        makers.update(able)
        return submit(farm, chunk, path, able)

    def come_later() -> None:
        while not list(tmp_path.glob(".film.mp4.chunks/*.mp4")):
            time.sleep(0.01)
        programs.worker("late")
        programs.worker("other", env={"IMAGEIO_FFMPEG_EXE": str(other)})

    monkeypatch.setattr(ClusterFarm, "_submit", watched)
    with open_farm(cluster=programs.address) as farm:
        threading.Thread(target=come_later, daemon=True).start()
        render_in_chunks(shown, beats * 25, FILMING.fps, codec_for(out, FILMING), out, farm=farm)
    assert len(makers) == 2 and len(frames_of(out)) == 25 * 270
    assert caplog.text.count("is left out: its ffmpeg is 0.1") == 1 and hidden(tmp_path) == []
