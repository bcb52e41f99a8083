"""The asking end of a cue: over the job's Unix socket, without anything heavy, so that it is quick."""

from __future__ import annotations

import http.client
import json
import os
import socket
import time
from pathlib import Path
from typing import Any

from twinlapse.errors import CaptureError

__all__ = ["process_age_s", "send_cue", "send_mark"]

_ANSWER_S = 130.0  # a dwell can be two minutes


class _LocalConnection(http.client.HTTPConnection):
    def __init__(self, path: Path) -> None:
        super().__init__("localhost", timeout=_ANSWER_S)
        self._path = path

    def connect(self) -> None:
        """Connect to the socket file."""
        self.sock = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        self.sock.settimeout(self.timeout)
        self.sock.connect(str(self._path))


def process_age_s() -> float:
    """Return how long ago this process was started; 0 where the system does not say (proc(5), field 22)."""
    try:
        fields = Path("/proc/self/stat").read_text("utf-8").rpartition(")")[2].split()
        started_s = int(fields[19]) / os.sysconf("SC_CLK_TCK")
        return max(0.0, time.clock_gettime(time.CLOCK_BOOTTIME) - started_s)
    except (OSError, ValueError, IndexError, AttributeError):
        return 0.0


def send_cue(
    socket_path: Path, body: dict[str, Any], *, patience_s: float = 5.0, of_process: bool = False
) -> dict[str, Any]:
    """Send a cue and return the answer, trying again while the service is away.

    Every try says how long the cue has been under way, counted from the start of this process: an interpreter
    can take seconds to start on a small board. The same cue sent twice is one frame.

    Raises
    ------
    CaptureError
        when there is no service within `patience_s`, or it refuses the cue.
    """
    began_s = time.monotonic()
    started_s = process_age_s() if of_process else 0.0
    while True:
        late_s = time.monotonic() - began_s
        under_way_s = late_s + started_s + body.get("late_s", 0.0)
        try:
            return _ask(socket_path, "/cue", {**body, "late_s": round(under_way_s, 3)})
        except (OSError, http.client.HTTPException) as error:
            if late_s >= patience_s:
                raise CaptureError(
                    f"no capture service answers ({_reason(error)})",
                    "start it with 'twinlapse capture JOB'",
                    path=socket_path,
                ) from None
            time.sleep(0.1)


def send_mark(socket_path: Path, event: str, job: str) -> dict[str, Any]:
    """Say that a print begins or ends.

    Raises
    ------
    CaptureError
        when there is no service, or the print is of another job.
    """
    try:
        return _ask(socket_path, "/run", {"event": event, "job": job})
    except (OSError, http.client.HTTPException) as error:
        raise CaptureError(
            f"no capture service answers ({_reason(error)})",
            "start it with 'twinlapse capture JOB'",
            path=socket_path,
        ) from None


def _ask(path: Path, address: str, body: dict[str, Any]) -> dict[str, Any]:
    connection = _LocalConnection(path)
    try:
        connection.request("POST", address, json.dumps(body), {"Content-Type": "application/json"})
        response = connection.getresponse()
        answer: dict[str, Any] = json.loads(response.read(65536))
    except json.JSONDecodeError:
        raise CaptureError(
            "the service answers in another language", "is it this program?", path=path
        ) from None
    finally:
        connection.close()
    if response.status != 200:
        raise CaptureError(str(answer.get("error", response.status)), "", path=path)
    return answer


def _reason(error: Exception) -> str:
    return getattr(error, "strerror", None) or type(error).__name__
