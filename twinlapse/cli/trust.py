"""``twinlapse trust``: say that the commands of a rig may run."""

from __future__ import annotations

from pathlib import Path

import click

from twinlapse.cli.output import Output, speaking

__all__ = ["command"]


@click.command()
@click.argument("path", metavar="JOB|RIG", type=click.Path(path_type=Path))
@speaking
def command(output: Output, path: Path) -> None:
    """Let the commands of JOB's rig, or of a rig file, run: those for lights, power and alarms.

    Read the list that is printed first: these programs will run as your user.
    """
    from twinlapse.capture.trust import commands_of, in_words, trust
    from twinlapse.frames.job import rig_of
    from twinlapse.written_job import job_beside

    rig = rig_of(job_beside(path) if path.suffix != ".toml" else path)
    commands = commands_of(rig)
    if not commands:
        output.say("this rig runs no commands")
        output.result({"commands": []})
        return
    file = trust(commands)
    output.say(f"these may run from now on (written to {file}):\n{in_words(commands)}")
    output.result({"commands": [list(words) for words in commands], "file": str(file)})
