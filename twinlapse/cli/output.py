"""What a command prints: text for people, one JSON object for programs, progress on a terminal only.

Colour is used in the progress bar alone; it follows NO_COLOR (https://no-color.org).
"""

from __future__ import annotations

import contextlib
import functools
import json
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any

import click

from twinlapse import compile_notice

__all__ = ["Output", "speaking"]


@dataclass(frozen=True, slots=True)
class Output:
    """Where the output of a command goes."""

    as_json: bool
    quiet: bool
    verbose: bool = False

    def detail(self, text: str = "") -> None:
        """Print a line for people who asked for more with ``-v``."""
        if self.verbose:
            self.say(text)

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
            TextColumn("{task.fields[note]}"),
        )
        with Progress(*columns, console=Console(stderr=True), transient=False) as bars:
            task = bars.add_task(title, total=1.0, note="")
            with compile_notice.counted(lambda loop: bars.update(task, note=f"compiling loop {loop}")):
                yield lambda share: bars.update(task, completed=share, note="")


def speaking(function: Callable[..., Any]) -> Callable[..., Any]:
    """Give a command ``--json``, ``--quiet`` and ``--verbose``, and an Output as its first argument."""

    @click.option("--json", "as_json", is_flag=True, help="Print one JSON object and nothing else.")
    @click.option("-q", "--quiet", is_flag=True, help="Print errors only.")
    @click.option("-v", "--verbose", is_flag=True, help="Print more; the traceback of a fault of twinlapse.")
    @functools.wraps(function)
    def wrapped(*, as_json: bool, quiet: bool, verbose: bool, **options: Any) -> Any:
        output = Output(as_json, quiet, verbose)
        if sys.stderr.isatty():
            compile_notice.ask(output.warn)
        return function(output, **options)

    return wrapped
