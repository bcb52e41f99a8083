"""Who may ask the service what: host names, origins, tokens, kinds and sizes of bodies.

References: RFC 9110 (421, 415, 413), RFC 6750 (bearer tokens in a header, never in an address), OWASP
Cross-Site Request Forgery Prevention Cheat Sheet (Origin, Sec-Fetch-Site).
"""

from __future__ import annotations

import hmac
import ipaddress
import os
import re
import secrets
import socket
import stat
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path

from starlette.datastructures import Headers
from starlette.exceptions import HTTPException
from starlette.responses import JSONResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from twinlapse.errors import CaptureError

__all__ = [
    "MAX_BODY",
    "MAX_HEAD",
    "OPEN_PATHS",
    "TOO_LARGE",
    "AccessGuard",
    "AccessRules",
    "address_in_network",
    "allowed_hosts",
    "bearer_token",
    "is_loopback",
    "own_names",
    "read_token",
    "session_cookie",
]

MAX_BODY = 4096  # bytes; a cue has about 200
MAX_HEAD = 16_384  # bytes of all header fields (RFC 6585: 431)
TOO_LARGE = "the body is larger than 4 KiB"
_HOST_NAME = re.compile(r"[A-Za-z0-9-]{1,63}")
_TOKEN = re.compile(r"[A-Za-z0-9_-]{43,128}")
_HEADERS = {
    "content-security-policy": "default-src 'self'; img-src 'self' blob:; frame-ancestors 'none'; "
    "base-uri 'none'; form-action 'none'",
    "x-content-type-options": "nosniff",
    "referrer-policy": "no-referrer",
    "cross-origin-resource-policy": "same-origin",
    "cache-control": "no-store",
}
_COOKIE = "twinlapse_token"
OPEN_PATHS = frozenset(("/", "/page.css", "/page.js"))  # the page itself holds no secret


@dataclass(frozen=True, slots=True, kw_only=True)
class AccessRules:
    """What the guard lets through on the network; the Unix socket is guarded by its file's mode."""

    hosts: frozenset[str]  # "name:port" and, for the standard port, "name"
    token: str = ""  # "" on the loopback address without a token file


class AccessGuard:
    """Wraps the application; refuses before anything of it runs."""

    def __init__(
        self,
        app: ASGIApp,
        rules: AccessRules,
        uploads: Mapping[str, int] | None = None,
        open_paths: frozenset[str] = OPEN_PATHS,
    ) -> None:
        self._app = app
        self._rules = rules
        self._open_paths = open_paths
        self._uploads = dict(uploads or {})  # start of a path -> bytes of a file sent there

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Check one request."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        local = scope.get("server") is None or scope["server"][1] is None
        most = max(
            (size for start, size in self._uploads.items() if scope["path"].startswith(start)), default=0
        )
        refusal = _refuse_form(scope, most) or (None if local else self._refuse_caller(scope))
        if refusal is not None:
            await _answer(scope, receive, send, refusal)
            return
        await self._app(scope, _capped(receive, most or MAX_BODY), _with_headers(send))

    def _refuse_caller(self, scope: Scope) -> tuple[int, str] | None:
        headers = Headers(scope=scope)
        hosts = headers.getlist("host")
        address, port = scope["server"]
        reached = f"[{address}]:{port}" if ":" in address else f"{address}:{port}"
        if len(hosts) != 1 or hosts[0].lower() not in self._rules.hosts | {reached}:
            return 421, "this name is not one of the service's"
        origin = headers.get("origin")
        if origin is not None and origin.lower() not in {f"http://{hosts[0].lower()}"}:
            return 403, "the request comes from another site"
        if headers.get("sec-fetch-site", "none") not in ("same-origin", "none"):
            return 403, "the request comes from another site"
        if self._rules.token and scope["path"] not in self._open_paths:
            given = bearer_token(headers) or _cookie(headers)
            if not hmac.compare_digest(given.encode(), self._rules.token.encode()):
                return 401, "a token is needed"
        return None


def session_cookie(token: str) -> str:
    """Return the value of Set-Cookie by which a browser shows the token for pictures, films and downloads.

    It is sent to this service alone and never along with another site's request (RFC 6265bis, SameSite).
    """
    return f"{_COOKIE}={token}; Path=/; HttpOnly; SameSite=Strict; Max-Age=31536000"


