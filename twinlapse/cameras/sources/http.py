"""Cameras that speak HTTP: a stream that never ends, or an address that gives one picture each time."""

from __future__ import annotations

import contextlib
import http.client
import ipaddress
import socket
from collections.abc import Iterator
from urllib.parse import SplitResult, unquote, urlsplit

from twinlapse.cameras.clock import Clock
from twinlapse.cameras.jpeg import MAX_BYTES, check_whole
from twinlapse.cameras.sources.base import CameraPicture
from twinlapse.cameras.sources.digest import Login
from twinlapse.cameras.sources.multipart import PartReader, read_boundary
from twinlapse.errors import CaptureError

__all__ = ["StillSource", "StreamSource", "redacted"]

_CHUNK = 65536  # bytes of one read: about one picture


def redacted(address: str) -> str:
    """Return an address without user name, password and query, fit for a log."""
    parts = urlsplit(address)
    host = parts.hostname or ""
    host = f"[{host}]" if ":" in host else host
    with contextlib.suppress(ValueError):
        host += f":{parts.port}" if parts.port else ""
    return f"{parts.scheme}://{host}{parts.path}"


class _Connection:
    """One GET whose answer is read piece by piece; closing it from outside ends the reading."""

    def __init__(self, address: str, timeout_s: float, login: Login | None = None) -> None:
        parts = urlsplit(address)
        if login is None and parts.username is not None:
            login = Login(unquote(parts.username), unquote(parts.password or ""))
        self._login = login
        if parts.scheme not in ("http", "https") or not parts.hostname:
            raise CaptureError(
                f"{redacted(address)} is no http or https address", "correct source in the rig file"
            )
        self._parts = parts
        self._name = redacted(address)
        kind = http.client.HTTPSConnection if parts.scheme == "https" else http.client.HTTPConnection
        self._connection = kind(parts.hostname, parts.port, timeout=timeout_s)
        self._socket: socket.socket | None = None
        self._closed = False

    def get(self) -> http.client.HTTPResponse:
        if self._closed:
            raise CaptureError(f"{self._name} was closed")
        response = self._ask()
        if response.status == 401 and self._login is not None:
            asked = response.headers.get_all("WWW-Authenticate") or []
            response.close()
            self._connection.close()
            if self._login.challenge(asked):
                response = self._ask()
        if response.status != 200:
            response.close()
            self._connection.close()
            raise self._refusal(response.status)
        return response

    def _ask(self) -> http.client.HTTPResponse:
        """Send the request; a connection that the camera closed while it was idle is opened once more."""
        used = self._connection.sock is not None
        try:
            return self._send()
        except (http.client.RemoteDisconnected, ConnectionResetError, BrokenPipeError) as error:
            self._connection.close()
            if not used or self._closed:
                raise self._silent(error) from None
        except (OSError, http.client.HTTPException) as error:
            self._connection.close()
            raise self._silent(error) from None
        try:
            return self._send()
        except (OSError, http.client.HTTPException) as error:
            self._connection.close()
            raise self._silent(error) from None

    def _send(self) -> http.client.HTTPResponse:
        if self._connection.sock is None:
            self._connection.connect()
            self._socket = self._connection.sock
            _refuse_link_local(self._socket, self._name)
        target = _target(self._parts)
        headers = {"User-Agent": "twinlapse", "Accept": "multipart/x-mixed-replace, image/jpeg"}
        authorization = self._login.header("GET", target) if self._login is not None else None
        if authorization is not None:
            headers["Authorization"] = authorization
        self._connection.request("GET", target, headers=headers)
        return self._connection.getresponse()

    def _silent(self, error: Exception) -> CaptureError:
        return CaptureError(f"{self._name} does not answer ({_reason(error)})")

    def _refusal(self, status: int) -> CaptureError:
        if status == 401:
            known = (
                "does not take this name and password" if self._login else "asks for a name and a password"
            )
            return CaptureError(f"{self._name} {known}", 'write login_file = "/path" in rig.toml')
        what = "sends elsewhere" if 300 <= status < 400 else f"answers {status}"
        return CaptureError(f"{self._name} {what}", "write the address that gives the picture")

    def read(self, response: http.client.HTTPResponse, size: int = _CHUNK) -> bytes:
        try:
            return response.read1(size)
        except (OSError, http.client.HTTPException, ValueError, AttributeError) as error:
            # the last two: http.client, closed from another thread while reading
            raise CaptureError(f"{self._name} fell silent ({_reason(error)})", "") from None

    def close(self) -> None:
        # only hung up: the objects belong to the reading thread, which now finds the end and closes them
        self._closed = True
        if self._socket is not None:
            with contextlib.suppress(OSError):
                self._socket.shutdown(socket.SHUT_RDWR)

    def release(self) -> None:
        self._connection.close()


