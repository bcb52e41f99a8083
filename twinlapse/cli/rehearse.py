"""``twinlapse rehearse``: simulate the print and take its frames."""

from __future__ import annotations

from pathlib import Path

import click

import twinlapse
from twinlapse.cli.grammar import GCODE, Command, output_option, rig_option
from twinlapse.cli.output import Output, speaking

__all__ = ["command"]


def _names(_: click.Context, __: click.Parameter, value: str | None) -> tuple[str, ...]:
    from twinlapse.rehearsal.nuisances import nuisances_of

    names = tuple(name.strip() for name in (value or "").split(",") if name.strip())
    try:
        nuisances_of(names)
    except ValueError as error:
        raise click.BadParameter(str(error)) from None
    return names


@click.command(cls=Command)
@GCODE
@rig_option("The rig file.", required=True, name="rig_path")
@output_option("The job folder to fill.", name="folder")
@click.option(
    "--plan", "plan_path", type=click.Path(path_type=Path), help="The plan by which GCODE was written."
)
@click.option("--seed", type=int, default=1, show_default=True, help="Equal seeds give equal frames.")
@click.option("--perfect", is_flag=True, help="No errors of machine or cameras, no missing frames.")
@click.option(
    "--nuisances",
    callback=_names,
    metavar="NAME,...",
    help="What real cameras and machines show: optics, true-camera, strings, dirty-nozzle, pebbled-sheet, "
    "hard for all of these; parking-mm=0.3, missing-frames=5.",
)
@speaking
def command(
    output: Output,
    *,
    gcode: Path,
    rig_path: Path,
    folder: Path,
    plan_path: Path | None,
    seed: int,
    perfect: bool,
    nuisances: tuple[str, ...],
) -> None:
    """Simulate the print of GCODE and take the frames of all cameras.

    GCODE is a written file, or a sliced file whose shots are then planned and inserted first.
    """
    with output.progress("Printing in a simulation") as progress:
        done = twinlapse.rehearse(
            gcode,
            rig_path,
            folder,
            plan=plan_path,
            seed=seed,
            perfect=perfect,
            nuisances=nuisances,
            progress=progress,
        )
    for camera, count in done.frames.items():
        spoilt = f"{done.missing[camera]} missing, {done.damaged[camera]} damaged"
        output.say(f"{done.job.frames / camera}: {count} frames, {spoilt}.")
    output.say(f"Next: twinlapse render {folder} -o {folder / 'film.mp4'}")
    output.result(
        {
            "job": str(folder),
            "frame_count": done.frames,
            "missing_count": done.missing,
            "damaged_count": done.damaged,
            "print_s": round(done.print_s, 3),
            "seed": seed,
            "nuisances": list(nuisances),
            "truth": str(folder / "truth.json"),
        }
    )
