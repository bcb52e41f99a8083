"""``twinlapse demo``: the whole job on the garden club's seedling pot, with simulated frames."""

from __future__ import annotations

import shutil
import time
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

import twinlapse
from twinlapse.cli.cautions import say_cautions
from twinlapse.cli.grammar import Command
from twinlapse.cli.output import Output, speaking

if TYPE_CHECKING:
    from twinlapse.film import FilmReport
    from twinlapse.frames.job import Job
    from twinlapse.rig import Rig
    from twinlapse.shots import Plan

__all__ = ["STORY", "command"]

# long enough to begin slowly and to see it grow, with what the print took at the end
STORY: dict[str, Any] = {
    "title": "Seedling pot",
    "length_s": 7,
    "moments": True,
    "end_s": 3,
}


@click.command(cls=Command)
@click.argument("folder", metavar="[DIR]", type=click.Path(path_type=Path), default="twinlapse-demo")
@click.option("--seed", type=int, default=1, show_default=True, help="Equal seeds give equal frames.")
@click.option("--copy", is_flag=True, help="Only copy the sample's files, pot.gcode and rig.toml, to DIR.")
@speaking
def command(output: Output, *, folder: Path, seed: int, copy: bool) -> None:
    """Run the whole job once in DIR (default: twinlapse-demo), with simulated frames.

    Reads the sliced seedling pot, plans, inserts and proves its shots, simulates the print with two virtual
    cameras, and makes the film.
    """
    from twinlapse.early_compiling import begin_compiling
    from twinlapse.files import make_folder
    from twinlapse.frames.job import Job

    if copy:
        for path in twinlapse.copy_sample(folder):
            output.say(f"wrote {path}")
        output.result({"folder": str(folder)})
        return
    started = time.monotonic()
    compiled = begin_compiling()
    job = Job(make_folder(folder))
    shutil.copyfile(twinlapse.sample_job() / "pot.gcode", job.original)
    shutil.copyfile(twinlapse.sample_job() / "rig.toml", job.rig)
    rig = twinlapse.load_rig(job.rig)
    chart, film = folder / "chart.png", folder / "film.mp4"

    plan = _plan_and_write(output, job, rig, chart)
    with output.progress("Printing in a simulation") as progress:
        compiled()
        twinlapse.rehearse(job.filmed, rig, folder, seed=seed, progress=progress)
    with output.progress("Making the film") as progress:
        report = twinlapse.render(folder, film, progress=progress, **STORY)
    _close(output, job, rig, plan, report, chart, film, time.monotonic() - started)


def _plan_and_write(output: Output, job: Job, rig: Rig, chart: Path) -> Plan:
    from twinlapse.plan.chart import draw_chart
    from twinlapse.shots import write_plan

    with output.progress("Reading the sliced file") as progress:
        sliced = twinlapse.read_sliced(job.original, rig, progress=progress)
    with output.progress("Planning the shots") as progress:
        plan = twinlapse.plan(sliced, rig, progress=progress)
        write_plan(job.plan, plan)
    with output.progress("Writing and proving") as progress:
        twinlapse.inject(job.original, plan, job.filmed, toolpath=sliced.toolpath, progress=progress)
    with output.progress("Drawing the chart") as progress:
        draw_chart(plan, sliced.toolpath, sliced.layers, sliced.timeline, rig, chart)
        progress(1.0)
    return plan


def _close(
    output: Output,
    job: Job,
    rig: Rig,
    plan: Plan,
    report: FilmReport,
    chart: Path,
    film: Path,
    took_s: float,
) -> None:
    """Name what was made, how steady it is, and what to do next."""
    from twinlapse.rehearsal.truth import Body, read_truth, residual_px, rms_px

    truth = read_truth(job.folder)
    jitter_px = {}
    for name, rows in report.shifts.items():
        camera = rig.camera(name)
        # a camera on the head is held by the nozzle, which is rigid in its picture; all others by the print
        body: Body = "surroundings" if camera is not None and camera.mount == "toolhead" else "print"
        jitter_px[name] = rms_px(residual_px(rows, truth, name, body)[1])
    output.say(f"The garden club's seedling pot: {plan.layer_count} layers, {len(plan.shots)} shots.")
    output.say(f"  film     {film} ({report.frames} frames, {report.width} x {report.height})")
    output.say(f"  chart    {chart}")
    output.say(f"  G-code   {job.filmed} (proven to print what {job.original.name} prints)")
    still = ", ".join(f"{name} {value:.2f} px" for name, value in jitter_px.items())
    output.say(f"  jitter   {still} left (RMS), {report.held} gaps covered, {took_s:.0f} s in all")
    output.say()
    output.say("Next, for a printer of your own:")
    output.say("  twinlapse rig new rig.toml                            describe it and its cameras")
    output.say("  twinlapse plan part.gcode --rig rig.toml              see the time that the shots add")
    output.say(
        "  twinlapse make-job part.gcode --rig rig.toml -o part  write part/filmed.gcode, the file to print"
    )
    say_cautions(output, job.filmed)
    output.result(
        {
            "job": str(job.folder),
            "film": str(film),
            "drawing": str(chart),
            "gcode": str(job.filmed),
            "layer_count": plan.layer_count,
            "shot_count": len(plan.shots),
            "frame_count": report.frames,
            "held_count": report.held,
            "jitter_px": {name: round(value, 4) for name, value in jitter_px.items()},
            "took_s": round(took_s, 1),
        }
    )
