"""What all commands share: options for files, suggestions for misspelt words, names of earlier versions."""

from __future__ import annotations

import atexit
import difflib
import shutil
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import click

from twinlapse.errors import CaptureError

__all__ = [
    "BOARD",
    "FORMER_COMMANDS",
    "FORMER_OPTIONS",
    "GCODE",
    "JOB",
    "RIG_FILE",
    "Command",
    "CommandGroup",
    "GcodeFile",
    "LinuxCommand",
    "OutputFile",
    "drawing_option",
    "needs_linux",
    "output_option",
    "rig_option",
]

FORMER_COMMANDS = {"firstlayer": "first-layer", "wedge": "mount"}
# an option of an earlier version -> those that have taken its place, in one command or another
FORMER_OPTIONS = {
    "--angle": ("--angle-deg",),
    "--at": ("--at-mm",),
    "--blur": ("--blur-px",),
    "--body": ("--body-mm",),
    "--cable": ("--cable-mm",),
    "--chart": ("--drawing",),
    "--corners": ("--corner-layers", "--corner-check", "--board"),
    "--height": ("--height-px",),
    "--length": ("--length-mm",),
    "--nozzle": ("--nozzle-mm",),
    "--out": ("--output",),
    "--patience": ("--patience-s",),
    "--picture": ("--drawing",),
    "--plot": ("--drawing",),
    "--screw": ("--screw-mm",),
    "--seconds": ("--length-s",),
    "--smallest": ("--smallest-mm",),
    "--square": ("--square-mm",),
    "--strap": ("--strap-mm",),
    "--survey": ("--survey-layers",),
    "--turn": ("--turn-deg",),
    "--wall": ("--wall-mm",),
}


class Command(click.Command):
    """A command whose former options are an error that names the new one."""

    def parse_args(self, ctx: click.Context, args: list[str]) -> list[str]:
        """Parse the words behind the command."""
        try:
            return super().parse_args(ctx, args)
        except click.NoSuchOption as error:
            names = {name for param in self.params for name in param.opts}
            for now in FORMER_OPTIONS.get(error.option_name, ()):
                if now in names:
                    raise click.UsageError(f"{error.option_name} is called {now} now", ctx) from None
            raise


class LinuxCommand(Command):
    """A command that takes pictures: elsewhere than on Linux it says so and ends."""

    def invoke(self, ctx: click.Context) -> Any:
        """Run the command."""
        needs_linux(ctx.command_path.removeprefix("twinlapse "))
        return super().invoke(ctx)


def needs_linux(command: str) -> None:
    """Raise where cameras, serial lines and the service's socket are not as on Linux.

    Raises
    ------
    CaptureError
        when this is another system.
    """
    if sys.platform != "linux":
        raise CaptureError(f"{command} takes pictures, which needs Linux", "the other commands run here")


class CommandGroup(click.Group):
    """A group that suggests a command for one that there is not."""

    command_class = Command

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        """Find the command that the first word names."""
        word = args[0]
        if self.get_command(ctx, word) is None and not word.startswith("-"):
            if word in FORMER_COMMANDS:
                raise click.UsageError(f"{word} is called {FORMER_COMMANDS[word]} now", ctx)
            near = difflib.get_close_matches(word, self.list_commands(ctx), n=1, cutoff=0.5)
            hint = f'did you mean "{near[0]}"?' if near else f"see '{ctx.command_path} --help'"
            raise click.UsageError(f'there is no command "{word}"; {hint}', ctx)
        return super().resolve_command(ctx, args)


class GcodeFile(click.ParamType):  # type: ignore[type-arg]
    """A G-code file; ``-`` is standard input, kept in a temporary file as long as the command runs."""

    name = "file"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Path:
        """Return the path."""
        if str(value) != "-":
            return Path(value)
        if sys.stdin.isatty():
            self.fail("standard input is a terminal; name a file, or write to this command in a pipe")
        folder = Path(tempfile.mkdtemp(prefix="twinlapse-"))
        atexit.register(shutil.rmtree, folder, ignore_errors=True)
        path = folder / "standard-input.gcode"
        with path.open("wb") as kept:
            shutil.copyfileobj(sys.stdin.buffer, kept)
        return path


class OutputFile(click.ParamType):  # type: ignore[type-arg]
    """A file to write, with one of some suffixes where they are given."""

    name = "file"

    def __init__(self, *suffixes: str) -> None:
        self.suffixes = suffixes

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Path:
        """Return the path, or say at once that it cannot be written like this."""
        path = Path(value)
        if str(path) == "-":
            self.fail("the result is a file; name it (--json writes to standard output)")
        if self.suffixes and path.suffix.lower() not in self.suffixes:
            listed = ", ".join(self.suffixes[:-1]) + f" or {self.suffixes[-1]}"
            self.fail(f"{path.name}: its name must end in {listed.removeprefix(' or ')}")
        return path


GCODE = click.argument("gcode", type=GcodeFile())
RIG_FILE = click.argument("rig_file", metavar="RIG", type=click.Path(path_type=Path))
JOB = click.argument("job_folder", metavar="JOB", type=click.Path(path_type=Path))

BOARD = click.option(
    "--board",
    "corners",
    type=(int, int),
    metavar="N M",
    default=(9, 6),
    show_default=True,
    help="Inner corners of the chessboard, across and down.",
)


def rig_option(text: str, *, required: bool = False, name: str = "rig") -> Callable[[Any], Any]:
    """Return the option ``-r, --rig``."""
    return click.option(
        "-r", "--rig", name, type=click.Path(path_type=Path), required=required, metavar="RIG", help=text
    )


def output_option(
    text: str, *suffixes: str, required: bool = True, name: str = "output"
) -> Callable[[Any], Any]:
    """Return the option ``-o, --output``."""
    return click.option("-o", "--output", name, type=OutputFile(*suffixes), required=required, help=text)


def drawing_option(text: str, *suffixes: str) -> Callable[[Any], Any]:
    """Return the option ``--drawing``."""
    return click.option("--drawing", type=OutputFile(*suffixes), help=f"{text} ({', '.join(suffixes)}).")
