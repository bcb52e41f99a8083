"""``twinlapse make-job``: a job folder ready for the print."""

from __future__ import annotations

from pathlib import Path

import click

import twinlapse
from twinlapse.cli.cautions import say_cautions
from twinlapse.cli.grammar import GCODE, Command, output_option, rig_option
from twinlapse.cli.output import Output, speaking

__all__ = ["command"]


@click.command(cls=Command)
@GCODE
@rig_option("The rig file; 'twinlapse rig new' writes one.", required=True, name="rig_path")
@output_option("The job folder; made if it does not exist.", name="folder")
@speaking
def command(output: Output, *, gcode: Path, rig_path: Path, folder: Path) -> None:
    """Plan the shots of GCODE, insert and prove them, and keep everything in a job folder.

    The folder then holds original.gcode, rig.toml, plan.json and filmed.gcode, the file to print. 'twinlapse
    capture' takes its frames while it prints.
    """
    with output.progress("Planning, inserting, proving") as progress:
        job, plan = twinlapse.make_job(gcode, rig_path, folder, progress=progress)
    for warning in plan.warnings:
        output.warn(warning)
    output.say(f"{job.filmed}: {len(plan.shots)} shots, {plan.cost_s / 60:.1f} min longer, proven.")
    output.say(f"Print this file, and run 'twinlapse capture {folder}' while it prints.")
    say_cautions(output, job.filmed)
    output.result(
        {
            "job": str(job.folder),
            "file": str(job.filmed),
            "shot_count": len(plan.shots),
            "added_s": round(plan.cost_s, 3),
            "warnings": list(plan.warnings),
        }
    )
