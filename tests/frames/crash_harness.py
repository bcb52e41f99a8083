"""Writes frames until it is killed, saying what it has promised; run as a program by test_store_crashes.py.

``python crash_harness.py STORE FOLDER`` prints "SHOT SHA256" for every acknowledged frame. ``store`` is
the one under test. Two controls lose, to show that the harness can find it: ``manifest`` rewrites one list of
all frames in place; ``unsynced`` is the store itself, but nothing is flushed.
"""

from __future__ import annotations

import functools
import hashlib
import json
import os
import signal
import sqlite3
import sys
import time
from collections.abc import Callable
from pathlib import Path

from twinlapse.frames.job import Job
from twinlapse.frames.journal import FrameTimes
from twinlapse.frames.store import FrameStore
from twinlapse.shots import Plan, Shot, Stop

SHOTS = 1600


@functools.cache
def a_plan(shots: int = SHOTS) -> Plan:
    stops = (Stop(cameras=("wide",), x_mm=0, y_mm=0, z_mm=1, dwell_s=1, stance="clear"),)
    rest = {
        "after_line": 1,
        "byte": 0,
        "layer": 0,
        "z_mm": 0.2,
        "at_s": 0.0,
        "cost_s": 1.0,
        "retract": "none",
    }
    pull = {"retract_mm": 0.0, "retract_mm_s": 0.0, "lift_mm": 0.0}
    made = tuple(Shot(number=n, stops=stops, **rest, **pull) for n in range(1, shots + 1))
    return Plan(original_sha256="c" * 64, rig={}, shots=made, print_s=1, cost_s=1, film_s=1, layer_count=1)


def picture(shot: int) -> bytes:
    return b"\xff\xd8\xff" + hashlib.sha256(b"%d" % shot).digest() * 60 + b"\xff\xd9"


class Manifest:
    """A control: one JSON file, written anew for every frame, nothing flushed."""

    def __init__(self, folder: Path) -> None:
        self.file = folder / "frames.json"
        self.folder = folder
        self.rows: dict[str, str] = {}
        if self.file.exists():
            try:
                self.rows = json.loads(self.file.read_text())
            except ValueError:
                self.rows = {}

    def put(self, shot: int, data: bytes) -> None:
        (self.folder / f"{shot}.jpg").write_bytes(data)
        self.rows[str(shot)] = hashlib.sha256(data).hexdigest()
        self.file.write_text(json.dumps(self.rows))


def opened(kind: str, folder: Path, shots: int = SHOTS) -> tuple[Callable[[int, bytes], None], int]:
    """Return what keeps a frame, and the first free shot."""
    if kind == "manifest":
        manifest = Manifest(folder)
        return manifest.put, 1 + max(map(int, manifest.rows), default=0)
    if kind == "unsynced":
        os.fsync = lambda _: None
    store = FrameStore(Job(folder), a_plan(shots))
    if kind == "unsynced":
        store.journal._db.execute("PRAGMA synchronous=NORMAL")

    def put(shot: int, data: bytes) -> None:
        store.put(store.key(shot, 1, "wide"), data, FrameTimes())

    return put, 1 + max((row.key.shot for row in store.rows()), default=0)


def found(kind: str, folder: Path, shots: int = SHOTS) -> dict[int, str]:
    """Return shot and hash of what a reader sees after a crash; half frames are an error."""
    if kind == "manifest":
        rows = {int(shot): digest for shot, digest in Manifest(folder).rows.items()}
        whole = {n: (folder / f"{n}.jpg") for n in rows}
        return {n: rows[n] for n, path in whole.items() if path.exists() and digest_of(path) == rows[n]}
    with FrameStore(Job(folder), a_plan(shots)) as store:
        visible = sorted((folder / "frames").glob("*/*"))
        assert all(path.read_bytes() == picture(int(path.stem)) for path in visible), (
            "a half frame is visible"
        )
        return {row.key.shot: row.sha256 for row in store.rows() if row.state != "lost"}


def digest_of(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()


def write(kind: str, folder: Path, pause_s: float, shots: int = SHOTS) -> None:
    put, shot = opened(kind, folder, shots)
    while shot < shots:
        data = picture(shot)
        try:
            put(shot, data)
        except sqlite3.Error:
            continue
        os.write(1, f"{shot} {hashlib.sha256(data).hexdigest()}\n".encode())
        shot += 1
        time.sleep(pause_s)


def kill_many(kind: str, folder: Path, kills: int, seed: int) -> dict[str, int]:
    """Fork a writer, kill it at a random moment, look; again and again."""
    import random

    dice = random.Random(seed)
    a_plan(600)  # built once, before the forks
    counts = {"kills": 0, "acknowledged": 0, "lost": 0}
    for number in range(kills):
        place = folder / str(number // 30)  # a new folder now and then keeps the looking quick
        place.mkdir(exist_ok=True)
        reading, writing = os.pipe()
        child = os.fork()
        if child == 0:
            os.dup2(writing, 1)
            write(kind, place, 0.0, 600)
            os._exit(0)
        os.close(writing)
        first = os.read(reading, 65536)
        time.sleep(dice.uniform(0, 0.012))
        os.kill(child, signal.SIGKILL)
        os.waitpid(child, 0)
        told = first
        while piece := os.read(reading, 65536):
            told += piece
        os.close(reading)
        promised = dict(line.split() for line in told.decode().splitlines())
        seen = found(kind, place, 600)
        counts["kills"] += 1
        counts["acknowledged"] += len(promised)
        counts["lost"] += sum(seen.get(int(shot)) != digest for shot, digest in promised.items())
    return counts


if __name__ == "__main__":
    if sys.argv[1] == "kill":
        print(json.dumps(kill_many(sys.argv[2], Path(sys.argv[3]), int(sys.argv[4]), 7)))
    else:
        write(sys.argv[1], Path(sys.argv[2]), 0.001)
