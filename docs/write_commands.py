#!/usr/bin/env python3
"""Write ``commands.md``, the command reference, from the commands' own help."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import click

from twinlapse.cli.root import COMMANDS, cli

HEAD = """# Commands

Every command and option of `twinlapse`, as `--help` says it (`python docs/write_commands.py` writes this).

Every command takes `--json` (one object on standard output, nothing else) and `--quiet`. Exit status: 0
done; 1 done, and the answer is "no" (the proof fails, layer 1 has gaps); 2 bad usage or bad input, said
in one line `FILE:LINE: what is wrong; what to do`.
"""


def reference() -> str:
    """Return the whole page."""
    width = {"terminal_width": 96, "max_content_width": 96}
    root = click.Context(cli, info_name="twinlapse", help_option_names=["-h", "--help"], **width)
    parts = [HEAD]
    for name in COMMANDS:
        command = cli.get_command(root, name)
        assert command is not None
        parts.extend(_sections(command, root, name))
    return "\n".join(parts)


def _sections(command: click.Command, parent: click.Context, name: str) -> Iterator[str]:
    context = click.Context(command, info_name=name, parent=parent, terminal_width=96, max_content_width=96)
    yield f"## {context.command_path}\n\n```\n{command.get_help(context).rstrip()}\n```\n"
    if isinstance(command, click.Group):
        for child_name in command.list_commands(context):
            child = command.get_command(context, child_name)
            assert child is not None
            yield from _sections(child, context, child_name)


if __name__ == "__main__":
    (Path(__file__).parent / "commands.md").write_text(reference(), encoding="utf-8")
