"""The asking end of the service: send a file to it, watch what it hears."""

from __future__ import annotations

import http.client
import json
import time
import urllib.parse
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

from twinlapse.arrays import Progress
from twinlapse.errors import CaptureError, FileProblemError

__all__ = ["send_file", "watch_lines"]

_PIECE = 1 << 18
_LIMIT_S = 60.0


def send_file(gcode: Path, address: str, printer: str, token: str, progress: Progress) -> dict[str, Any]:
    """Send a file; return the record of its job.

    Raises
    ------
    CaptureError
        when the service cannot be reached or does not take it.
    FileProblemError
        when the file cannot be read.
    """
    where = urllib.parse.urlsplit(address)
    if where.scheme not in ("http", "https") or not where.hostname:
        raise CaptureError(f"{address} is no address of a service", "write http://board.local:8137")
    kind = http.client.HTTPSConnection if where.scheme == "https" else http.client.HTTPConnection
    line = kind(where.hostname, where.port, timeout=_LIMIT_S)
    headers = {"Authorization": f"Bearer {token}"} if token else {}
    try:
        size = gcode.stat().st_size
        printer = printer or _only_printer(line, headers)
        query = urllib.parse.urlencode({"name": gcode.name})
        line.request(
            "POST",
            f"/printers/{urllib.parse.quote(printer, safe='')}/files?{query}",
            body=_pieces(gcode, size, progress),
            headers={**headers, "Content-Type": "application/octet-stream", "Content-Length": str(size)},
        )
        return _answer(line)
    except FileNotFoundError:
        raise FileProblemError("there is no such G-code file", "check the path", path=gcode) from None
    except (OSError, http.client.HTTPException) as error:
        raise CaptureError(
            f"{address} cannot be reached ({error})", "is 'twinlapse serve' running there?"
        ) from None
    finally:
        line.close()


def _pieces(gcode: Path, size: int, progress: Progress) -> Iterator[bytes]:
    done = 0
    with gcode.open("rb") as file:
        while piece := file.read(_PIECE):
            yield piece
            done += len(piece)
            progress(done / max(size, 1))


def _only_printer(line: http.client.HTTPConnection, headers: dict[str, str]) -> str:
    line.request("GET", "/state", headers=headers)
    names = [printer["name"] for printer in _answer(line)["printers"]]
    if len(names) != 1:
        raise CaptureError(
            f"the service has {len(names)} printers", f"name one with --printer: {', '.join(names)}"
        )
    return str(names[0])


def _answer(line: http.client.HTTPConnection) -> dict[str, Any]:
    reply = line.getresponse()
    try:
        value = json.loads(reply.read())
    except ValueError:
        value = {}
    if reply.status >= 300 or not isinstance(value, dict):
        said = value.get("error", reply.reason) if isinstance(value, dict) else reply.reason
        raise CaptureError(
            f"the service did not take it: {said}", str(value.get("hint", "")) or "see its page"
        )
    return value


def watch_lines(
    address: str, printer: str, token: str, limit_s: float, say: Callable[[str], None]
) -> Iterator[dict[str, Any]]:
    """Yield the lines that a service hears from a printer from now on, for some seconds.

    Parameters
    ----------
    say : callable
        Told each time when what is wrong with the channels changes.

    Raises
    ------
    CaptureError
        when the service cannot be reached.
    """
    where = urllib.parse.urlsplit(address)
    if where.scheme not in ("http", "https") or not where.hostname:
        raise CaptureError(f"{address} is no address of a service", "write http://board.local:8137")
    kind = http.client.HTTPSConnection if where.scheme == "https" else http.client.HTTPConnection
    line = kind(where.hostname, where.port, timeout=_LIMIT_S)
    headers = {"Authorization": f"Bearer {token}"} if token else {}
    began_s, end_s, channels = time.time(), time.monotonic() + limit_s, None
    try:
        printer = printer or _only_printer(line, headers)
        while True:
            line.request("GET", f"/printers/{urllib.parse.quote(printer, safe='')}/lines", headers=headers)
            told = _answer(line)
            if told["channels"] != channels:
                channels = told["channels"]
                for name, fault in channels.items():
                    say(f"channel {name}: {fault or 'heard'}")
                if not channels:
                    say("no channel is set: name serial, log, klipper_socket or reprapfirmware in [capture]")
            for heard in told["lines"]:
                if heard["at_s"] > began_s:
                    began_s = heard["at_s"]
                    yield heard
            if time.monotonic() > end_s:
                return
            time.sleep(0.3)
    except (OSError, http.client.HTTPException) as error:
        hint = "is 'twinlapse serve' running there?"
        raise CaptureError(f"{address} cannot be reached ({error})", hint) from None
    finally:
        line.close()
