"""``twinlapse film-sheet``."""

from __future__ import annotations

from pathlib import Path

import click

from twinlapse.cli.grammar import Command, output_option, rig_option
from twinlapse.cli.output import Output, speaking

__all__ = ["command"]


@click.command(cls=Command)
@click.argument("job", type=click.Path(path_type=Path), required=False)
@output_option("The picture.", ".png", ".jpg", ".jpeg", name="out")
@click.option(
    "--frames",
    multiple=True,
    metavar="CAMERA=DIR",
    help="Frames of one camera from any folder, or from a film; repeat it for each camera.",
)
@rig_option("A rig file with settings for the cameras.")
@speaking
def command(
    output: Output, *, job: Path | None, out: Path, frames: tuple[str, ...], rig: Path | None
) -> None:
    """Show alignment and light correction of all frames of JOB in one picture, before you wait for the film.

    Each strip holds one column of every frame: a steady camera gives straight lines, shake gives a zigzag.
    The ten most doubtful frames of each camera are shown below.
    """
    from twinlapse.cli.render import gather
    from twinlapse.film.render import measured, one_thread_a_picture
    from twinlapse.film.report import dropped_files, hidden_files, unsure_files
    from twinlapse.film.sheet import film_sheet
    from twinlapse.film.stills import write_picture

    found = gather(job, frames, rig, {})
    with output.progress("measuring") as progress, one_thread_a_picture():
        _, tracks, options = measured(found.sources, found.plan, found.options, progress)
        write_picture(out, film_sheet(tracks, options.filming.background))
    dropped, hidden, unsure = dropped_files(tracks), hidden_files(tracks), unsure_files(tracks)
    for fault in dropped:
        output.warn(fault)
    for reason in hidden:
        output.warn(f"not shown: {reason}")
    output.say(
        f"{out}: {len(dropped)} frames unreadable, {len(hidden)} not shown, "
        f"{len(unsure)} moved as their neighbours are; all others aligned"
    )
    output.result(
        {"sheet": str(out), "dropped": list(dropped), "hidden": list(hidden), "unsure": list(unsure)}
    )
