"""``twinlapse firstlayer``: the map of a layer from its survey, and what is wrong on it."""

from __future__ import annotations

from pathlib import Path

import click

from twinlapse.cli.output import Output, speaking


@click.command()
@click.argument("job_folder", metavar="JOB", type=click.Path(path_type=Path))
@click.option(
    "--layer", type=click.IntRange(min=1), help="Which surveyed layer, from 1; without it the first."
)
@click.option(
    "--smallest", "smallest_mm", default=0.4, show_default=True, help="Shortest gap that is told, in mm."
)
@click.option(
    "-o", "--output", type=click.Path(path_type=Path), help="The report; JOB/firstlayer.html without it."
)
@speaking
def command(
    out: Output, job_folder: Path, layer: int | None, smallest_mm: float, output: Path | None
) -> None:
    """Lay the survey frames to one picture of the layer and compare it with the sliced file.

    Writes the picture and a one-page report. Exit status 1 when something is found or nothing can be told.
    """
    import io

    from PIL import Image

    from twinlapse.files import write_bytes
    from twinlapse.firstlayer.picture import photograph
    from twinlapse.firstlayer.reading import map_layer, watch_job
    from twinlapse.firstlayer.report import as_json, report_html, verdict
    from twinlapse.frames.job import open_job

    job = open_job(job_folder)
    with out.progress("mapping the layer") as progress:
        found, missing = map_layer(
            job, None if layer is None else layer - 1, smallest_mm=smallest_mm, progress=progress
        )
    page = output or job.folder / "firstlayer.html"
    title = f"{job.folder.resolve().name}, layer {found.layer + 1}"
    write_bytes(page, report_html(title, found.mosaic, found.judgement).encode())
    picture = io.BytesIO()
    Image.fromarray(photograph(found.mosaic)).save(picture, "PNG")
    write_bytes(page.with_suffix(".png"), picture.getvalue())
    if missing:
        out.warn(f"{len(missing)} survey frames are missing: {', '.join(missing[:5])}")
    out.say(verdict(found.judgement))
    for d in found.judgement.defects:
        out.say(
            f"  {d.number}. {d.grade} {d.kind} at X{d.at_mm[0]:.1f} Y{d.at_mm[1]:.1f}, "
            f"{d.length_mm:.1f} x {d.width_mm:.1f} mm, line {d.file_line}"
        )
    watches = watch_job(job)
    lifted = [watch for watch in watches if watch.lifted]
    for watch in lifted:
        x, y = watch.corner_mm
        out.say(f"  the corner at X{x:.1f} Y{y:.1f} has risen by about {watch.lift_mm[-1]:.1f} mm")
    if watches and not lifted:
        out.say(f"{len(watches)} corners watched, none has risen.")
    out.say(f"report: {page}")
    result = as_json(found.mosaic, found.judgement)
    result["corners"] = [
        {"at_mm": list(w.corner_mm), "lift_mm": [round(float(v), 3) for v in w.lift_mm], "lifted": w.lifted}
        for w in watches
    ]
    out.result({**result, "layer": found.layer + 1, "report": str(page), "missing": missing})
    if found.judgement.sound is not True or lifted:
        raise click.exceptions.Exit(1)
