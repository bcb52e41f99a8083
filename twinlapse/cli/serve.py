"""``twinlapse serve``: the always-on service for one or several printers."""

from __future__ import annotations

import contextlib
from pathlib import Path

import click

import twinlapse
from twinlapse.cli.grammar import LinuxCommand
from twinlapse.cli.output import Output, speaking

__all__ = ["command"]


@click.command(cls=LinuxCommand)
@click.argument("folder", metavar="[FOLDER]", type=click.Path(path_type=Path), default="twinlapse")
@click.option("--listen", "host", metavar="ADDRESS", default="127.0.0.1", show_default=True)
@click.option("--port", type=click.IntRange(0, 65535), default=8137, show_default=True, help="0: no network.")
@click.option("--expose", is_flag=True, help="Allow an address that other machines can reach.")
@click.option("--host-name", multiple=True, metavar="NAME", help="A name under which browsers call it.")
@click.option(
    "--budget-gb", type=click.FloatRange(0), default=0.0, help="Oldest finished jobs go beyond this."
)
@click.option("--unit", is_flag=True, help="Print a systemd unit and end.")
@click.option("--pair", is_flag=True, help="Show the QR code that pairs a phone and end; holds the token.")
@click.option("--container", is_flag=True, help="Print a container file and end.")
@speaking
def command(
    output: Output,
    folder: Path,
    host: str,
    port: int,
    expose: bool,
    host_name: tuple[str, ...],
    budget_gb: float,
    unit: bool,
    container: bool,
    pair: bool,
) -> None:
    """Take files in, capture prints by themselves, make their films; ends with SIGTERM or Ctrl-C.

    FOLDER holds printers/NAME/rig.toml, one folder a printer, and everything that the service makes. Sliced
    files come by the page, 'twinlapse send', or the folder incoming/NAME.
    """
    from twinlapse.serve.install import container_text, unit_text

    if unit or container:
        text = (
            unit_text(folder, host, port, expose, budget_gb, host_name, _send_folders(folder))
            if unit
            else container_text(port, twinlapse.__version__)
        )
        output.say(text)
        output.result({"text": text})
        return
    import sys

    from twinlapse.capture.access_policy import (
        AccessRules,
        allowed_hosts,
        is_loopback,
        own_names,
        read_token,
    )
    from twinlapse.errors import CaptureError
    from twinlapse.files import make_folder
    from twinlapse.serve.running import run
    from twinlapse.serve.service import ServeService

    if not is_loopback(host) and not expose and not pair:
        raise CaptureError(f"{host} can be reached from other machines", "add --expose if that is meant")
    make_folder(folder)
    token = "" if is_loopback(host) else read_token(folder / "token")
    if pair:
        if not token:
            raise CaptureError(f"{host} can be reached from this machine alone", "add --listen 0.0.0.0")
        output.result({"address": _pair(output, _reached(host, host_name), port, token)})
        return
    own = () if is_loopback(host) else own_names()
    rules = AccessRules(hosts=allowed_hosts(host, port, (*host_name, *own)), token=token)
    service = ServeService(folder, budget_gb=budget_gb)

    def ready() -> None:
        address = f"http://{host}:{port}/" if port else str(folder / "serve.sock")
        output.say(f"ready: {address}")
        if not service.printers:
            output.say(f"no printer yet: put its rig file at {folder}/printers/NAME/rig.toml and start again")
        if token and sys.stdout.isatty():
            _pair(output, _reached(host, host_name), port, token)
        elif token:
            output.say("pair a phone: twinlapse serve FOLDER --listen ADDRESS --pair")

    run(service, folder, host, port, rules, ready)
    output.result({"jobs": len(list(service.workspace.records()))})


def _send_folders(folder: Path) -> list[str]:
    """Return where the rigs of a folder send files; a rig with a fault names nothing."""
    from twinlapse.errors import TwinlapseError
    from twinlapse.serve.workspace import Workspace

    found: set[str] = set()
    if not folder.is_dir():
        return []
    workspace = Workspace(folder)
    for name in workspace.printers():
        with contextlib.suppress(TwinlapseError):
            found.add(workspace.rig(name).capture.send_folder)
    return sorted(found - {""})


def _pair(output: Output, host: str, port: int, token: str) -> str:
    """Show the address that pairs a phone, also as a QR code; return it."""
    import segno

    address = f"http://{f'[{host}]' if ':' in host else host}:{port}/#/?token={token}"
    if not (output.as_json or output.quiet):
        segno.make(address).terminal(compact=True)
    output.say(f"open {address}")
    return address


def _reached(host: str, names: tuple[str, ...]) -> str:
    """Return how a phone reaches this machine: by a name that was given, or its address in the network."""
    from twinlapse.capture.access_policy import address_in_network

    if names:
        return names[0]
    return address_in_network() if host in ("0.0.0.0", "::") else host  # noqa: S104
