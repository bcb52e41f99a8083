"""Nothing acknowledged is lost: 300 times kill -9, 100 power cuts, a full disk; and a control that loses."""

from __future__ import annotations

import importlib.util
import json
import os
import random
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from types import ModuleType

import pytest

from twinlapse.errors import FrameError
from twinlapse.frames.job import Job
from twinlapse.frames.journal import FrameTimes
from twinlapse.frames.store import FrameStore

HARNESS = Path(__file__).with_name("crash_harness.py")


@pytest.fixture(scope="module")
def harness() -> ModuleType:
    spec = importlib.util.spec_from_file_location("crash_harness", HARNESS)
    assert spec and spec.loader
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def kill(kind: str, folder: Path, kills: int) -> dict[str, int]:
    command = [sys.executable, HARNESS, "kill", kind, folder, str(kills)]
    done = subprocess.run(command, check=True, capture_output=True, text=True, timeout=170)
    counts: dict[str, int] = json.loads(done.stdout)
    print(kind, counts)
    return counts


@pytest.mark.skipif(os.name != "posix", reason="kill -9 is POSIX")
@pytest.mark.slow
def test_300_times_kill_9_loses_nothing(tmp_path: Path) -> None:
    counts = kill("store", tmp_path, 300)
    assert counts["kills"] == 300
    assert counts["acknowledged"] >= 300
    assert counts["lost"] == 0


@pytest.mark.slow
def test_the_control_loses_frames_to_kill_9(tmp_path: Path) -> None:
    assert kill("manifest", tmp_path, 300)["lost"] > 0


@contextmanager
def mounted(image: Path, place: Path) -> Iterator[Path]:
    place.mkdir(exist_ok=True)
    done = subprocess.run(["mount", "-o", "loop", image, place], capture_output=True, text=True)
    if done.returncode:
        pytest.skip(f"cannot mount a loop device here: {done.stderr.strip()}")
    try:
        yield place
    finally:
        subprocess.run(["umount", "-l", place], check=True)


def cut_power(harness: ModuleType, kind: str, folder: Path, cuts: int) -> dict[str, int]:
    """Copy the disk while a writer writes, and look at the copy: it is the disk as a power cut leaves it.

    The copy holds what the file system had handed to the device; what waits in the page cache is gone.
    """
    if os.geteuid() != 0 or shutil.which("mkfs.ext4") is None:
        pytest.skip("power cuts need root and mkfs.ext4")
    disk, copy = folder / "disk.img", folder / "copy.img"
    with disk.open("wb") as file:
        file.truncate(48 << 20)
    subprocess.run(["mkfs.ext4", "-q", "-E", "lazy_itable_init=0", disk], check=True)
    dice = random.Random(11)
    counts = {"cuts": 0, "acknowledged": 0, "lost": 0}
    with mounted(disk, folder / "disk") as place:
        (place / "job").mkdir()
        writer = subprocess.Popen([sys.executable, HARNESS, kind, place / "job"], stdout=subprocess.PIPE)
        assert writer.stdout is not None
        told = writer.stdout.readline()
        os.set_blocking(writer.stdout.fileno(), False)
        try:
            for _ in range(cuts):
                time.sleep(dice.uniform(0, 0.02))
                os.kill(writer.pid, signal.SIGSTOP)
                told += writer.stdout.read() or b""
                subprocess.run(["cp", "--sparse=always", disk, copy], check=True)
                promised = dict(line.split() for line in told.decode().splitlines())
                with mounted(copy, folder / "copy") as after:
                    job = after / "job"
                    seen = harness.found(kind, job) if job.exists() else {}
                counts["cuts"] += 1
                counts["acknowledged"] += len(promised)
                counts["lost"] += sum(seen.get(int(n)) != digest for n, digest in promised.items())
                os.kill(writer.pid, signal.SIGCONT)
        finally:
            writer.kill()
            writer.wait()
            writer.stdout.close()
    print(kind, counts)
    return counts


@pytest.mark.slow
def test_100_power_cuts_lose_nothing(harness: ModuleType, tmp_path: Path) -> None:
    counts = cut_power(harness, "store", tmp_path, 100)
    assert counts["cuts"] == 100
    assert counts["acknowledged"] > 100
    assert counts["lost"] == 0


@pytest.mark.slow
@pytest.mark.parametrize("control", ["manifest", "unsynced"])
def test_the_controls_lose_frames_to_power_cuts(harness: ModuleType, tmp_path: Path, control: str) -> None:
    assert cut_power(harness, control, tmp_path, 15)["lost"] > 0


def test_a_full_disk_loses_nothing_and_goes_on_when_there_is_space(
    harness: ModuleType, tmp_path: Path
) -> None:
    if os.geteuid() != 0:
        pytest.skip("a small disk needs root")
    place = tmp_path / "small"
    place.mkdir()
    if subprocess.run(["mount", "-t", "tmpfs", "-o", "size=2m", "tmpfs", place]).returncode:
        pytest.skip("cannot mount a small disk here")
    try:
        (place / "ballast").write_bytes(bytes(400_000))
        fill_up(harness, place)
    finally:
        subprocess.run(["umount", "-l", place], check=True)


def fill_up(harness: ModuleType, place: Path) -> None:
    kept: dict[int, bytes] = {}
    data = harness.picture(1) * 40  # 77 kB
    with FrameStore(Job(place), harness.a_plan(60), reserve_bytes=500_000) as store:
        refused = 0
        for shot in range(1, 26):
            try:
                store.put(store.key(shot, 1, "wide"), data, FrameTimes())
                kept[shot] = data
            except FrameError:
                refused += 1
                store.miss(store.key(shot, 1, "wide"), FrameTimes(), "the disk is full")
        assert refused > 5 and len(kept) > 5
        (place / "ballast").unlink()
        store.put(store.key(26, 1, "wide"), data, FrameTimes())
    with FrameStore(Job(place), harness.a_plan(60)) as store:
        states = {row.key.shot: row.state for row in store.rows()}
        assert store.recovered.half == () and store.recovered.lost == ()
    assert {shot for shot, state in states.items() if state == "taken"} == {*kept, 26}
    assert len(states) == 26  # what was missed is written down too
