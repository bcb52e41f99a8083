"""What a command says: words for people, one JSON object for programs, progress on a terminal only."""

from __future__ import annotations

import contextlib
import functools
import json
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any

import click


@dataclass(frozen=True, slots=True)
class Output:
    """Where a command's words go."""

    as_json: bool
    quiet: bool

    def say(self, text: str = "") -> None:
        """Print a line for people."""
        if not self.as_json and not self.quiet:
            click.echo(text)

    def warn(self, text: str) -> None:
        """Print a line that must be seen, on standard error."""
        if not self.quiet:
            click.echo(f"twinlapse: {text}", err=True)

    def result(self, value: dict[str, Any]) -> None:
        """Print the one JSON object of ``--json``."""
        if self.as_json:
            click.echo(json.dumps(value, allow_nan=False))

    @contextlib.contextmanager
    def progress(self, title: str) -> Iterator[Callable[[float], None]]:
        """Yield a function that takes the share done, 0 to 1; it draws on a terminal and nowhere else."""
        if self.as_json or self.quiet or not sys.stderr.isatty():
            yield lambda share: None
            return
        from rich.console import Console
        from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

        columns = (
            TextColumn("{task.description:<28}"),
            BarColumn(),
            TextColumn("{task.percentage:>3.0f} %"),
            TimeElapsedColumn(),
        )
        with Progress(*columns, console=Console(stderr=True), transient=False) as bars:
            task = bars.add_task(title, total=1.0)
            yield lambda share: bars.update(task, completed=share)


def speaking(function: Callable[..., Any]) -> Callable[..., Any]:
    """Give a command ``--json`` and ``--quiet`` and hand it an Output as its first argument."""

    @click.option("--json", "as_json", is_flag=True, help="Print one JSON object and nothing else.")
    @click.option("-q", "--quiet", is_flag=True, help="Print errors only.")
    @functools.wraps(function)
    def wrapped(*, as_json: bool, quiet: bool, **options: Any) -> Any:
        return function(Output(as_json, quiet), **options)

    return wrapped
