"""``twinlapse render``."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from twinlapse.cli.grammar import Command, OutputFile, drawing_option, output_option, rig_option
from twinlapse.cli.output import Output, speaking

if TYPE_CHECKING:
    from twinlapse.job_film import FilmInputs

__all__ = ["command", "gather"]


@click.command(cls=Command)
@click.argument("job", type=click.Path(path_type=Path), required=False)
@output_option("The film: .mp4, .m4v, .webm, .gif or .webp.", name="out")
@click.option(
    "--frames",
    multiple=True,
    metavar="CAMERA=DIR",
    help="Frames of one camera from any folder, or from a film; repeat it for each camera.",
)
@rig_option("A rig file with [film] settings.")
@click.option("--layout", metavar="NAME", help="inset, side, stack, single or near-far.")
@click.option("--shape", metavar="SHAPE", help="16:9, 9:16, 1:1, 4:5, 4:3 or a size such as 1600x900.")
@click.option(
    "--fit", metavar="HOW", help="fill (crops, never the print), fit (never crops), cut (always fills)."
)
@click.option("--height-px", type=int, metavar="PX", help="Short side of the film.")
@click.option("--fps", metavar="RATE", help='Film frames a second: 30, 25, "30000/1001".')
@click.option("--length-s", type=float, metavar="S", help="Length of the film without its pauses.")
@click.option("--overlay", metavar="LIST", help='"all", "none", or names separated by commas.')
@click.option("--title", metavar="TEXT", help="Title of the film.")
@click.option("--title-s", type=float, metavar="S", help="How long a title card is shown.")
@click.option("--end-s", type=float, metavar="S", help="How long an end card with the print's data is shown.")
@click.option("--ease", metavar="SHARE", help='How much slower the first layers go: 0 to 0.9, or "auto".')
@click.option("--moments", is_flag=True, default=None, help="Zoom to the nozzle when something happens.")
@click.option("--captions/--no-captions", default=None, help="Say what happened; on by default.")
@click.option("--sound", metavar="FILE", help="Sound track: cut or repeated to the film's length, faded.")
@click.option("--codec", metavar="NAME", help="h264, h265, vp9 or av1; default: by the suffix.")
@click.option("--quality", type=int, metavar="N", help="0 the best, 18 as good as the source, 30 small.")
@click.option("--between", metavar="HOW", help="cut, or fade from shot to shot.")
@click.option("--loop", is_flag=True, default=None, help="Play forward, then back.")
@click.option("--keep", multiple=True, metavar="SHOTS", help="Always show these shots: 12, 3,7-9, wide:12.")
@click.option("--drop", multiple=True, metavar="SHOTS", help="Never show these; the shot before stands in.")
@click.option("--preview", is_flag=True, help="Render in seconds: small, every third shot.")
@click.option("--poster", type=OutputFile(), help="Also write the last film frame as a picture.")
@click.option("--contact", type=OutputFile(), help="Also write film frames in rows as a picture.")
@click.option("--aligned", type=OutputFile(), help="Also write every aligned frame to this folder.")
@click.option("--workers", type=click.IntRange(0, 64), default=0, help="Number of processes.")
@click.option(
    "--cluster", default="", metavar="ADDRESS", help="A dask.distributed scheduler, tcp://HOST:PORT."
)
@drawing_option("Plot shifts and gains", ".png", ".svg", ".pdf")
@speaking
def command(
    output: Output,
    *,
    out: Path,
    job: Path | None,
    frames: tuple[str, ...],
    rig: Path | None,
    drawing: Path | None,
    **settings: Any,
) -> None:
    r"""Make the film of JOB, or of folders of frames.

    JOB is a job folder, or the written file that stands beside its job folder.

    \b
    twinlapse render JOB -o film.mp4
    twinlapse render --frames wide=DIR --frames nozzle=DIR -o film.mp4
    """
    from twinlapse.film import render_film
    from twinlapse.film.report import shot_numbers, spans, together

    extras = {
        name: settings.pop(name) for name in ("preview", "poster", "contact", "aligned", "workers", "cluster")
    }
    try:
        keep, drop = (shot_numbers(settings.pop(name)) for name in ("keep", "drop"))
    except ValueError as error:
        raise click.UsageError(str(error)) from None
    found = gather(job, frames, rig, settings)
    for camera in {*keep, *drop} - {*found.sources, ""}:
        raise click.UsageError(f"There is no camera {camera!r}; there is {', '.join(found.sources)}.")
    options = replace(found.options, keep=keep, drop=drop, **extras)
    with output.progress("film") as progress:
        report = render_film(found.sources, found.plan, options, out, progress=progress)
    if drawing is not None:
        from twinlapse.cli.film_plot import draw

        draw(report, drawing)
    for camera, shots in report.missing.items():
        if shots:
            output.warn(f"{camera}: no frame of shot {spans(shots)}")
    for fault in together(report.dropped):
        output.warn(fault)
    for reason in together(report.hidden):
        output.warn(f"not shown: {reason}")
    if report.hidden:
        output.say("Show a frame all the same with --keep SHOT.")
    if report.unsure:
        output.warn(
            f"{len(report.unsure)} frames are unsure of their motion: moved as their neighbours or not at all"
        )
    if report.inset is not None:
        output.say(
            f"Inset {report.inset['corner']}: hides {report.inset['print_share']:.0%} of the print, "
            f"{report.inset['change_share']:.0%} of what changes."
        )
    if report.paired and job is None:
        output.say(f"Frames of the cameras were brought together {report.paired}.")
    output.say(
        f"{report.film}: {report.frames} frames, {report.width} x {report.height}, "
        f"{report.seconds:.1f} s; {report.held} gaps covered"
    )
    output.result(report.to_json())


def gather(
    job: Path | None, frames: tuple[str, ...], rig: Path | None, settings: dict[str, Any]
) -> FilmInputs:
    """Return what the film of a job folder or of named folders is made from."""
    from twinlapse.job_film import inputs_of_folders, inputs_of_job
    from twinlapse.written_job import job_beside

    if (job is None) == (not frames):
        raise click.UsageError(
            "name a job folder, or folders with --frames CAMERA=DIR", click.get_current_context()
        )
    if job is not None:
        return inputs_of_job(job_beside(job), settings, rig)
    named = [_named(text) for text in frames]
    names = [name for name, _ in named]
    twice = next((name for name in names if names.count(name) > 1), None)
    if twice is not None:
        raise click.UsageError(
            f"--frames {twice}=... is given twice; give every camera a name of its own",
            click.get_current_context(),
        )
    folders = dict(named)
    places: dict[Path, str] = {}
    for name, place in folders.items():
        other = places.setdefault(place.resolve(), name)
        if other != name:
            raise click.UsageError(
                f"--frames {name}={place} and {other} are the same pictures; name another folder",
                click.get_current_context(),
            )
    return inputs_of_folders(folders, settings, rig)


def _named(text: str) -> tuple[str, Path]:
    name, equals, folder = text.partition("=")
    if not equals or not name or not folder:
        raise click.UsageError(
            f"--frames {text} lacks the camera's name; write --frames wide={text}",
            click.get_current_context(),
        )
    return name, Path(folder)
