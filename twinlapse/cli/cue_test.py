"""``twinlapse cue-test``: every line of a printer as it arrives at the service."""

from __future__ import annotations

from pathlib import Path

import click

from twinlapse.cli.grammar import Command
from twinlapse.cli.output import Output, speaking

__all__ = ["command"]


@click.command(cls=Command)
@click.option("--to", "address", metavar="URL", default="http://127.0.0.1:8137", show_default=True)
@click.option("--printer", metavar="NAME", default="", help="Which printer; the only one if omitted.")
@click.option("--token-file", type=click.Path(path_type=Path), help="File with the token of the service.")
@click.option(
    "--for-s", "limit_s", type=click.FloatRange(0), default=60.0, show_default=True, help="How long."
)
@speaking
def command(output: Output, address: str, printer: str, token_file: Path | None, limit_s: float) -> None:
    """Show every line that the service hears from a printer, and what it means; say what is missing.

    Send 'M118 twinlapse begin 000000' from the printer's console meanwhile. Exit status 1: nothing was heard.
    """
    from twinlapse.serve.sending import watch_lines

    token = token_file.read_text("utf-8-sig").strip() if token_file is not None else ""
    heard = []
    for line in watch_lines(address, printer, token, limit_s, output.say):
        output.say(
            f"{line['channel']}: {line['text']}{'   <- ' + line['meaning'] if line['meaning'] else ''}"
        )
        heard.append(line)
    meant = sum(bool(line["meaning"]) for line in heard)
    output.say(f"{len(heard)} lines, {meant} of them for twinlapse")
    if not meant:
        output.say("no line for twinlapse came: does the firmware send M118 to this channel?")
    output.result({"lines": heard, "meant": meant})
    if not heard:
        raise SystemExit(1)
