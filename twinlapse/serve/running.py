"""Listening on the network and on the folder's own socket until the service is told to end."""

from __future__ import annotations

import asyncio
import contextlib
import signal
import socket
from collections.abc import Callable
from pathlib import Path

from twinlapse.capture.access_policy import AccessRules
from twinlapse.capture.serving import notify_systemd, quiet_server, unix_socket
from twinlapse.errors import CaptureError
from twinlapse.serve.service import ServeService
from twinlapse.serve.web import make_app

__all__ = ["SOCKET", "run"]

SOCKET = "serve.sock"


def run(
    service: ServeService, folder: Path, host: str, port: int, rules: AccessRules, ready: Callable[[], None]
) -> None:
    """Serve until SIGTERM or SIGINT.

    Raises
    ------
    CaptureError
        when an address is taken.
    """
    app = make_app(service, rules)
    with contextlib.ExitStack() as stack:
        path = folder / SOCKET
        local = stack.enter_context(unix_socket(path))
        stack.callback(path.unlink, missing_ok=True)
        sockets = [local]
        if port:
            sockets.append(stack.enter_context(_network(host, port)))
        servers = [(quiet_server(app), [one]) for one in sockets]  # the network cannot fill the local one
        service.start()
        stack.callback(service.stop)

        async def until_told() -> None:
            def end() -> None:
                for server, _ in servers:
                    server.should_exit = True

            async def announce() -> None:
                while not all(server.started for server, _ in servers):
                    await asyncio.sleep(0.01)
                ready()
                notify_systemd("READY=1")

            for number in (signal.SIGTERM, signal.SIGINT):
                asyncio.get_running_loop().add_signal_handler(number, end)
            announcing = asyncio.create_task(announce())
            await asyncio.gather(*(server.serve(sockets=each) for server, each in servers))
            announcing.cancel()

        asyncio.run(until_told())


def _network(host: str, port: int) -> socket.socket:
    made = socket.socket(socket.AF_INET6 if ":" in host else socket.AF_INET, socket.SOCK_STREAM)
    made.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        made.bind((host, port))
    except OSError as error:
        made.close()
        raise CaptureError(
            f"cannot listen at {host}:{port} ({error.strerror})", "choose another --port"
        ) from None
    return made
