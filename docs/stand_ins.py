"""A service for the examples of the pages, and a printer that speaks to it in each documented way.

Each stand-in says ``twinlapse begin 000000`` twice a second, as if somebody sent it from the printer's
console: over a pseudo-terminal, into a log, by Klipper's API server (API_Server.md: JSON ended by 0x03), by
RepRapFirmware's HTTP requests (rr_connect, rr_model, rr_reply), to a broker, by HTTP.
"""

from __future__ import annotations

import contextlib
import http.client
import json
import os
import pty
import shutil
import socket
import subprocess
import sys
import threading
import time
import tty
from collections.abc import Callable, Iterator
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from urllib.parse import urlsplit

__all__ = ["CHANNELS", "served"]

LINE = "twinlapse begin 000000"
_EVERY_S = 0.5
_OPENS_S = 10.0
Say = Callable[[], object]


@contextlib.contextmanager
def served(folder: Path, channel: str = "") -> Iterator[str]:
    """Run ``twinlapse serve prints`` in a page's folder; yield the address at which it answers.

    Parameters
    ----------
    folder : Path
        Holds ``rig.toml``, which becomes the rig of the printer "shed".
    channel : str
        One of `CHANNELS`: the printer is heard this way, and says its line. Else it is not heard.
    """
    with contextlib.ExitStack() as stack:
        port = _free_port()
        keys, say = stack.enter_context(CHANNELS[channel](folder, port)) if channel else ("", None)
        shed = folder / "prints" / "printers" / "shed"
        shed.mkdir(parents=True, exist_ok=True)
        rig = (folder / "rig.toml").read_text(encoding="utf-8")
        (shed / "rig.toml").write_text(f"{rig}\n[capture]\n{keys}\n", encoding="utf-8")
        words = [sys.executable, "-m", "twinlapse", "serve", str(folder / "prints"), "--port", str(port)]
        service = stack.enter_context(subprocess.Popen(words, stdout=subprocess.PIPE, text=True))  # noqa: S603
        stack.callback(service.terminate)
        assert service.stdout is not None
        said = service.stdout.readline()
        assert said.startswith("ready"), said
        if say is not None:
            _wait_until_heard(folder / "prints" / "serve.sock")
            stack.enter_context(_repeating(say))
        yield f"http://127.0.0.1:{port}"


def _free_port() -> int:
    with socket.create_server(("127.0.0.1", 0)) as free:
        return int(free.getsockname()[1])


def _wait_until_heard(path: Path) -> None:
    """Wait until no channel of the printer has a fault."""
    end_s = time.monotonic() + _OPENS_S
    while time.monotonic() < end_s:
        with socket.socket(socket.AF_UNIX) as line:
            line.connect(str(path))
            line.sendall(b"GET /printers/shed/lines HTTP/1.0\r\nHost: localhost\r\n\r\n")
            told = json.loads(line.makefile("rb").read().partition(b"\r\n\r\n")[2])
        if not any(told["channels"].values()):
            return
        time.sleep(0.1)


@contextlib.contextmanager
def _repeating(say: Say) -> Iterator[None]:
    ended = threading.Event()

    def run() -> None:
        while not ended.wait(_EVERY_S):
            with contextlib.suppress(OSError):
                say()

    thread = threading.Thread(target=run, daemon=True)
    thread.start()
    try:
        yield
    finally:
        ended.set()
        thread.join(5)


@contextlib.contextmanager
def _serial(folder: Path, _: int) -> Iterator[tuple[str, Say]]:
    printer, line = pty.openpty()
    tty.setraw(line)
    os.set_blocking(printer, False)
    try:
        yield f'serial = "{os.ttyname(line)}"', lambda: os.write(printer, f"echo:{LINE}\n".encode())
    finally:
        os.close(printer)
        os.close(line)


@contextlib.contextmanager
def _log(folder: Path, _: int) -> Iterator[tuple[str, Say]]:
    file = folder / "printer.log"
    file.write_text("the printer is up\n")

    def say() -> None:
        with file.open("a") as log:
            log.write(f"12:00:00 Recv: echo:{LINE}\n")

    yield f'log = "{file}"', say