def bearer_token(headers: Headers) -> str:
    """Return the token of a request's Authorization field; empty without its scheme (RFC 6750)."""
    scheme, _, token = headers.get("authorization", "").partition(" ")
    return token if scheme == "Bearer" else ""


def _cookie(headers: Headers) -> str:
    for part in headers.get("cookie", "").split(";"):
        name, _, value = part.strip().partition("=")
        if name == _COOKIE:
            return value
    return ""


def _refuse_form(scope: Scope, upload_bytes: int = 0) -> tuple[int, str] | None:
    headers = Headers(scope=scope)
    if sum(len(name) + len(value) for name, value in scope["headers"]) > MAX_HEAD:
        return 431, "the head of the request is larger than 16 KiB"
    if scope["method"] not in ("GET", "HEAD", "POST"):
        return 405, "GET, HEAD and POST are known"
    if len(scope["raw_path"]) + len(scope["query_string"]) > 1024:
        return 414, "the address is too long"
    if scope["method"] == "POST":
        kind = headers.get("content-type", "").split(";")[0].strip().lower()
        wanted = "application/octet-stream" if upload_bytes else "application/json"
        if kind not in (wanted, "application/json"):
            return 415, f"send {wanted}"
        length = headers.get("content-length", "0")
        if not length.isdigit() or int(length) > (upload_bytes or MAX_BODY):
            return 413, "the file is too large" if upload_bytes else TOO_LARGE
    return None


def _capped(receive: Receive, most: int) -> Receive:
    seen = 0

    async def capped() -> Message:
        nonlocal seen
        message = await receive()
        seen += len(message.get("body", b""))
        if seen > most:
            raise HTTPException(413, TOO_LARGE)
        return message

    return capped


def _with_headers(send: Send) -> Send:
    async def sending(message: Message) -> None:
        if message["type"] == "http.response.start":
            given = {name.lower() for name, _ in message["headers"]}
            extra = [(k.encode(), v.encode()) for k, v in _HEADERS.items() if k.encode() not in given]
            message = {**message, "headers": [*message["headers"], *extra]}
        await send(message)

    return sending


async def _answer(scope: Scope, receive: Receive, send: Send, refusal: tuple[int, str]) -> None:
    status, words = refusal
    extra = {"www-authenticate": "Bearer"} if status == 401 else {}
    extra |= {"allow": "GET, HEAD, POST"} if status == 405 else {}
    response = JSONResponse({"error": words}, status_code=status, headers={**extra, "connection": "close"})
    await response(scope, receive, _with_headers(send))


def allowed_hosts(host: str, port: int, names: Iterable[str]) -> frozenset[str]:
    """Return the Host headers under which the service answers."""
    every = {host, *names}
    if is_loopback(host):
        every |= {"localhost", "127.0.0.1", "::1"}
    bracketed = {f"[{name}]" if ":" in name else name for name in every}
    return frozenset(f"{name}:{port}".lower() for name in bracketed) | (
        frozenset(name.lower() for name in bracketed) if port == 80 else frozenset()
    )


def own_names() -> tuple[str, ...]:
    """Return the names by which this machine is usually called in its network (``.local``: RFC 6762)."""
    name = socket.gethostname().split(".")[0]
    return (name, f"{name}.local") if _HOST_NAME.fullmatch(name) else ()


def address_in_network() -> str:
    """Return the address from which this machine would speak to others; no packet is sent."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(("192.0.2.1", 9))  # an address of documentation (RFC 5737): nobody has it
            return str(probe.getsockname()[0])
        except OSError:
            return socket.gethostname()


def is_loopback(host: str) -> bool:
    """Whether only this machine can reach an address."""
    try:
        return host == "localhost" or ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False


def read_token(path: Path) -> str:
    """Return the token in a file, which is made with a new one when it is missing.

    Raises
    ------
    CaptureError
        when others may read the file or it holds no token.
    """
    if not path.exists():
        handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
        with os.fdopen(handle, "w", encoding="ascii") as file:
            file.write(secrets.token_urlsafe(32) + "\n")
    if stat.S_IMODE(path.stat().st_mode) & 0o077:
        raise CaptureError("others may read the token file", f"chmod 600 {path.name}", path=path)
    token = path.read_text("utf-8").strip()
    if not _TOKEN.fullmatch(token):
        raise CaptureError("this file holds no token of 32 bytes", "delete it: a new one is made", path=path)
    return token
