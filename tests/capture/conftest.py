"""Cameras for tests: each writes the time of its exposure into a comment segment of its pictures."""

from __future__ import annotations

import contextlib
import importlib.util
import io
import random
import re
import socket
import struct
import threading
import time
from collections.abc import Callable, Iterator
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest
from PIL import Image, ImageDraw

from twinlapse.shots import Plan, Shot, Stop


def make_jpeg(size: tuple[int, int] = (64, 48), grey: int = 128) -> bytes:
    picture = Image.new("RGB", size, (grey, grey, grey))
    ImageDraw.Draw(picture).rectangle((8, 8, 24, 24), fill=(grey // 2, 40, 30))
    target = io.BytesIO()
    picture.save(target, "JPEG", quality=80)
    return target.getvalue()


def stamp(jpeg: bytes, exposed_s: float, mark: str = "") -> bytes:
    """Write a time into a comment segment right after the start of the image."""
    text = f"exposed={exposed_s:.6f} {mark}".encode()
    return jpeg[:2] + b"\xff\xfe" + struct.pack(">H", len(text) + 2) + text + jpeg[2:]


def read_stamp(jpeg: bytes) -> float:
    found = re.search(rb"exposed=(\d+\.\d+)", jpeg)
    assert found, "no time in the picture"
    return float(found[1])


class FakeCamera:
    """Exposes `fps` pictures a second; each comes out `pipeline_s` after its exposure began."""

    def __init__(
        self, fps: float, pipeline_s: float, *, length: bool = True, jpeg: bytes | None = None
    ) -> None:
        self.period_s, self.pipeline_s, self.length = 1 / fps, pipeline_s, length
        self.jpeg = jpeg or make_jpeg()
        self.frozen = self.hanging = False
        self.mark: Callable[[], str] = lambda: ""  # what else is written into a picture as it is exposed
        self.redirect = ""
        self._queue: list[tuple[float, bytes]] = []
        self._news = threading.Condition()
        self._ready: tuple[int, bytes] = (0, b"")
        self._stop = threading.Event()
        self.requests = 0
        camera = self

        class Handler(BaseHTTPRequestHandler):
            def log_message(self, *_: Any) -> None:
                pass

            def do_GET(self) -> None:
                camera.requests += 1
                with contextlib.suppress(OSError):
                    camera._answer(self)

        class Server(ThreadingHTTPServer):
            daemon_threads = True
            block_on_close = False

            def handle_error(self, *_: Any) -> None:
                pass

        self._server = Server(("127.0.0.1", 0), Handler)
        self.port = self._server.server_address[1]
        self._threads = [
            threading.Thread(target=self._server.serve_forever, kwargs={"poll_interval": 0.05}, daemon=True),
            threading.Thread(target=self._expose, daemon=True),
        ]
        self._clients: list[socket.socket] = []
        for thread in self._threads:
            thread.start()

    @property
    def age_s(self) -> float:
        """The budget: the pipeline and one period (and what a busy machine adds)."""
        return self.pipeline_s + self.period_s + 0.02

    @property
    def stream(self) -> str:
        return f"http://127.0.0.1:{self.port}/stream"

    @property
    def still(self) -> str:
        return f"still:http://127.0.0.1:{self.port}/still"

    def newest(self, after: int, timeout_s: float = 5.0) -> tuple[int, bytes]:
        with self._news:
            self._news.wait_for(lambda: self._ready[0] > after or self._stop.is_set(), timeout_s)
            return self._ready

    def drop_clients(self) -> None:
        for client in self._clients:
            with contextlib.suppress(OSError):
                client.shutdown(socket.SHUT_RDWR)
        self._clients.clear()

    def close(self) -> None:
        self._stop.set()
        with self._news:
            self._news.notify_all()
        self.drop_clients()
        self._server.shutdown()
        self._server.server_close()
        for thread in self._threads:
            thread.join(timeout=2)

    def _expose(self) -> None:
        due = time.monotonic()
        last = b""
        while not self._stop.is_set():
            now = time.monotonic()
            if now >= due:
                last = last if self.frozen and last else stamp(self.jpeg, now, self.mark())
                self._queue.append((now + self.pipeline_s, last))
                due = max(due + self.period_s, now)
            while self._queue and self._queue[0][0] <= now:
                with self._news:
                    self._ready = (self._ready[0] + 1, self._queue.pop(0)[1])
                    self._news.notify_all()
            wake = min([due, *(at for at, _ in self._queue[:1])])
            self._stop.wait(max(0.0, wake - time.monotonic()))

    def _answer(self, handler: BaseHTTPRequestHandler) -> None:
        if self.redirect:
            handler.send_response(302)
            handler.send_header("Location", self.redirect)
            handler.end_headers()
            return
        if handler.path.startswith("/still"):
            data = self.newest(0)[1]
            handler.send_response(200)
            handler.send_header("Content-Type", "image/jpeg")
            handler.send_header("Content-Length", str(len(data)))
            handler.end_headers()
            handler.wfile.write(data)
            return
        self._clients.append(handler.connection)
        handler.send_response(200)
        handler.send_header("Content-Type", "multipart/x-mixed-replace; boundary=gardenclub")
        handler.end_headers()
        number = 0
        while not self._stop.is_set():
            number, data = self.newest(number)
            while self.hanging and not self._stop.is_set():
                time.sleep(0.02)
            length = b"Content-Length: %d\r\n" % len(data) if self.length else b""
            head = b"--gardenclub\r\nContent-Type: image/jpeg\r\n" + length + b"\r\n"
            handler.wfile.write(head + data + b"\r\n")


@pytest.fixture
def cameras() -> Iterator[Callable[..., FakeCamera]]:
    """A maker of HTTP cameras, which all end with the test."""
    made: list[FakeCamera] = []

    def make(fps: float = 30.0, pipeline_s: float = 0.02, **options: Any) -> FakeCamera:
        made.append(FakeCamera(fps, pipeline_s, **options))
        return made[-1]

    yield make
    for camera in made:
        camera.close()


class FolderWriter:
    """Writes stamped pictures into a folder, slowly and in two halves, like a program that does not care."""

    def __init__(self, folder: Path, fps: float) -> None:
        self._folder, self._period_s = folder, 1 / fps
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def _run(self) -> None:
        jpeg, number = make_jpeg(), 0
        while not self._stop.wait(self._period_s / 2):
            number += 1
            data = stamp(jpeg, time.monotonic())
            with (self._folder / f"{number:05d}.jpg").open("wb", buffering=0) as file:
                file.write(data[: len(data) // 2])
                self._stop.wait(self._period_s / 2)
                file.write(data[len(data) // 2 :])

    def close(self) -> None:
        self._stop.set()
        self._thread.join(timeout=2)


@pytest.fixture
def folder_writers() -> Iterator[Callable[..., FolderWriter]]:
    """A maker of programs that write pictures into a folder."""
    made: list[FolderWriter] = []

    def make(folder: Path, fps: float = 20.0) -> FolderWriter:
        made.append(FolderWriter(folder, fps))
        return made[-1]

    yield make
    for writer in made:
        writer.close()


def beside(name: str) -> ModuleType:
    """Return a module that lies beside this file."""
    spec = importlib.util.spec_from_file_location(name, Path(__file__).with_name(f"{name}.py"))
    assert spec and spec.loader
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="session")
def video_devices() -> ModuleType:
    """Drivers: FakeDevice and LiveDevice."""
    return beside("video_device")


@pytest.fixture
def rtsp_cameras() -> Iterator[Callable[..., Any]]:
    """A maker of RTSP cameras, which all end with the test; their pictures carry their time as squares."""
    pytest.importorskip("av")
    from twinlapse.rehearsal.http_camera import HttpCamera, grey_scene

    made: list[Any] = []

    def make(fps: float = 20.0, pipeline_s: float = 0.02) -> Any:
        camera = HttpCamera(lambda now_s: grey_scene(now_s, (416, 240)), fps=fps, pipeline_s=pipeline_s)
        made.append(beside("rtsp_camera").RtspCamera(camera))
        return made[-1]

    yield make
    for camera in made:
        camera.close()
        camera.camera.close()


@pytest.fixture
def jpeg() -> Callable[..., bytes]:
    return make_jpeg


@pytest.fixture
def stamps() -> Any:
    """``stamps.write`` and ``stamps.read`` the exposure time of a picture."""

    class Stamps:
        write = staticmethod(stamp)
        read = staticmethod(read_stamp)

    return Stamps


@pytest.fixture
def a_plan() -> Callable[..., Plan]:
    """A maker of plans: every shot one stop for wide and one for nozzle, or one for both."""

    def make(shots: int = 5, *, together: bool = True, dwell_s: float = 1.0, gap_s: float = 10.0) -> Plan:
        place = {"x_mm": 0.0, "y_mm": 0.0, "z_mm": 1.0, "dwell_s": dwell_s, "stance": "clear"}
        groups = [("wide", "nozzle")] if together else [("wide",), ("nozzle",)]
        stops = tuple(Stop(cameras=group, **place) for group in groups)
        rest = {"after_line": 1, "byte": 0, "layer": 0, "z_mm": 0.2, "cost_s": 2.0 * len(stops)}
        pull = {"retract": "none", "retract_mm": 0.0, "retract_mm_s": 0.0, "lift_mm": 0.0}
        made = tuple(Shot(number=n, stops=stops, at_s=gap_s * n, **rest, **pull) for n in range(1, shots + 1))
        return Plan(
            original_sha256="ab" * 32,
            rig={},
            shots=made,
            print_s=gap_s * (shots + 1),
            cost_s=2.0 * shots,
            film_s=1.0,
            layer_count=shots,
        )

    return make


@pytest.fixture
def dice() -> random.Random:
    return random.Random(20_260_401)
