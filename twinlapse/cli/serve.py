"""``twinlapse serve``: the always-on service for one or several printers."""

from __future__ import annotations

from pathlib import Path

import click

import twinlapse
from twinlapse.cli.grammar import Command
from twinlapse.cli.output import Output, speaking

__all__ = ["command"]


@click.command(cls=Command)
@click.argument("folder", metavar="[FOLDER]", type=click.Path(path_type=Path), default="twinlapse")
@click.option("--listen", "host", metavar="ADDRESS", default="127.0.0.1", show_default=True)
@click.option("--port", type=click.IntRange(0, 65535), default=8137, show_default=True, help="0: no network.")
@click.option("--expose", is_flag=True, help="Allow an address that other machines can reach.")
@click.option("--host-name", multiple=True, metavar="NAME", help="A name under which browsers call it.")
@click.option(
    "--budget-gb", type=click.FloatRange(0), default=0.0, help="Oldest finished jobs go beyond this."
)
@click.option("--unit", is_flag=True, help="Print a systemd unit and end.")
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
) -> None:
    """Take files in, capture prints by themselves, make their films; ends with SIGTERM or Ctrl-C.

    FOLDER holds printers/NAME/rig.toml, one folder a printer, and everything that the service makes. Sliced
    files come by the page, 'twinlapse send', or the folder incoming/NAME.
    """
    from twinlapse.serve.install import container_text, unit_text

    if unit or container:
        text = (
            unit_text(folder, host, port, expose, budget_gb)
            if unit
            else container_text(port, twinlapse.__version__)
        )
        output.say(text)
        output.result({"text": text})
        return
    from twinlapse.capture.access_policy import AccessRules, allowed_hosts, is_loopback, read_token
    from twinlapse.errors import CaptureError
    from twinlapse.files import make_folder
    from twinlapse.serve.running import run
    from twinlapse.serve.service import ServeService

    if not is_loopback(host) and not expose:
        raise CaptureError(f"{host} can be reached from other machines", "add --expose if that is meant")
    make_folder(folder)
    token = "" if is_loopback(host) else read_token(folder / "token")
    rules = AccessRules(hosts=allowed_hosts(host, port, host_name), token=token)
    service = ServeService(folder, budget_gb=budget_gb)

    def ready() -> None:
        address = f"http://{host}:{port}/" if port else str(folder / "serve.sock")
        output.say(f"ready: {address}")
        if not service.printers:
            output.say(f"no printer yet: put its rig file at {folder}/printers/NAME/rig.toml and start again")
        if token:
            _pair(output, host, port, host_name, token)

    run(service, folder, host, port, rules, ready)
    output.result({"jobs": len(list(service.workspace.records()))})


def _pair(output: Output, host: str, port: int, names: tuple[str, ...], token: str) -> None:
    """Show the address that pairs a phone, as a QR code; never in a pipe, since it holds the token."""
    import sys

    if not sys.stdout.isatty():
        output.say("the token is in the file 'token' of the folder; start once on a terminal for a QR code")
        return
    import segno

    address = f"http://{names[0] if names else host}:{port}/#/?token={token}"
    segno.make(address).terminal(compact=True)
    output.say(f"or open {address}")
