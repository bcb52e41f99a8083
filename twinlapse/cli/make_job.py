"""``twinlapse make-job``: a job folder ready for the print."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

import twinlapse
from twinlapse.cli.cautions import say_cautions
from twinlapse.cli.grammar import GCODE, Command, output_option, rig_option
from twinlapse.cli.output import Output, speaking

if TYPE_CHECKING:
    from twinlapse.frames.job import Job
    from twinlapse.shots import Plan

__all__ = ["command"]


@click.command(cls=Command)
@GCODE
@rig_option("The rig file; a written file carries its own.", name="rig_path")
@output_option("The job folder; made if it does not exist.", name="folder")
@speaking
def command(output: Output, *, gcode: Path, rig_path: Path | None, folder: Path) -> None:
    """Plan the shots of GCODE, insert and prove them, and keep everything in a job folder.

    Without --rig, GCODE is a file that 'twinlapse inject' wrote: it carries its plan and rig.

    The folder then holds original.gcode, rig.toml, plan.json and filmed.gcode, the file to print. 'twinlapse
    capture' takes its frames while it prints.
    """
    if rig_path is None:
        job, plan = _adopted(gcode, folder)
    else:
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


def _adopted(gcode: Path, folder: Path) -> tuple[Job, Plan]:
    from twinlapse.errors import FileProblemError
    from twinlapse.written_job import adopt_job, is_written

    if not gcode.exists():
        raise FileProblemError("there is no such G-code file", "check the path", path=gcode)
    if not is_written(gcode):
        raise click.UsageError(
            "a sliced file needs a rig: add --rig RIG ('twinlapse rig new' writes one)",
            click.get_current_context(),
        )
    return adopt_job(gcode, folder)
