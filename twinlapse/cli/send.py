"""``twinlapse send``: a sliced or written file to the service."""

from __future__ import annotations

from pathlib import Path

import click

from twinlapse.cli.grammar import GCODE, Command
from twinlapse.cli.output import Output, speaking

__all__ = ["command"]


@click.command(cls=Command)
@GCODE
@click.option("--to", "address", metavar="URL", required=True, help="http://board.local:8137")
@click.option("--printer", metavar="NAME", default="", help="For which printer; the only one if omitted.")
@click.option("--token-file", type=click.Path(path_type=Path), help="File with the token of the service.")
@speaking
def command(output: Output, gcode: Path, address: str, printer: str, token_file: Path | None) -> None:
    """Send GCODE to the service: it plans and proves a sliced file, and takes a written one as it is."""
    from twinlapse.serve.sending import send_file

    token = token_file.read_text("utf-8-sig").strip() if token_file is not None else ""
    with output.progress("Sending") as progress:
        told = send_file(gcode, address, printer, token, progress)
    output.say(f"job {told['code']} for {told['printer']}: {address.rstrip('/')}/#/job/{told['code']}")
    output.result(told)
