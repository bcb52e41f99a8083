"""A small print, a rig with cameras on this machine, and the service as a process of its own."""

from __future__ import annotations

import json
import socket
import subprocess
import sys
import time
import urllib.request
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

RIG = """
[printer]
bed_mm = [120, 120]
height_mm = 100

[[camera]]
name = "wide"
mount = "frame"
source = "{wide}"
every = "layer"
age_s = 0.3

[[camera]]
name = "nozzle"
mount = "toolhead"
source = "{nozzle}"
every = "layer"
age_s = 0.3

[capture]
serial = "{serial}"
send_folder = "{folder}"
"""


def plant_label(layers: int = 4) -> str:
    """Return a sliced plant label for the garden club: a few layers of a 20 mm square."""
    lines = ["G21", "G90", "M83", "G28", "G1 Z5 F600"]
    for index in range(layers):
        lines += [f";LAYER:{index}", "G1 E-1 F2100", f"G1 Z{0.3 * (index + 1):.2f} F600"]
        lines += ["G0 X50 Y50 F9000", "G1 E1 F2100"]
        for x, y in ((70, 50), (70, 70), (50, 70), (50, 50)):
            lines.append(f"G1 X{x} Y{y} E0.8 F1800")
        lines += [f"G1 X{52 + index} Y68 E0.6", "G1 X68 Y52 E0.7"]
    return "\n".join([*lines, "G1 E-1 F2100", "G1 Z30 F600", "M84", ""])


@pytest.fixture
def label() -> Callable[[int], str]:
    """A maker of the sliced plant label."""
    return plant_label


@pytest.fixture
def rig_text(tmp_path: Path) -> Iterator[str]:
    """A rig with two cameras that serve on this machine; files go to ``card``, lines come from ``port``."""
    from twinlapse.rehearsal.http_camera import HttpCamera

    (tmp_path / "card").mkdir()
    with HttpCamera() as wide, HttpCamera() as nozzle:
        yield RIG.format(
            wide=wide.stream, nozzle=nozzle.stream, serial=tmp_path / "port", folder=tmp_path / "card"
        )


class Service:
    """``twinlapse serve`` on a free port, spoken to by HTTP."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        with socket.create_server(("127.0.0.1", 0)) as free:
            self.port = free.getsockname()[1]
        self.address = f"http://127.0.0.1:{self.port}"
        self.process: subprocess.Popen[str] | None = None

    def start(self, *options: str) -> None:
        words = ["serve", str(self.folder), "--port", str(self.port), *options]
        self.process = subprocess.Popen(
            [sys.executable, "-m", "twinlapse", *words],
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
        )
        assert self.process.stdout is not None
        said = self.process.stdout.readline()
        assert said.startswith("ready"), said

    def kill(self) -> None:
        assert self.process is not None
        self.process.kill()
        self._wait()

    def stop(self) -> None:
        if self.process is not None and self.process.poll() is None:
            self.process.terminate()
            self._wait()

    def _wait(self) -> None:
        assert self.process is not None and self.process.stdout is not None
        self.process.wait(30)
        self.process.stdout.close()

    def ask(self, path: str, body: Any = None, **headers: str) -> Any:
        data = body if isinstance(body, bytes) or body is None else json.dumps(body).encode()
        kind = "application/octet-stream" if isinstance(body, bytes) else "application/json"
        request = urllib.request.Request(self.address + path, data, {"Content-Type": kind, **headers})
        with urllib.request.urlopen(request, timeout=30) as answer:
            return json.load(answer)

    def until(self, holds: Callable[[Any], bool], seconds: float = 90.0) -> Any:
        end = time.monotonic() + seconds
        while True:
            state = self.ask("/state")
            if holds(state):
                return state
            assert time.monotonic() < end, json.dumps(state)[:2000]
            time.sleep(0.2)


@pytest.fixture
def make_service(tmp_path: Path) -> Iterator[Callable[..., Service]]:
    """Make a service with one printer, "shed", from the text of its rig."""
    made: list[Service] = []

    def make(rig: str) -> Service:
        folder = tmp_path / "board"
        (folder / "printers" / "shed").mkdir(parents=True)
        (folder / "printers" / "shed" / "rig.toml").write_text(rig)
        made.append(Service(folder))
        return made[-1]

    yield make
    for service in made:
        service.stop()
