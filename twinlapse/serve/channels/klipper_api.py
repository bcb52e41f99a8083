"""Lines of Klipper's console through its API socket.

Reference: Klipper's documentation, API_Server.md: a Unix socket, JSON objects each ended by the byte 0x03;
``gcode/subscribe_output`` sends every line of the console as ``{"params": {"response": LINE}}``.
"""

from __future__ import annotations

import contextlib
import json
import socket
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

from twinlapse.capture.background_thread import BackgroundThread
from twinlapse.errors import CaptureError

__all__ = ["KlipperApi", "run_script"]

_END = b"\x03"
_MOST = 1 << 20  # bytes of one message
_PAUSE_S = 1.0  # before the socket is opened again
_SCRIPT_S = 5.0  # a script that takes longer has been taken (common practice, no source)


class KlipperApi(BackgroundThread):
    """Subscribes to the console, again after every restart of the firmware's host.

    Parameters
    ----------
    path : Path
        Of the socket, as ``klippy.py -a`` names it.
    said : callable
        Takes each line.
    """

    def __init__(self, path: Path, said: Callable[[str], None], *, pause_s: float = _PAUSE_S) -> None:
        super().__init__("klipper api")
        self.path, self._said, self._pause_s = path, said, pause_s
        self.fault = "not connected yet"

    def _run(self) -> None:
        while not self._stopped.is_set():
            try:
                with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as line:
                    line.settimeout(0.3)
                    line.connect(str(self.path))
                    line.sendall(_message(1, "gcode/subscribe_output", {"response_template": {}}))
                    self._listen(line)
            except OSError as error:
                self.fault = f"{self.path}: {error.strerror or error}"
            self._stopped.wait(self._pause_s)

    def _listen(self, line: socket.socket) -> None:
        rest = b""
        while not self._stopped.is_set():
            try:
                data = line.recv(65536)
            except TimeoutError:
                continue
            if not data:
                self.fault = f"{self.path}: the firmware's host closed the connection"
                return
            *messages, rest = (rest + data).split(_END)
            if len(rest) > _MOST:
                rest = b""
            for message in messages:
                self._take(message)

    def _take(self, message: bytes) -> None:
        with contextlib.suppress(ValueError):
            value = json.loads(message)
            if not isinstance(value, dict):
                return
            if value.get("id") == 1:
                problem = value.get("error")
                self.fault = f"the subscription was refused: {problem}" if problem else ""
            response = (value.get("params") or {}).get("response")
            if isinstance(response, str):
                for text in response.splitlines():
                    self._said(text)


def _message(number: int, method: str, params: dict[str, object]) -> bytes:
    return json.dumps({"id": number, "method": method, "params": params}).encode() + _END


def run_script(path: Path, lines: Sequence[str]) -> None:
    """Have lines of G-code run; returns when they are done, or still run after a few seconds.

    Reference: API_Server.md, ``gcode/script``: the answer comes when the script is done.

    Raises
    ------
    CaptureError
        when the firmware's host cannot be reached or refuses them.
    """
    try:
        with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as line:
            line.settimeout(_SCRIPT_S)
            line.connect(str(path))
            line.sendall(_message(2, "gcode/script", {"script": "\n".join(lines)}))
            said = _answer(line, 2)
    except TimeoutError:
        return  # it was taken, and runs
    except OSError as error:
        raise CaptureError(f"{path}: {error.strerror or error}", "is the firmware's host running?") from None
    problem = said.get("error")
    if problem:
        words = problem.get("message", problem) if isinstance(problem, dict) else problem
        raise CaptureError(f"the firmware refuses it: {str(words)[:200]}", "answer at the machine itself")


def _answer(line: socket.socket, number: int) -> dict[str, Any]:
    rest = b""
    while data := line.recv(65536):
        *messages, rest = (rest + data).split(_END)
        for message in messages:
            with contextlib.suppress(ValueError):
                value = json.loads(message)
                if isinstance(value, dict) and value.get("id") == number:
                    return value
    raise OSError("the firmware's host closed the connection")
