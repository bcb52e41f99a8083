"""A whole night, sped up: the written pot is executed, its cues go down a pty, and things are killed.

The rehearsal's printer executes the moves of the file faster than they would take and stands still as long
as the file says (a camera's pipeline cannot be sped up). The rehearsal's cameras write into every picture
when it was exposed, so that each kept frame can be held against where the machine was then. With
``age_s = 0`` in the rig 23 of 25 frames are stale: the test can fail.

``TWINLAPSE_NIGHT=full`` runs every layer with moves at 100 times their speed.
"""

from __future__ import annotations

import contextlib
import json
import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import cv2
import numpy as np
import pytest

from twinlapse.frames.journal import read_journal
from twinlapse.rehearsal.barcode import read_stamp
from twinlapse.rehearsal.http_camera import HttpCamera
from twinlapse.rehearsal.virtual_printer import VirtualPrinter
from twinlapse.rig import read_rig
from twinlapse.shots import cue_text, find_cue, read_plan

SAMPLE = Path(__file__).parents[2] / "sample_jobs" / "seedling_pot"
FULL = os.environ.get("TWINLAPSE_NIGHT") == "full"
SPEED, EVERY, DWELL_S = (100.0, "layer", 0.7) if FULL else (400.0, "{ layers = 10 }", 0.5)
RIG = """
[printer]
bed_mm = [220, 220]
height_mm = 250

[[camera]]
name = "wide"
mount = "frame"
source = "{wide}"
every = {every}
dwell_s = {dwell}
settle_s = 0.1
age_s = 0.15

[[camera]]
name = "nozzle"
mount = "toolhead"
source = "{nozzle}"
every = {every}
dwell_s = {dwell}
settle_s = 0.1
age_s = 0.15

[capture]
serial = "{port}"
"""


def a_view(printers: list[VirtualPrinter], seed: int) -> Callable[[float], np.ndarray]:
    """Return a scene that shifts with the machine, as a picture at a monotonic time."""
    noise = np.random.default_rng(seed).integers(0, 255, (240, 432, 3)).astype(np.uint8)
    still = cv2.GaussianBlur(noise, (0, 0), 4)

    def scene(mono_s: float) -> np.ndarray:
        x_mm, y_mm, _ = printers[0].place_at(mono_s) if printers else (0.0, 0.0, 0.0)
        return np.roll(still, (round(y_mm), round(x_mm)), axis=(0, 1))

    return scene


def call(*words: str | Path) -> str:
    done = subprocess.run(
        [sys.executable, "-m", "twinlapse", *map(str, words)], capture_output=True, text=True
    )
    assert done.returncode == 0, done.stderr
    return done.stdout


def start(job: Path) -> subprocess.Popen[str]:
    command = [sys.executable, "-m", "twinlapse", "capture", str(job), "--port", "0"]
    process = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
    assert process.stdout is not None and process.stdout.readline().startswith("ready")
    return process


def troubles(
    services: list[subprocess.Popen[str]], job: Path, fakes: dict[str, HttpCamera], last: int
) -> Callable[[str], None]:
    """Return what makes things go wrong on the way, called with every cue."""
    done: set[int] = set()

    def trouble(words: str) -> None:
        cue = find_cue(words)
        assert cue is not None
        if cue.shot in done or cue.stop != 1:
            return
        done.add(cue.shot)
        if cue.shot == last // 4:  # the service dies with a cue in its hands and is started again
            services[-1].send_signal(signal.SIGKILL)
            services[-1].communicate()
            threading.Thread(target=lambda: services.append(start(job))).start()
        elif cue.shot == last // 2:  # a camera drops its connections
            fakes["wide"].drop()
        elif cue.shot == 3 * last // 4:  # a camera hangs for a while
            fakes["nozzle"].hangs = True
        elif cue.shot == 3 * last // 4 + 1:
            fakes["nozzle"].hangs = False

    return trouble


def exposure_of(frame: Path) -> float:
    exposed_s = read_stamp(np.asarray(cv2.imread(str(frame)), dtype=np.uint8))
    assert exposed_s is not None
    return exposed_s


@pytest.fixture
def night() -> Iterator[contextlib.ExitStack]:
    with contextlib.ExitStack() as stack:
        yield stack


@pytest.mark.slow
def test_a_whole_night(tmp_path: Path, night: contextlib.ExitStack) -> None:
    printers: list[VirtualPrinter] = []
    fakes = {
        name: night.enter_context(HttpCamera(a_view(printers, n), fps=15, pipeline_s=0.06))
        for n, name in enumerate(("wide", "nozzle"))
    }
    job = tmp_path / "job"
    job.mkdir()
    port = tmp_path / "ttyPrinter"
    sources = {name: fake.stream for name, fake in fakes.items()}
    (job / "rig.toml").write_text(
        RIG.format(
            **sources, every=EVERY.replace("layer", '"layer"') if FULL else EVERY, dwell=DWELL_S, port=port
        )
    )
    call("plan", SAMPLE / "pot.gcode", "--rig", job / "rig.toml", "-o", job / "plan.json")
    call("inject", SAMPLE / "pot.gcode", "--plan", job / "plan.json", "-o", job / "filmed.gcode")
    (job / "original.gcode").write_bytes((SAMPLE / "pot.gcode").read_bytes())
    plan = read_plan(job / "plan.json")
    planned = {
        (shot.number, n, name)
        for shot in plan.shots
        for n, stop in enumerate(shot.stops, 1)
        for name in stop.cameras
    }
    printer = night.enter_context(
        VirtualPrinter(job / "filmed.gcode", read_rig(job / "rig.toml"), speed=SPEED)
    )
    printers.append(printer)
    port.symlink_to(printer.port)
    services = [start(job)]
    printer.start(troubles(services, job, fakes, len(plan.shots)))
    assert printer.done.wait(printer.lasts_s + 60)
    time.sleep(0.3)
    services[-1].send_signal(signal.SIGTERM)
    services[-1].communicate(timeout=20)

    rows = {
        (row.key.shot, row.key.stop, row.key.camera): row
        for row in read_journal(job / "journal.db", plan.original_sha256)
    }
    said_s = {words: at_s for at_s, words in printer.said}
    stands = {(standing.cue.shot, standing.cue.stop): standing for standing in printer.stands}
    taken = [row for row in rows.values() if row.state in ("taken", "adopted")]
    stale = elsewhere = 0
    for row in taken:
        standing = stands[row.key.shot, row.key.stop]
        exposed_s = exposure_of(job / "frames" / row.file)
        stale += exposed_s < said_s[cue_text(standing.cue)]
        elsewhere += printer.place_at(exposed_s) != pytest.approx(standing.nozzle_mm, abs=0.001)
    missed = [f"{s}.{n} {c} ({row.note})" for (s, n, c), row in rows.items() if row.state == "missed"]
    report = {
        "planned": len(planned),
        "taken": len(taken),
        "stale": stale,
        "elsewhere": elsewhere,
        "missed": sorted(missed),
    }
    print(json.dumps(report, indent=1))
    assert stale == elsewhere == 0
    assert set(rows) == planned  # every frame is there or written down as missed
    assert len(taken) >= len(planned) - 8  # three troubles cost a few frames and no more
    assert len(list((job / "frames").rglob("*.jpg"))) == len(taken)
    call("render", job, "-o", tmp_path / "pot.mp4", "--preview")
    assert (tmp_path / "pot.mp4").stat().st_size > 10_000
