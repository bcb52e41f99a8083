"""Lines of RepRapFirmware's console through its own HTTP interface, and files sent to it.

Reference: RepRapFirmware's documentation, "HTTP requests": ``/rr_connect?password=``, ``/rr_model?key=seqs``
whose ``reply`` counts the answers, ``/rr_reply`` that gives them, ``/rr_upload?name=``, ``/rr_gcode?gcode=``.
"""

from __future__ import annotations

import contextlib
import json
import urllib.error
import urllib.parse
import urllib.request
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

from twinlapse.cameras.login import read_login
from twinlapse.capture.background_thread import BackgroundThread
from twinlapse.errors import CaptureError

__all__ = ["POLL_S", "ReprapFirmwareHttp", "run_gcode", "upload"]

POLL_S = 0.2  # from one look to the next: a cue is at most this late
_LIMIT_S = 4.0
_MOST = 65536  # bytes of an answer


class ReprapFirmwareHttp(BackgroundThread):
    """Asks for new console lines again and again.

    Parameters
    ----------
    address : str
        ``http://printer.local``.
    said : callable
        Takes each line and how late it may be, s.
    login_file : str
        With ``name:password``, of which the password counts; "" where the machine wants none.
    """

    def __init__(
        self,
        address: str,
        said: Callable[[str, float], None],
        *,
        login_file: str = "",
        poll_s: float = POLL_S,
    ) -> None:
        super().__init__("reprapfirmware", join_s=_LIMIT_S + 1)
        self._address, self._said, self._login_file, self._poll_s = (
            address.rstrip("/"),
            said,
            login_file,
            poll_s,
        )
        self.fault = "not connected yet"

    def _run(self) -> None:
        seen: int | None = None
        while not self._stopped.wait(self._poll_s):
            try:
                if seen is None:
                    _connect(self._address, self._login_file)
                count = _replies(self._address)
                if seen is not None and count != seen:
                    for text in _get(self._address, "/rr_reply").decode("utf-8", "replace").splitlines():
                        self._said(text, self._poll_s)
                seen, self.fault = count, ""
            except (OSError, ValueError, CaptureError) as error:
                self.fault = f"{self._address}: {getattr(error, 'reason', error)}"
                seen = None
                self._stopped.wait(1.0)


def upload(address: str, file: Path, name: str, *, login_file: str = "") -> None:
    """Send a file into the machine's folder of prints.

    Raises
    ------
    CaptureError
        when the machine does not take it.
    """
    address = address.rstrip("/")
    query = urllib.parse.urlencode({"name": f"0:/gcodes/{name}"})
    try:
        _connect(address, login_file)
        with file.open("rb") as body:
            request = urllib.request.Request(  # noqa: S310  (`_open` refuses all but http)
                f"{address}/rr_upload?{query}",
                data=body,
                method="POST",
                headers={
                    "Content-Type": "application/octet-stream",
                    "Content-Length": str(file.stat().st_size),
                },
            )
            with _open(request, 600.0) as answer:
                said = json.loads(answer.read(_MOST))
    except (OSError, ValueError) as error:
        raise CaptureError(f"{address} did not take the file ({error})", "is the machine on?") from None
    if said.get("err", 1) != 0:
        raise CaptureError(f"{address} did not take the file (error {said.get('err')})", "is its card full?")


def run_gcode(address: str, lines: Sequence[str], *, login_file: str = "") -> None:
    """Have lines of G-code run.

    Raises
    ------
    CaptureError
        when the machine does not take them.
    """
    address = address.rstrip("/")
    query = urllib.parse.urlencode({"gcode": "\n".join(lines)}, quote_via=urllib.parse.quote)
    try:
        _connect(address, login_file)
        said = json.loads(_get(address, f"/rr_gcode?{query}"))
    except (OSError, ValueError) as error:
        raise CaptureError(f"{address} did not take it ({error})", "answer at the machine itself") from None
    if said.get("err", 0) != 0:
        raise CaptureError(f"{address} refused it", "answer at the machine itself")


def _connect(address: str, login_file: str) -> None:
    password = read_login(Path(login_file))[1] if login_file else "reprap"  # what a machine without one takes
    query = urllib.parse.urlencode({"password": password}, quote_via=urllib.parse.quote)
    said = json.loads(_get(address, f"/rr_connect?{query}"))
    if said.get("err", 0) != 0:
        raise CaptureError(
            "the machine refuses the password",
            "write it into the file that reprapfirmware_login_file in [capture] names",
        )


def _replies(address: str) -> int:
    said = json.loads(_get(address, "/rr_model?key=seqs"))
    return int(said["result"]["reply"])


def _get(address: str, path: str) -> bytes:
    request = urllib.request.Request(address + path)  # noqa: S310  (`_open` refuses all but http)
    with _open(request, _LIMIT_S) as answer:
        return bytes(answer.read(_MOST))


def _open(request: urllib.request.Request, limit_s: float) -> Any:
    if not request.full_url.startswith(("http://", "https://")):
        raise CaptureError("this is no http address", "write http://...")
    opener = urllib.request.build_opener(urllib.request.ProxyHandler({}))
    with contextlib.suppress(urllib.error.HTTPError):
        return opener.open(request, timeout=limit_s)
    raise CaptureError("the machine answers with an error", "does it have the HTTP interface?")
