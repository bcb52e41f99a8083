"""What the capture service takes of a small board: memory, processor, time to start, time of a cue.

``python tests/bench/capture_load.py [seconds]`` runs the service for a minute with two MJPEG streams of
640x480 at 15 pictures a second, of 80 kB each, and a shot every 2 s. Cameras and cues live in other
processes. Linux only: the figures are those of /proc.
"""

from __future__ import annotations

import json
import multiprocessing
import os
import socket
import statistics
import subprocess
import sys
import tempfile
import time
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from twinlapse.rehearsal.http_camera import HttpCamera
from twinlapse.shots import Plan, Shot, Stop, write_plan

RIG = """
[printer]
bed_mm = [220, 220]
height_mm = 250

[[camera]]
name = "wide"
mount = "frame"
source = "{0}"
age_s = 0.15

[[camera]]
name = "nozzle"
mount = "toolhead"
source = "{1}"
age_s = 0.15
"""


def cameras(told: Connection) -> None:
    """Serve two streams until the parent ends."""
    dice = np.random.default_rng(1)
    noise = dice.integers(0, 255, (480, 640, 3)).astype(np.uint8)
    grain = cv2.GaussianBlur(noise, (0, 0), 1.2)
    made = [HttpCamera(lambda now_s: np.roll(grain, int(60 * now_s) % 640, axis=1), fps=15) for _ in range(2)]
    told.send([camera.stream for camera in made])
    told.send(len(made[0].newest(after=2)[1]))
    told.recv()


def a_plan(shots: int) -> Plan:
    """Return a plan of shots of both cameras."""
    stop = Stop(cameras=("wide", "nozzle"), x_mm=0, y_mm=0, z_mm=1, dwell_s=1, stance="clear")
    rest: dict[str, Any] = {
        "after_line": 1,
        "byte": 0,
        "layer": 0,
        "z_mm": 0.2,
        "cost_s": 2.0,
        "retract": "none",
    }
    pull: dict[str, Any] = {"retract_mm": 0.0, "retract_mm_s": 0.0, "lift_mm": 0.0}
    made = tuple(Shot(number=n, stops=(stop,), at_s=2.0 * n, **rest, **pull) for n in range(1, shots + 1))
    return Plan(
        original_sha256="ab" * 32, rig={}, shots=made, print_s=1, cost_s=1, film_s=1, layer_count=shots
    )


def cue(path: Path, shot: int) -> float:
    """Ask for a shot over the socket; return how long the answer took."""
    body = json.dumps({"shot": shot, "stop": 1}).encode()
    began_s = time.monotonic()
    with socket.socket(socket.AF_UNIX) as line:
        line.connect(str(path))
        head = (
            "POST /cue HTTP/1.1\r\nHost: localhost\r\nContent-Type: application/json\r\nConnection: close\r\n"
        )
        line.sendall(f"{head}Content-Length: {len(body)}\r\n\r\n".encode() + body)
        answer = b""
        while piece := line.recv(65536):
            answer += piece
    assert answer.count(b'"taken"') == 2, answer
    return time.monotonic() - began_s


def processor_s(pid: int) -> float:
    """Return the processor time of a process."""
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def memory_mb(pid: int, key: str) -> float:
    """Return a figure of memory of a process."""
    status = Path(f"/proc/{pid}/status").read_text()
    return next(int(line.split()[1]) for line in status.splitlines() if line.startswith(key)) / 1024


def main() -> None:
    """Print the figures."""
    seconds = float(sys.argv[1]) if len(sys.argv) > 1 else 60.0
    here, there = multiprocessing.Pipe()
    child = multiprocessing.get_context("spawn").Process(target=cameras, args=(there,), daemon=True)
    child.start()
    sources, size = here.recv(), here.recv()
    with tempfile.TemporaryDirectory() as folder:
        job = Path(folder)
        (job / "rig.toml").write_text(RIG.format(*sources))
        write_plan(job / "plan.json", a_plan(int(seconds)))
        command = [sys.executable, "-m", "twinlapse", "capture", folder, "--port", "0"]
        began_s = time.monotonic()
        service = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
        assert service.stdout is not None
        service.stdout.readline()
        ready_s = time.monotonic() - began_s
        time.sleep(2)
        used_s, from_s = processor_s(service.pid), time.monotonic()
        took_s: list[float] = []
        while time.monotonic() < from_s + seconds:
            took_s.append(cue(job / "capture.sock", len(took_s) + 1))
            time.sleep(2 - took_s[-1])
        share = (processor_s(service.pid) - used_s) / (time.monotonic() - from_s)
        now_mb, most_mb = memory_mb(service.pid, "VmRSS"), memory_mb(service.pid, "VmHWM")
        print(f"pictures of {size / 1000:.0f} kB, {len(took_s)} shots; ready after {ready_s:.2f} s")
        print(f"memory {now_mb:.1f} MB, at most {most_mb:.1f} MB; processor {100 * share:.1f} % of a core")
        print(f"a cue {statistics.median(took_s):.3f} s")
        service.terminate()
        service.communicate(timeout=20)
    here.send("end")
    child.join(5)


if __name__ == "__main__":
    main()
