"""How long a cue waits for its frame: service idle, while it renders a film, while a stranger renders one.

A service runs as a process of its own with one HTTP camera; the sender of this script asks for shots over the
service's local socket and takes both times itself. Phases alternate, so that whatever else the machine does
falls on all of them alike. The third phase is the control: the same film, rendered by a process that the
service does not know of, at normal priority and never halted.

    python tests/bench/cue_latency.py [--cues 8] [--rounds 3]
"""

from __future__ import annotations

import argparse
import http.client
import json
import os
import random
import socket
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

import numpy as np
from PIL import Image

sys.path.insert(0, str(Path(__file__).parents[1] / "serve"))

from printing import Printer, camera, plan_of, rig_text

PERIOD_S = 3.5
FILM_FRAMES = 120


class Local(http.client.HTTPConnection):
    """HTTP over the service's own socket."""

    def __init__(self, path: Path) -> None:
        super().__init__("127.0.0.1", timeout=60)
        self._path = path

    def connect(self) -> None:
        self.sock = socket.socket(socket.AF_UNIX)
        self.sock.settimeout(60)
        self.sock.connect(str(self._path))

    def ask(self, path: str, body: Any = None) -> Any:
        data = None if body is None else json.dumps(body)
        self.request("GET" if data is None else "POST", path, data, {"Content-Type": "application/json"})
        said = json.loads(self.getresponse().read())
        self.close()  # an idle connection is dropped by the service
        return said


def add_film(printer: Printer, rig: str) -> tuple[str, Path]:
    """Make a job whose film takes a while: pictures with detail that wanders by fractions of a pixel."""
    code = printer.add(plan_of("film", FILM_FRAMES))
    folder = printer.workspace.job(code).folder
    (folder / "rig.toml").write_text(rig)
    (folder / "frames" / "wide").mkdir(parents=True)
    rng = np.random.default_rng(1)
    scene = np.kron(rng.integers(30, 220, (60, 80, 3)), np.ones((20, 20, 1))).astype(np.uint8)
    for k in range(FILM_FRAMES):
        shifted = np.roll(scene, (int(rng.integers(0, 4)), int(rng.integers(0, 4))), (0, 1))
        Image.fromarray(shifted).save(folder / "frames" / "wide" / f"{k + 1:06d}.jpg", quality=85)
    printer.workspace.change(code, state="done")
    return code, folder


def measure(cues: int, rounds: int) -> dict[str, list[float]]:
    """Return the seconds from asking to the answer, by phase."""
    found: dict[str, list[float]] = {"idle": [], "film": [], "stranger": []}
    rng = random.Random(3)
    with tempfile.TemporaryDirectory() as name, camera() as source:
        board = Path(name) / "board"
        rig = rig_text(source)
        printer = Printer(board, "shed", rig)
        film, folder = add_film(printer, rig)
        shots = 400
        code = printer.add(plan_of("print", shots, gap_s=PERIOD_S - 1.0))
        service = subprocess.Popen(
            [sys.executable, "-m", "twinlapse", "serve", str(board), "--port", "0"],
            stdout=subprocess.PIPE, text=True,
        )  # fmt: skip
        assert service.stdout is not None and service.stdout.readline().startswith("ready")
        line = Local(board / "serve.sock")
        stranger: subprocess.Popen[bytes] | None = None
        shot = 0

        def cue() -> float:
            nonlocal shot
            shot += 1
            began_s = time.monotonic()
            said = line.ask("/line", {"printer": "shed", "line": f"twinlapse cue {shot}.1 wide {code}"})
            assert said["meaning"] == "cue", said
            return time.monotonic() - began_s

        def wait(began_s: float) -> None:
            time.sleep(max(0.0, began_s + PERIOD_S + rng.uniform(-0.2, 0.2) - time.monotonic()))

        try:
            line.ask("/line", {"printer": "shed", "line": f"twinlapse begin {code}"})
            time.sleep(2.0)
            for _ in range(3):  # the pace is learnt
                began_s = time.monotonic()
                cue()
                wait(began_s)
            for _ in range(rounds):
                for phase in rng.sample(sorted(found), 3):
                    for _ in range(cues):
                        if phase == "film" and not line.ask("/state")["working"]:
                            line.ask(f"/jobs/{film}/render", {})
                        if phase == "stranger" and (stranger is None or stranger.poll() is not None):
                            words = ["render", str(folder), "-o", f"{name}/stranger.mp4"]
                            stranger = subprocess.Popen(
                                [sys.executable, "-m", "twinlapse", *words],
                                stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, process_group=0,
                            )  # fmt: skip
                        began_s = time.monotonic()
                        wait(began_s)
                        found[phase].append(cue())
                    if stranger is not None and stranger.poll() is None:
                        os.killpg(stranger.pid, 9)
                        stranger.wait()
                    while line.ask("/state")["working"] and shot < shots:  # not counted
                        wait(time.monotonic())
                        cue()
        finally:
            service.terminate()
            service.wait(60)
            service.stdout.close()
        said = f"{shot} cues in all"
        print(said, file=sys.stderr)
    return found


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--cues", type=int, default=8)
    parser.add_argument("--rounds", type=int, default=3)
    options = parser.parse_args()
    found = measure(options.cues, options.rounds)
    print(f"load {os.getloadavg()[0]:.1f}, {os.cpu_count()} cores")
    for phase, seconds in found.items():
        median, worst = statistics.median(seconds), max(seconds)
        print(f"{phase:9} {len(seconds)} cues: median {median:.3f} s, most {worst:.3f} s")


if __name__ == "__main__":
    main()
