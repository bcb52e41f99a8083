"""``twinlapse rehearse``: execute the file in a simulation and take its pictures."""

from __future__ import annotations

from pathlib import Path

import click

import twinlapse
from twinlapse.cli.output import Output, speaking


@click.command()
@click.argument("gcode", type=click.Path(path_type=Path))
@click.option("--rig", "rig_path", type=click.Path(path_type=Path), required=True, help="The rig file.")
@click.option(
    "-o", "--output", "folder", type=click.Path(path_type=Path), required=True, help="The job folder to fill."
)
@click.option(
    "--plan", "plan_path", type=click.Path(path_type=Path), help="The plan by which GCODE was written."
)
@click.option("--seed", type=int, default=1, show_default=True, help="Equal seeds give equal pictures.")
@click.option("--perfect", is_flag=True, help="No errors of machine or cameras, no frame missing.")
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
) -> None:
    """Print GCODE in a simulation and take the pictures of all cameras.

    GCODE is a sliced file, whose shots are then planned and written first, or a written file.
    """
    with output.progress("Printing in a simulation") as progress:
        done = twinlapse.rehearse(
            gcode, rig_path, folder, plan=plan_path, seed=seed, perfect=perfect, progress=progress
        )
    for camera, count in done.frames.items():
        spoilt = f"{done.missing[camera]} missing, {done.damaged[camera]} damaged"
        output.say(f"{done.job.frames / camera}: {count} frames, {spoilt}.")
    output.say(f"Next: twinlapse render {folder} -o {folder / 'film.mp4'}")
    output.result(
        {
            "job": str(folder),
            "frames": done.frames,
            "missing": done.missing,
            "damaged": done.damaged,
            "print_s": round(done.print_s, 3),
            "seed": seed,
            "truth": str(folder / "truth.json"),
        }
    )
