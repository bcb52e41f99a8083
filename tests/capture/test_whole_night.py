"""A whole night, sped up: the written pot is executed, its cues go down a pty, and things are killed.

A virtual printer executes the moves of the file faster than they would take and stands still as long as the
file says (a camera's pipeline cannot be sped up). Cameras write into every picture when it was exposed and
where the machine stood, so that each kept frame can be held against its shot.

``TWINLAPSE_NIGHT=full`` runs every layer with moves at 100 times their speed.
"""

from __future__ import annotations

import io
import json
import os
import pty
import re
import signal
import subprocess
import sys
import threading
import time
import tty
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image, ImageFilter

from twinlapse.frames.journal import read_journal
from twinlapse.gcode import read_toolpath, row_before_line
from twinlapse.gcode.toolpath import Kind
from twinlapse.motion import time_toolpath
from twinlapse.rig import read_rig
from twinlapse.shots import find_cue, read_plan

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
mount = "head"
source = "{nozzle}"
every = {every}
dwell_s = {dwell}
settle_s = 0.1
age_s = 0.15

[capture]
serial = "{port}"
"""


class VirtualPrinter:
    """Executes a written file line by line and says on its serial line what the file tells it to say."""

    def __init__(self, gcode: Path, rig: Path, port: Path) -> None:
        self.standing = ""  # "12.1" while the machine stands for that stop
        self.said: list[tuple[str, float]] = []
        self._lines = gcode.read_text().splitlines()
        self._path = read_toolpath(gcode)
        end_s = time_toolpath(self._path, read_rig(rig).printer).end_s
        steps = np.diff(end_s, prepend=0.0)
        steps[self._path.kind == Kind.DWELL] = 0.0
        self._moving_s = np.cumsum(steps)
        self._master, slave = pty.openpty()
        tty.setraw(slave)
        port.symlink_to(os.ttyname(slave))

    def run(self, before: Callable[[str], None]) -> None:
        done_s = 0.0
        for number, line in enumerate(self._lines, 1):
            if not line.startswith(("M118", "G4")):
                continue
            row = row_before_line(self._path, number)
            at_s = float(self._moving_s[row]) if row >= 0 else 0.0
            if at_s > done_s:
                self.standing = ""
                time.sleep((at_s - done_s) / SPEED)
                done_s = at_s
            if line.startswith("G4"):
                time.sleep(float(re.search(r"P(\d+)", line)[1]) / 1000)  # type: ignore[index]
                continue
            cue = find_cue(line)
            assert cue is not None
            self.standing = f"{cue.shot}.{cue.stop}"
            before(self.standing)
            self.said.append((self.standing, time.monotonic()))
            os.write(self._master, f"ok T:215.0\n//action:{line[8:]}\nok\n".encode())
        self.standing = ""


def a_view(seed: int) -> bytes:
    dice = np.random.default_rng(seed)
    picture = Image.fromarray(dice.integers(0, 255, (240, 320, 3), dtype=np.uint8).astype(np.uint8))
    target = io.BytesIO()
    picture.filter(ImageFilter.GaussianBlur(4)).save(target, "JPEG", quality=85)
    return target.getvalue()


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


@pytest.mark.slow
def test_a_whole_night(tmp_path: Path, cameras: Any) -> None:
    fakes = {
        name: cameras(fps=15, pipeline_s=0.06, jpeg=a_view(n)) for n, name in enumerate(("wide", "nozzle"))
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
    printer = VirtualPrinter(job / "filmed.gcode", job / "rig.toml", port)
    for fake in fakes.values():
        fake.mark = lambda: f"at={printer.standing} "
    services = [start(job)]
    last = len(plan.shots)
    harmed: set[int] = set()

    def trouble(stop: str) -> None:
        """What goes wrong on the way, by the number of the shot at hand."""
        shot = int(stop.split(".")[0])
        if shot in harmed or not stop.endswith(".1"):
            return
        harmed.add(shot)
        if shot == last // 4:  # the service dies and is started again
            services[-1].send_signal(signal.SIGKILL)
            services[-1].communicate()
            threading.Thread(target=lambda: services.append(start(job))).start()
        elif shot == last // 2:  # a camera drops its connections
            fakes["wide"].drop_clients()
        elif shot == 3 * last // 4:  # a camera hangs for a while
            fakes["nozzle"].hanging = True
        elif shot == 3 * last // 4 + 1:
            fakes["nozzle"].hanging = False

    printer.run(trouble)
    time.sleep(0.3)
    services[-1].send_signal(signal.SIGTERM)
    services[-1].communicate(timeout=20)

    rows = {
        (row.key.shot, row.key.stop, row.key.camera): row
        for row in read_journal(job / "journal.db", plan.gcode_sha256)
    }
    said = dict(printer.said)
    taken = [row for row in rows.values() if row.state in ("taken", "adopted")]
    stale = 0
    for row in taken:
        data = (job / "frames" / row.file).read_bytes()
        found = re.search(rb"exposed=([\d.]+) at=([\d.]*) ", data)
        assert found is not None
        stop = f"{row.key.shot}.{row.key.stop}"
        stale += found[2].decode() != stop or float(found[1]) < said[stop]
    missed = [f"{s}.{n} {c} ({row.note})" for (s, n, c), row in rows.items() if row.state == "missed"]
    report = {"planned": len(planned), "taken": len(taken), "stale": stale, "missed": sorted(missed)}
    print(json.dumps(report, indent=1))
    assert stale == 0
    assert set(rows) == planned  # every frame is there or written down as missed
    assert len(taken) >= len(planned) - 8  # three troubles cost a few frames and no more
    assert len(list((job / "frames").rglob("*.jpg"))) == len(taken)
    call("render", job, "-o", tmp_path / "pot.mp4", "--preview")
    assert (tmp_path / "pot.mp4").stat().st_size > 10_000
