"""Where the service listens, and running it there until it is told to end."""

from __future__ import annotations

import asyncio
import contextlib
import os
import signal
import socket
import stat
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import uvicorn

from twinlapse.capture.access_policy import AccessRules, allowed_hosts, is_loopback, read_token
from twinlapse.capture.service import CaptureService
from twinlapse.capture.web import make_app
from twinlapse.errors import CaptureError
from twinlapse.frames.job import Job
from twinlapse.rig.capture_settings import Capture


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


def serve(service: CaptureService, listen: Listen, *, ready: Callable[[], None] | None = None) -> None:
    """Run the service until SIGTERM or SIGINT.

    Raises
    ------
    CaptureError
        when an address is taken.
    """
    with _sockets(listen) as sockets:
        config = uvicorn.Config(
            make_app(service, listen.rules),
            http="h11",
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
            h11_max_incomplete_event_size=16384,
            timeout_graceful_shutdown=3,
        )
        server = _Server(config)
        service.start()
        try:
            asyncio.run(_until_told(server, sockets, ready))
        finally:
            service.close()


async def _until_told(
    server: uvicorn.Server, sockets: list[socket.socket], ready: Callable[[], None] | None
) -> None:
    async def announce() -> None:
        while not server.started:
            await asyncio.sleep(0.01)
        if ready is not None:
            ready()
        _notify_systemd("READY=1")

    def end() -> None:
        server.should_exit = True

    for number in (signal.SIGTERM, signal.SIGINT):
        asyncio.get_running_loop().add_signal_handler(number, end)
    announcing = asyncio.create_task(announce())
    try:
        await server.serve(sockets=sockets)
    finally:
        announcing.cancel()


@contextlib.contextmanager
def _sockets(listen: Listen) -> Iterator[list[socket.socket]]:
    with contextlib.ExitStack() as stack:
        local = stack.enter_context(_unix_socket(listen.socket_path))
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


def _unix_socket(path: Path) -> socket.socket:
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


def _notify_systemd(words: str) -> None:
    address = os.environ.get("NOTIFY_SOCKET", "")
    if not address:
        return
    with contextlib.suppress(OSError), socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as told:
        told.connect("\0" + address[1:] if address.startswith("@") else address)
        told.send(words.encode())
