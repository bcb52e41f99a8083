"""A camera on the network for rehearsing the capture: a stream and stills, each picture telling its own time.

``/stream`` is ``multipart/x-mixed-replace`` (RFC 2046, section 5.1, as cameras use it), ``/still`` gives the
newest JPEG. A picture is exposed every 1/fps s and comes out of the camera `pipeline_s` later. Its time of
exposure, by the monotonic clock, is written into it by `barcode.stamp`.
"""

from __future__ import annotations

import contextlib
import socket
import threading
import time
from collections import deque
from collections.abc import Callable
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer

import numpy as np

from twinlapse.arrays import Picture
from twinlapse.rehearsal.barcode import stamp

__all__ = ["HttpCamera", "PictureAt", "grey_scene"]

PictureAt = Callable[[float], Picture]  # what is before the camera at a monotonic time, (h, w, 3) RGB
_BOUNDARY = "gardenclub"


def grey_scene(time_s: float, size: tuple[int, int] = (640, 480)) -> Picture:
    """Return an even grey with a mark that wanders, where no print is rehearsed."""
    picture = np.full((size[1], size[0], 3), 110, np.uint8)
    at = int(time_s * 60) % (size[0] - 40)
    picture[size[1] // 2 : size[1] // 2 + 40, at : at + 40] = (200, 120, 80)
    return picture


class HttpCamera:
    """A camera that serves on the loopback address until it is closed.

    Parameters
    ----------
    scene : callable
        Monotonic time to picture; at least 400 pixels wide.
    fps : float
    pipeline_s : float
        From exposure to the network.
    port : int
        0: any free one.
    """

    def __init__(
        self,
        scene: PictureAt = grey_scene,
        *,
        fps: float = 15.0,
        pipeline_s: float = 0.06,
        port: int = 0,
        quality: int = 85,
    ) -> None:
        self.fps, self.pipeline_s = fps, pipeline_s
        self.hangs = False  # set: accepts, and sends nothing
        self.frozen = False  # set: the same picture again and again
        self._scene, self._quality = scene, quality
        self._waiting: deque[tuple[float, bytes]] = deque()
        self._newest: tuple[int, bytes] = (0, b"")
        self._news = threading.Condition()
        self._closed = threading.Event()
        self._clients: set[socket.socket] = set()
        self._server = _server(self, port)
        self._threads = [
            threading.Thread(target=self._expose, daemon=True),
            threading.Thread(target=self._deliver, daemon=True),
            threading.Thread(target=self._server.serve_forever, args=(0.05,), daemon=True),
        ]
        for thread in self._threads:
            thread.start()

    def __enter__(self) -> HttpCamera:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    @property
    def port(self) -> int:
        """Where it listens."""
        return int(self._server.server_address[1])

    @property
    def stream(self) -> str:
        """Address of the stream, as a rig file names it."""
        return f"http://127.0.0.1:{self.port}/stream"

    @property
    def still(self) -> str:
        """Address of the stills, as a rig file names it."""
        return f"still:http://127.0.0.1:{self.port}/still"

    def drop(self) -> None:
        """Break every connection, as a camera does that reboots."""
        for client in list(self._clients):
            with contextlib.suppress(OSError):
                client.shutdown(socket.SHUT_RDWR)

    def close(self) -> None:
        """Stop serving."""
        self._closed.set()
        with self._news:
            self._news.notify_all()
        self.drop()
        self._server.shutdown()
        self._server.server_close()
        for thread in self._threads:
            thread.join(timeout=2)

    def newest(self, after: int = 0, timeout_s: float = 2.0) -> tuple[int, bytes]:
        """Wait for a picture newer than number `after`; return its number and bytes."""
        with self._news:
            self._news.wait_for(lambda: self._newest[0] > after or self._closed.is_set(), timeout_s)
            return self._newest

    def _expose(self) -> None:
        from twinlapse.rehearsal.execution import encode

        due, data = time.monotonic(), b""
        while not self._closed.is_set():
            exposed_s = time.monotonic()
            if not (self.frozen and data):
                picture = self._scene(exposed_s).copy()
                stamp(picture, exposed_s)
                data = encode(picture, self._quality)
            self._waiting.append((exposed_s + self.pipeline_s, data))
            due = max(due + 1 / self.fps, time.monotonic())
            self._closed.wait(due - time.monotonic())

    def _deliver(self) -> None:
        while not self._closed.is_set():
            if not self._waiting:
                self._closed.wait(0.002)
                continue
            ready_s, data = self._waiting[0]
            if ready_s > time.monotonic():
                self._closed.wait(ready_s - time.monotonic())
                continue
            self._waiting.popleft()
            with self._news:
                self._newest = (self._newest[0] + 1, data)
                self._news.notify_all()

    def _answer(self, handler: BaseHTTPRequestHandler) -> None:
        while self.hangs and not self._closed.is_set():
            self._closed.wait(0.02)
        if handler.path.split("?")[0] == "/still":
            self._send_still(handler)
        elif handler.path.split("?")[0] == "/stream":
            self._send_stream(handler)
        else:
            handler.send_error(404)

    def _send_still(self, handler: BaseHTTPRequestHandler) -> None:
        data = self.newest()[1]
        handler.send_response(200)
        handler.send_header("Content-Type", "image/jpeg")
        handler.send_header("Content-Length", str(len(data)))
        handler.end_headers()
        handler.wfile.write(data)

    def _send_stream(self, handler: BaseHTTPRequestHandler) -> None:
        handler.send_response(200)
        handler.send_header("Content-Type", f"multipart/x-mixed-replace; boundary={_BOUNDARY}")
        handler.end_headers()
        self._clients.add(handler.connection)
        number = 0
        try:
            while not self._closed.is_set():
                after, (number, data) = number, self.newest(number)
                if self.hangs or number == after:
                    continue
                head = f"--{_BOUNDARY}\r\nContent-Type: image/jpeg\r\nContent-Length: {len(data)}\r\n\r\n"
                handler.wfile.write(head.encode() + data + b"\r\n")
        finally:
            self._clients.discard(handler.connection)


def _server(camera: HttpCamera, port: int) -> ThreadingHTTPServer:
    class Handler(BaseHTTPRequestHandler):
        def log_message(self, *_: object) -> None:
            pass

        def do_GET(self) -> None:
            with contextlib.suppress(OSError):
                camera._answer(self)

    class Server(ThreadingHTTPServer):
        daemon_threads = True
        block_on_close = False

        def handle_error(self, *_: object) -> None:
            pass

    return Server(("127.0.0.1", port), Handler)
