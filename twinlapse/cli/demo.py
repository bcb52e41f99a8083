"""``twinlapse demo``: the whole job on the garden club's seedling pot, pictures by the rehearsal."""

from __future__ import annotations

import shutil
import time
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from twinlapse.cli.output import Output, speaking

if TYPE_CHECKING:
    from twinlapse.film import FilmReport
    from twinlapse.rig import Rig
    from twinlapse.shots import Plan

SAMPLE = "seedling_pot"


@click.command()
@click.argument("folder", metavar="[DIR]", type=click.Path(path_type=Path), default="twinlapse-demo")
@click.option("--seed", type=int, default=1, show_default=True, help="Equal seeds give equal pictures.")
@speaking
def command(output: Output, *, folder: Path, seed: int) -> None:
    """Run the whole job once in DIR (default: twinlapse-demo), with simulated pictures.

    A sliced seedling pot is read, its shots are planned, written and proven; the print is simulated, two
    virtual cameras take the pictures, and the film is made of them.
    """
    from twinlapse.files import make_folder
    from twinlapse.frames.job import Job
    from twinlapse.rig import read_rig

    started = time.monotonic()
    job = Job(make_folder(folder))
    sample = sample_folder()
    shutil.copyfile(sample / "pot.gcode", job.original)
    shutil.copyfile(sample / "rig.toml", job.rig)
    rig = read_rig(job.rig)
    chart, film = folder / "chart.png", folder / "film.mp4"

    plan = _plan_and_write(output, job, rig, chart)
    _rehearse(output, job, rig, seed)
    report = _film(output, job, film)
    _close(output, job, rig, plan, report, chart, film, time.monotonic() - started)


def sample_folder() -> Path:
    """Return where the sample job lies: in the wheel, or in the source tree."""
    package = Path(__file__).parents[1]
    inside = package / "sample_jobs" / SAMPLE
    return inside if inside.is_dir() else package.parent / "sample_jobs" / SAMPLE


def _plan_and_write(output: Output, job: Any, rig: Rig, chart: Path) -> Plan:
    from twinlapse.gcode import find_layers, read_toolpath
    from twinlapse.inject import inject_file
    from twinlapse.motion import time_toolpath
    from twinlapse.plan import make_plan
    from twinlapse.plan.chart import draw_chart
    from twinlapse.shots import write_plan

    with output.progress("Reading the sliced file") as progress:
        path = read_toolpath(job.original, firmware=rig.printer.firmware, progress=progress)
        layers = find_layers(path)
        timeline = time_toolpath(path, rig.printer)
    with output.progress("Planning the shots") as progress:
        plan = make_plan(path, layers, timeline, rig, progress=progress)
        write_plan(job.plan, plan)
    with output.progress("Writing and proving") as progress:
        inject_file(job.original, plan, job.filmed, toolpath=path, progress=progress)
    with output.progress("Drawing the chart") as progress:
        draw_chart(plan, path, layers, timeline, rig, chart)
        progress(1.0)
    return plan


def _rehearse(output: Output, job: Any, rig: Rig, seed: int) -> None:
    from twinlapse.rehearsal import rehearse

    with output.progress("Printing in a simulation") as progress:
        rehearse(job.filmed, rig, job, seed=seed, progress=progress)


def _film(output: Output, job: Any, film: Path) -> FilmReport:
    from twinlapse.cli.render import gather
    from twinlapse.film import render_film

    sources, plan, options = gather(job.folder, (), None, {})
    with output.progress("Making the film") as progress:
        return render_film(sources, plan, options, film, progress=progress)


def _close(
    output: Output,
    job: Any,
    rig: Rig,
    plan: Plan,
    report: FilmReport,
    chart: Path,
    film: Path,
    took_s: float,
) -> None:
    """Name what was made, how steady it is, and what to do next."""
    from twinlapse.inject.header import CAUTIONS
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
    output.say("  twinlapse rig new rig.toml                         describe it and its cameras")
    output.say("  twinlapse plan part.gcode --rig rig.toml           see what the shots cost")
    output.say("  twinlapse inject part.gcode --rig rig.toml -o filmed.gcode")
    for caution in CAUTIONS:
        output.say(f"CAUTION: {caution}")
    output.result(
        {
            "job": str(job.folder),
            "film": str(film),
            "chart": str(chart),
            "gcode": str(job.filmed),
            "layers": plan.layer_count,
            "shots": len(plan.shots),
            "frames": report.frames,
            "held": report.held,
            "jitter_px": {name: round(value, 4) for name, value in jitter_px.items()},
            "seconds": round(took_s, 1),
        }
    )
