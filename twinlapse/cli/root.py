"""The command group: a command's module is imported only when that command runs."""

from __future__ import annotations

import importlib

import click

import twinlapse

# name -> (module in twinlapse.cli, one line of help); order of the job
COMMANDS: dict[str, tuple[str, str]] = {
    "demo": ("demo", "Run the whole job once on the sample print, with simulated pictures."),
    "analyse": ("analyse", "Say what a sliced file holds: layers, heights, time, what is odd."),
    "plan": ("plan", "Choose the shots and say what they cost."),
    "inject": ("inject", "Write the shots into the sliced file, and prove the result."),
    "prove": ("prove", "Check that a written file prints what the original prints."),
    "rehearse": ("rehearse", "Simulate the print and take pictures of it."),
    "capture": ("capture", "Take the pictures while the machine prints: the service."),
    "shoot": ("shoot", "Tell the capture service to take one shot now."),
    "pair": ("pair", "Find the shots in continuous recordings, where nothing cued the cameras."),
    "render": ("render", "Make the film."),
    "render-all": ("render_all", "Make the films of many jobs, here or on a cluster."),
    "film-sheet": ("film_sheet", "Show in one picture what alignment and light do to the frames."),
    "firstlayer": ("firstlayer", "Show the first layer from above and say what is wrong on it."),
    "rig": ("rig", "Fit and aim the cameras: write, check and draw the rig."),
}


class LazyGroup(click.Group):
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
@click.version_option(twinlapse.__version__, prog_name="twinlapse", message="%(prog)s %(version)s")
def cli() -> None:
    """Plan, take and edit the time-lapse film of a filament print seen by two cameras.

    Exit status: 0 done; 1 done, and the answer is "no"; 2 bad usage or bad input.
    """