@contextlib.contextmanager
def _http(folder: Path, port: int) -> Iterator[tuple[str, Say]]:
    def say() -> None:
        line = http.client.HTTPConnection("127.0.0.1", port, timeout=5)
        body = json.dumps({"printer": "shed", "line": LINE})
        line.request("POST", "/line", body, {"Content-Type": "application/json"})
        line.getresponse().read()
        line.close()

    yield "", say


@contextlib.contextmanager
def _klipper(folder: Path, _: int) -> Iterator[tuple[str, Say]]:
    path = folder / "klippy.sock"
    subscribed: list[socket.socket] = []
    with socket.socket(socket.AF_UNIX) as listening:
        listening.bind(str(path))
        listening.listen()

        def accept() -> None:
            with contextlib.suppress(OSError):
                while True:
                    line, _ = listening.accept()
                    asked = json.loads(line.recv(4096).removesuffix(b"\x03"))
                    line.sendall(json.dumps({"id": asked["id"], "result": {}}).encode() + b"\x03")
                    subscribed.append(line)

        def say() -> None:
            for line in subscribed:
                line.sendall(json.dumps({"params": {"response": f"echo: {LINE}"}}).encode() + b"\x03")

        threading.Thread(target=accept, daemon=True).start()
        try:
            yield f'klipper_socket = "{path}"', say
        finally:
            for line in subscribed:
                line.close()
            path.unlink()


@contextlib.contextmanager
def _reprapfirmware(folder: Path, _: int) -> Iterator[tuple[str, Say]]:
    replies: list[str] = []
    given = [0]

    class Machine(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            kind = urlsplit(self.path).path
            if kind == "/rr_reply":
                self._body("\n".join(replies[given[0] :]).encode())
                given[0] = len(replies)
            else:
                told = (
                    {"err": 0}
                    if kind == "/rr_connect"
                    else {"key": "seqs", "result": {"reply": len(replies)}}
                )
                self._body(json.dumps(told).encode())

        def _body(self, data: bytes) -> None:
            self.send_response(200)
            self.send_header("Content-Length", str(len(data)))
            self.end_headers()
            self.wfile.write(data)

        def log_message(self, *_: object) -> None:
            pass

    server = ThreadingHTTPServer(("127.0.0.1", 0), Machine)
    threading.Thread(target=server.serve_forever, args=(0.05,), daemon=True).start()
    try:
        yield f'reprapfirmware = "http://127.0.0.1:{server.server_address[1]}"', lambda: replies.append(LINE)
    finally:
        server.shutdown()
        server.server_close()


@contextlib.contextmanager
def _mqtt(folder: Path, _: int) -> Iterator[tuple[str, Say]]:
    import paho.mqtt.client as paho
    from paho.mqtt.enums import CallbackAPIVersion

    port = _free_port()
    config = folder / "broker.conf"
    config.write_text(f"listener {port} 127.0.0.1\nallow_anonymous true\npersistence false\n")
    program = shutil.which("mosquitto") or "/usr/sbin/mosquitto"
    with subprocess.Popen([program, "-c", config], stderr=subprocess.DEVNULL) as broker:  # noqa: S603
        client = paho.Client(CallbackAPIVersion.VERSION2)
        client.reconnect_delay_set(1, 1)
        client.connect_async("127.0.0.1", port)
        client.loop_start()
        try:
            yield (
                f'mqtt = {{ host = "127.0.0.1", port = {port} }}',
                lambda: client.publish("twinlapse/cue", LINE, 1),
            )
        finally:
            client.loop_stop()
            broker.terminate()


CHANNELS: dict[str, Callable[[Path, int], contextlib.AbstractContextManager[tuple[str, Say]]]] = {
    "serial": _serial,
    "log": _log,
    "http": _http,
    "klipper": _klipper,
    "reprapfirmware": _reprapfirmware,
    "mqtt": _mqtt,
}
