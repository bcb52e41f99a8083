#!/usr/bin/env python3
"""Write ``commands.md``, the command reference, from the commands' own help."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import click

from twinlapse.cli.root import COMMANDS, cli

HEAD = """# Commands

Every command and option of `twinlapse`, as `--help` prints it (`python docs/write_commands.py` writes this).

Options are named like the keys of the rig file and end in their unit. Every command takes `--json` (one
object on standard output, nothing else), `--quiet` and `--verbose`. Colour is used for progress on a terminal
only, and follows `NO_COLOR`. Where a command reads G-code, `-` is standard input.

| exit status | meaning |
|---|---|
| 0 | done |
| 1 | done, but a check failed: the proof does not hold, the first layer has gaps |
| 2 | bad usage or bad input, in one line: `FILE:LINE: what is wrong; what to do` |
| 3 | a fault of twinlapse itself; `-v` prints the details to report |
| 130 | stopped by the user |

Shell completion of commands and options, in bash for this session:

```sh
eval "$(_TWINLAPSE_COMPLETE=bash_source twinlapse)"
```

To keep it, add the line to `~/.bashrc`. In zsh write `zsh_source` for `bash_source` and add it to `~/.zshrc`;
in fish run `_TWINLAPSE_COMPLETE=fish_source twinlapse > ~/.config/fish/completions/twinlapse.fish` once.
"""


def reference() -> str:
    """Return the whole page."""
    width: dict[str, Any] = {"terminal_width": 96, "max_content_width": 96}
    root = click.Context(cli, info_name="twinlapse", help_option_names=["-h", "--help"], **width)
    parts = [HEAD]
    for name in COMMANDS:
        command = cli.get_command(root, name)
        assert command is not None
        parts.extend(_sections(command, root, name))
    return "\n".join(parts)


def _sections(command: click.Command, parent: click.Context, name: str) -> Iterator[str]:
    context = click.Context(command, info_name=name, parent=parent, terminal_width=96, max_content_width=96)
    yield f"## {context.command_path}\n\n```text\n{command.get_help(context).rstrip()}\n```\n"
    if isinstance(command, click.Group):
        for child_name in command.list_commands(context):
            child = command.get_command(context, child_name)
            assert child is not None
            yield from _sections(child, context, child_name)


if __name__ == "__main__":
    (Path(__file__).parent / "commands.md").write_text(reference(), encoding="utf-8")
