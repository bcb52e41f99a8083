"""The command group: a command's module is imported only when that command runs."""

from __future__ import annotations

import importlib

import click

import twinlapse
from twinlapse.cli.grammar import CommandGroup

__all__ = ["COMMANDS", "LazyGroup", "cli"]

# name -> (module in twinlapse.cli, one line of help); order of the job
COMMANDS: dict[str, tuple[str, str]] = {
    "demo": ("demo", "Run the whole job once on the sample print, with simulated frames."),
    "rig": ("rig", "Describe the printer and its cameras; fit and aim the cameras."),
    "analyse": ("analyse", "Report layers, heights, print time, extents and anything unusual in a file."),
    "plan": ("plan", "Choose the shots and report the time they add."),
    "inject": ("inject", "Insert the shots into a sliced file, and prove the result."),
    "prove": ("prove", "Check that a written file prints what the original prints."),
    "make-job": ("make_job", "Make a job folder: plan, insert and prove in one step."),
    "rehearse": ("rehearse", "Simulate the print and take its frames with virtual cameras."),
    "capture": ("capture", "Take the frames while the machine prints: the service."),
    "serve": ("serve", "Wait for prints, capture them and make their films: always on, several printers."),
    "send": ("send", "Send a file to the service."),
    "cue-test": ("cue_test", "Show what the service hears from a printer."),
    "shoot": ("shoot", "Tell the capture service to take one shot now."),
    "trust": ("trust", "Let the commands of a rig run: lights, power, alarms."),
    "pair": ("pair", "Find the shots in continuous recordings made without cues."),
    "first-layer": ("first_layer", "Map a surveyed layer and report its defects."),
    "render": ("render", "Make the film."),
    "render-all": ("render_all", "Make the films of many jobs, here or on a cluster."),
    "film-sheet": ("film_sheet", "Show alignment and light correction of all frames in one picture."),
}


class LazyGroup(CommandGroup):
    """A group that knows its commands by name and loads one when it is called."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Return the names in the order of the job."""
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Import and return one command."""
        if cmd_name not in COMMANDS:
            return None
        module = importlib.import_module(f"twinlapse.cli.{COMMANDS[cmd_name][0]}")
        command: click.Command = module.command
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Write the table of commands without importing any."""
        with formatter.section("Commands"):
            formatter.write_dl([(name, text) for name, (_, text) in COMMANDS.items()])


@click.group(cls=LazyGroup, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(
    twinlapse.__version__, "-V", "--version", prog_name="twinlapse", message="%(prog)s %(version)s"
)
def cli() -> None:
    """Plan, take and edit the time-lapse film of a filament print seen by two cameras.

    Exit status: 0 done; 1 done, but a check failed; 2 bad usage or bad input; 3 a fault of twinlapse.
    """