class StreamSource:
    """A ``multipart/x-mixed-replace`` stream of JPEGs."""

    def __init__(
        self, address: str, clock: Clock, *, timeout_s: float = 3.0, login: Login | None = None
    ) -> None:
        self._connection = _Connection(address, timeout_s, login)
        self._clock = clock

    def pictures(self) -> Iterator[CameraPicture]:
        """Yield every part when its last byte is here."""
        try:
            with self._connection.get() as response:
                yield from self._parts(response)
        finally:
            self._connection.release()

    def _parts(self, response: http.client.HTTPResponse) -> Iterator[CameraPicture]:
        reader = PartReader(read_boundary(response.headers.get("Content-Type", "")))
        waited_s = 0.0
        while True:
            asked_s = self._clock.mono_s()
            data = self._connection.read(response)
            arrived_s = self._clock.mono_s()
            if not data:
                raise CaptureError("the stream ended", "")
            waited_s = max(waited_s, arrived_s - asked_s)
            for part in reader.feed(data):
                yield CameraPicture(data=part, arrived_s=arrived_s, waited_s=waited_s)
                waited_s = 0.0

    def close(self) -> None:
        """Hang up."""
        self._connection.close()


class StillSource:
    """An address that gives one JPEG for every GET.

    A camera may answer with a picture that it had ready, so the time of a picture is that of the question.
    """

    def __init__(
        self, address: str, clock: Clock, *, timeout_s: float = 3.0, login: Login | None = None
    ) -> None:
        self._connection = _Connection(address, timeout_s, login)
        self._clock = clock

    def pictures(self) -> Iterator[CameraPicture]:
        """Ask again as soon as an answer is whole."""
        try:
            while True:
                yield self._ask()
        finally:
            self._connection.release()

    def _ask(self) -> CameraPicture:
        asked_s = self._clock.mono_s()
        data = bytearray()
        with self._connection.get() as response:
            while piece := self._connection.read(response):
                data += piece
                if len(data) > MAX_BYTES:
                    raise CaptureError("a picture does not end", "8 MB are enough")
            announced = response.headers.get("Content-Length", "")
        if announced.isdigit() and int(announced) != len(data):
            raise CaptureError(
                f"the camera announces {announced} bytes and sends {len(data)}",
                "its Content-Length is wrong: use its stream, or new firmware of the camera",
            )
        check_whole(bytes(data))
        return CameraPicture(data=bytes(data), arrived_s=asked_s, asked=True)

    def close(self) -> None:
        """Hang up."""
        self._connection.close()


def _target(parts: SplitResult) -> str:
    return (parts.path or "/") + (f"?{parts.query}" if parts.query else "")


def _refuse_link_local(connected: socket.socket | None, name: str) -> None:
    # the address that was really reached, not what the name said at some earlier moment
    if connected is None:
        return
    host = str(connected.getpeername()[0]).split("%")[0]
    address = ipaddress.ip_address(host)
    mapped = getattr(address, "ipv4_mapped", None)
    if (mapped or address).is_link_local:
        connected.close()
        raise CaptureError(f"{name} is a link-local address", "give the camera an address of its own")


def _reason(error: Exception) -> str:
    return "no answer in time" if isinstance(error, TimeoutError) else str(error) or type(error).__name__
