"""Where the service listens, and running it there until it is told to end."""

from __future__ import annotations

import asyncio
import contextlib
import os
import signal
import socket
import stat
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import uvicorn

from twinlapse.capture.access_policy import (
    MAX_HEAD,
    AccessGuard,
    AccessRules,
    allowed_hosts,
    is_loopback,
    read_token,
)
from twinlapse.capture.limited_protocol import LimitedProtocol
from twinlapse.capture.service import CaptureService
from twinlapse.capture.web import make_app
from twinlapse.errors import CaptureError
from twinlapse.frames.job import Job
from twinlapse.rig.capture_settings import Capture

__all__ = [
    "Listen",
    "LocalServer",
    "notify_systemd",
    "quiet_server",
    "serve",
    "unix_socket",
    "where_to_listen",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class Listen:
    """Where the service listens."""

    socket_path: Path
    host: str
    port: int  # 0: no network at all
    rules: AccessRules


def where_to_listen(
    job: Job, capture: Capture, *, host: str | None, port: int | None, expose: bool, token_file: Path | None
) -> Listen:
    """Return where to listen; another address than loopback needs `expose` and a token.

    Raises
    ------
    CaptureError
        when one of the two is missing, or the token file is open to others.
    """
    host, port = host or capture.host, capture.port if port is None else port
    file = token_file or (Path(capture.token_file) if capture.token_file else None)
    if not is_loopback(host) and not expose:
        raise CaptureError(f"{host} can be reached from other machines", "add --expose if that is meant")
    if not is_loopback(host) and file is None:
        raise CaptureError("other machines need a token", "add --token-file FILE; it is made when missing")
    token = "" if file is None else read_token(file)
    rules = AccessRules(hosts=allowed_hosts(host, port, capture.host_names), token=token)
    return Listen(socket_path=job.folder / "capture.sock", host=host, port=port, rules=rules)


class _Server(uvicorn.Server):
    """Leaves signals to this module: by default it raises them again at its end, before lamps are off."""

    @contextlib.contextmanager
    def capture_signals(self) -> Iterator[None]:
        """Do nothing."""
        yield


class LocalServer:
    """Serves one socket from a thread of its own, until it is stopped."""

    def __init__(self, app: AccessGuard, listening: socket.socket) -> None:
        self._server = _Server(_config(app))
        self._listening = listening
        serving = lambda: asyncio.run(self._server.serve(sockets=[listening]))  # noqa: E731
        self._thread = threading.Thread(target=serving, name="local server", daemon=True)

    def start(self) -> None:
        """Return once it answers."""
        self._thread.start()
        while not self._server.started and self._thread.is_alive():
            time.sleep(0.01)

    def stop(self) -> None:
        """End."""
        self._server.should_exit = True
        if self._thread.ident is not None:
            self._thread.join(5)
        self._listening.close()


def serve(
    service: CaptureService,
    listen: Listen,
    *,
    ready: Callable[[list[str]], None] | None = None,
    anyway: bool = False,
) -> None:
    """Run the service until SIGTERM or SIGINT.

    Parameters
    ----------
    ready : callable, optional
        Told when it listens and the cameras have proved themselves, with what is wrong all the same.
    anyway : bool
        Go on when a camera gives no picture.

    Raises
    ------
    CaptureError
        when an address is taken, or a camera gives no picture.
    """
    app = make_app(service, listen.rules)
    with _sockets(listen) as sockets:
        # local cues have a server of their own, so that nobody on the network can fill it
        servers = [(_Server(_config(app)), [one]) for one in sockets]
        service.start()
        try:
            faults = asyncio.run(_until_told(service, servers, ready, anyway))
        finally:
            service.close()
    if faults:
        more = f" (and {len(faults) - 1} more)" if len(faults) > 1 else ""
        raise CaptureError(f"{faults[0]}{more}", "mend it, or start with --anyway")


def quiet_server(app: AccessGuard) -> uvicorn.Server:
    """Return a server of the application that leaves signals alone."""
    return _Server(_config(app))


def _config(app: AccessGuard) -> uvicorn.Config:
    return uvicorn.Config(
        app,
        http=LimitedProtocol,
        ws="none",
        lifespan="off",
        log_config=None,
        access_log=False,
        server_header=False,
        date_header=False,
        proxy_headers=False,
        timeout_keep_alive=5,
        limit_concurrency=64,
        backlog=64,
        h11_max_incomplete_event_size=MAX_HEAD,
        timeout_graceful_shutdown=3,
    )


async def _until_told(
    service: CaptureService,
    servers: list[tuple[_Server, list[socket.socket]]],
    ready: Callable[[list[str]], None] | None,
    anyway: bool,
) -> list[str]:
    """Serve until a signal comes; return what made the start fail."""
    failed: list[str] = []

    def end() -> None:
        for server, _ in servers:
            server.should_exit = True

    async def announce() -> None:
        while not all(server.started for server, _ in servers):
            await asyncio.sleep(0.01)
        faults = await asyncio.to_thread(service.wait_for_cameras)
        if faults and not anyway:
            failed.extend(faults)
            end()
            return
        if ready is not None:
            ready(faults)
        notify_systemd("READY=1")

    for number in (signal.SIGTERM, signal.SIGINT):
        asyncio.get_running_loop().add_signal_handler(number, end)
    announcing = asyncio.create_task(announce())
    try:
        await asyncio.gather(*(server.serve(sockets=sockets) for server, sockets in servers))
    finally:
        announcing.cancel()
    return failed


@contextlib.contextmanager
def _sockets(listen: Listen) -> Iterator[list[socket.socket]]:
    with contextlib.ExitStack() as stack:
        local = stack.enter_context(unix_socket(listen.socket_path))
        stack.callback(listen.socket_path.unlink, missing_ok=True)
        sockets = [local]
        if listen.port:
            family = socket.AF_INET6 if ":" in listen.host else socket.AF_INET
            network = stack.enter_context(socket.socket(family, socket.SOCK_STREAM))
            network.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            try:
                network.bind((listen.host, listen.port))
            except OSError as error:
                raise CaptureError(
                    f"cannot listen at {listen.host}:{listen.port} ({error.strerror})",
                    "choose another --port",
                ) from None
            sockets.append(network)
        yield sockets


def unix_socket(path: Path) -> socket.socket:
    """Return a bound socket file that nobody else may connect to.

    Raises
    ------
    CaptureError
        when a service holds it, or the path is too long.
    """
    if path.exists() and stat.S_ISSOCK(path.stat().st_mode):
        with socket.socket(socket.AF_UNIX) as probe:
            if probe.connect_ex(str(path)) == 0:
                raise CaptureError("a service for this job runs already", "end that one first", path=path)
        path.unlink()  # left over from a service that was killed
    made = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
    mask = os.umask(0o177)  # nobody else may connect, from the first moment on
    try:
        made.bind(str(path))
    except OSError as error:
        made.close()
        raise CaptureError(
            f"cannot make the socket ({error.strerror})", "give the job folder a shorter path", path=path
        ) from None
    finally:
        os.umask(mask)
    return made


def notify_systemd(words: str) -> None:
    """Tell systemd, where it started this process."""
    address = os.environ.get("NOTIFY_SOCKET", "")
    if not address:
        return
    with contextlib.suppress(OSError), socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as told:
        told.connect("\0" + address[1:] if address.startswith("@") else address)
        told.send(words.encode())
