"""``twinlapse first-layer``: the map of a layer from its survey, and its defects."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from twinlapse.cli.grammar import JOB, Command, output_option
from twinlapse.cli.output import Output, speaking

if TYPE_CHECKING:
    from twinlapse.arrays import Picture
    from twinlapse.firstlayer.classify import Judgement
    from twinlapse.firstlayer.corner_check import CornerCheck
    from twinlapse.firstlayer.reading import LayerMap
    from twinlapse.firstlayer.self_calibration import SelfCalibration
    from twinlapse.frames.job import Job

__all__ = ["command"]


@click.command(cls=Command)
@JOB
@click.option("--layer", type=click.IntRange(min=1), help="Which surveyed layer, from 1; default: the first.")
@click.option(
    "--smallest-mm", type=float, default=0.4, show_default=True, help="Shortest gap to report, in mm."
)
@click.option("--corner-check", "corners", is_flag=True, help="Check the corners only, without a map.")
@output_option("The report; default: JOB/firstlayer.html.", required=False)
@click.option(
    "--write",
    "rig_file",
    type=click.Path(path_type=Path),
    help="Write the camera's position, direction and lens, calibrated on the print, into this rig file.",
)
@click.option(
    "--real", multiple=True, type=int, metavar="N", help="Mark finding N of the report as real (repeatable)."
)
@click.option(
    "--not-real", multiple=True, type=int, metavar="N", help="Mark finding N as not real (repeatable)."
)
@click.option(
    "--tally", is_flag=True, help="Only say how often the findings of this job and those beside it were real."
)
@speaking
def command(
    out: Output,
    job_folder: Path,
    layer: int | None,
    smallest_mm: float,
    corners: bool,
    output: Path | None,
    rig_file: Path | None,
    real: tuple[int, ...],
    not_real: tuple[int, ...],
    tally: bool,
) -> None:
    """Assemble the survey frames into a map of the layer and compare it with the sliced file.

    Also checks the outermost corners for lifting, once a second layer was surveyed. Writes the map, a report
    of one page and JOB/firstlayer-N.json: what --json prints, and where captions of the film come from. Exit
    status 1 if a defect is found or the verdict is "cannot tell".
    """
    from twinlapse.errors import JobError
    from twinlapse.files import write_bytes
    from twinlapse.firstlayer.corner_check import check_corners
    from twinlapse.firstlayer.report import corner_verdict, overall, report_html
    from twinlapse.firstlayer.report_json import corners_json, write_report
    from twinlapse.frames.job import open_job
    from twinlapse.frames.journal import newest_run
    from twinlapse.shots import read_plan
    from twinlapse.written_job import job_beside

    job = open_job(job_beside(job_folder))
    if tally:
        _say_tally(out, job.folder)
        return
    if corners and (rig_file is not None or real or not_real):
        raise click.UsageError("--write, --real and --not-real need a map: leave out --corner-check")
    page = output or job.folder / "firstlayer.html"
    # before the frames are read: if another print begins meanwhile, the report is not about that one
    run = newest_run(job.journal, read_plan(job.plan).original_sha256)
    found, result = (None, {}) if corners else _mapped(out, job, layer, smallest_mm, page)
    if found is not None:
        _keep_marks(out, job.folder, found, real, not_real)
        if rig_file is not None and found.calibration is not None:
            _write_camera(out, rig_file, found.calibration)
    corner_check = check_corners(job)
    if corners and corner_check is None:
        raise JobError(
            "its corners were not seen on two layers yet",
            "plan with --corner-layers 1,2,3 and take the frames first",
            path=job.folder,
        )
    sound, words = overall(found, corner_check)
    out.say(words)
    if found is not None:
        _say_defects(out, found.judgement)
    if corner_check is not None:
        if corner_verdict(corner_check) not in words:
            out.say(corner_verdict(corner_check))
        _say_risen(out, corner_check)
    title = job.folder.resolve().name + ("" if found is None else f", layer {found.layer + 1}")
    write_bytes(page, report_html(title, found, corner_check).encode())
    out.say(f"report: {page}")
    told = {"overall": {"sound": sound, "verdict": words}, **corners_json(corner_check), "report": str(page)}
    if corner_check is not None and any(watch.lifted for watch in corner_check.watches):
        told["corner_picture"] = str(_write_strips(corner_check, page.with_name(f"{page.stem}-corners.png")))
    if found is not None:
        write_report(job.folder, found.layer, {**result, **told}, run)
    out.result({**result, **told})
    if sound is not True:
        raise click.exceptions.Exit(1)


def _mapped(
    out: Output, job: Job, layer: int | None, smallest_mm: float, page: Path
) -> tuple[LayerMap, dict[str, Any]]:
    """Return the map of a layer and what is told of it, the photograph written beside the page."""
    from twinlapse.firstlayer.picture import photograph
    from twinlapse.firstlayer.reading import map_layer
    from twinlapse.firstlayer.report_json import as_json, calibration_json

    with out.progress("mapping the layer") as progress:
        found, missing = map_layer(
            job, None if layer is None else layer - 1, smallest_mm=smallest_mm, progress=progress
        )
    _write_picture(photograph(found.mosaic), page.with_suffix(".png"))
    if missing:
        out.warn(f"{len(missing)} survey frames are missing: {', '.join(missing[:5])}")
    told = {**as_json(found.mosaic, found.judgement), "layer": found.layer + 1, "missing": missing}
    if found.calibration is not None:
        told["calibration"] = calibration_json(found.calibration)
    return found, told


def _keep_marks(
    out: Output, folder: Path, found: LayerMap, real: tuple[int, ...], not_real: tuple[int, ...]
) -> None:
    """Keep what a person says of the findings with the job."""
    from twinlapse.firstlayer.marks import marked, read_marks, write_marks

    if real or not_real:
        marks = marked(read_marks(folder), found.judgement.defects, found.layer, real, not_real)
        write_marks(folder, marks)
        out.say(f"{len(real) + len(not_real)} marks kept; they count from the next report on")


def _say_tally(out: Output, folder: Path) -> None:
    from dataclasses import asdict

    from twinlapse.firstlayer.marks import FEWEST_MARKS, tally_of

    tallies = tally_of(folder)
    if not tallies:
        out.say("no findings were marked yet: use --real N and --not-real N")
    for each in tallies:
        limit = ""
        if each.least_confidence is not None:
            limit = f"; less than {each.least_confidence:.0%} sure are left out"
        elif each.marks < FEWEST_MARKS:
            limit = f"; {FEWEST_MARKS - each.marks} more marks may set a limit"
        out.say(f"{each.kind}: {each.real} of {each.marks} were real{limit}")
    out.result({"tally": [asdict(each) for each in tallies]})


def _write_strips(corner_check: CornerCheck, path: Path) -> Path:
    """Write the corners that rose, one below the other."""
    import numpy as np

    from twinlapse.firstlayer.picture import strip_picture

    both = zip(corner_check.strips, corner_check.watches, strict=True)
    rows = [strip_picture(strip, watch, corner_check.layers) for strip, watch in both if watch.lifted]
    _write_picture(np.concatenate(rows), path)
    return path


def _write_picture(pixels: Picture, path: Path) -> None:
    import io

    from PIL import Image

    from twinlapse.files import write_bytes

    picture = io.BytesIO()
    Image.fromarray(pixels).save(picture, "PNG")
    write_bytes(path, picture.getvalue())


def _write_camera(out: Output, rig_file: Path, found: SelfCalibration) -> None:
    """Write what the print says of the camera into a rig file, if it can be trusted."""
    from twinlapse.errors import RigError
    from twinlapse.files import read_text, write_bytes
    from twinlapse.firstlayer.report_json import calibration_json
    from twinlapse.optics.upright import delivered_lens
    from twinlapse.rig import read_rig
    from twinlapse.rig.editing import with_camera_keys

    if not found.trusted:
        raise RigError("the print does not show well enough where the camera is", "nothing was written")
    names = [camera.name for camera in read_rig(rig_file).cameras]
    if found.camera.name not in names:
        raise RigError(f'no camera "{found.camera.name}" is in it', "give the rig of this job", path=rig_file)
    told = calibration_json(found)
    values: dict[str, tuple[float, ...] | float] = {
        key: tuple(told[key]) if isinstance(told[key], list) else told[key]
        for key in ("place_mm", "look_mm", "roll_deg", "place_error_mm", "turn_error_deg")
    }
    own = next(camera for camera in read_rig(rig_file).cameras if camera.name == found.camera.name)
    lens = delivered_lens(found.camera.lens, own)
    values["lens.across_deg"] = round(lens.across_deg, 3)
    values["lens.distortion"] = tuple(round(v, 5) for v in lens.distortion)
    text = with_camera_keys(read_text(rig_file, "rig file"), names.index(found.camera.name), values)
    write_bytes(rig_file, text.encode())
    out.say(f"written: {rig_file}")


def _say_defects(out: Output, judgement: Judgement) -> None:
    for d in judgement.defects:
        out.say(
            f"  {d.number}. {d.grade} {d.kind} at X{d.at_mm[0]:.1f} Y{d.at_mm[1]:.1f}, "
            f"{d.length_mm:.1f} x {d.width_mm:.1f} mm, line {d.file_line}"
        )


def _say_risen(out: Output, corner_check: CornerCheck) -> None:
    for watch in corner_check.watches:
        if watch.lifted:
            x, y = watch.corner_mm
            out.say(f"  the corner at X{x:.1f} Y{y:.1f} has risen by about {watch.newest_mm:.1f} mm")
