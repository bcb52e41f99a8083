"""``twinlapse shoot``: one cue by hand or from a host's hook."""

from __future__ import annotations

import re
import sys
from pathlib import Path

import click

from twinlapse.cli.grammar import JOB, LinuxCommand
from twinlapse.cli.output import Output, speaking

__all__ = ["command"]

_SHOT = re.compile(r"(\d{1,9})(?:\.(\d{1,3}))?")


@click.command(cls=LinuxCommand)
@JOB
@click.argument("shot")
@click.option("--camera", "cameras", multiple=True, help="Only this camera; can be repeated.")
@click.option(
    "--patience-s",
    type=click.FloatRange(0, 600),
    default=5.0,
    show_default=True,
    help="How long to keep trying, in seconds.",
)
@speaking
def command(output: Output, job_folder: Path, shot: str, cameras: tuple[str, ...], patience_s: float) -> None:
    """Tell the capture service of JOB to take SHOT, such as 12 or 12.2 for its second stop.

    SHOT may also be a whole line of the printed file: a cue, or its begin or end. Exit status 1 if a frame
    was not taken.
    """
    from twinlapse.capture.cue_client import send_cue, send_mark
    from twinlapse.shots import find_cue, find_run

    if (mark := find_run(shot)) is not None:
        output.result(send_mark(job_folder / "capture.sock", *mark))
        return
    if job_folder.is_file():
        from twinlapse.written_job import job_beside

        job_folder = job_beside(job_folder)
    found, cue = _SHOT.fullmatch(shot), find_cue(shot)
    if cue is not None:
        body = {"shot": cue.shot, "stop": cue.stop, "cameras": list(cameras or cue.cameras)}
        body |= {"job": cue.job} if cue.job else {}
    elif found is not None:
        body = {"shot": int(found[1]), "stop": int(found[2] or 1), "cameras": list(cameras)}
    else:
        raise click.BadParameter("write a number such as 12 or 12.2", param_hint="SHOT")
    answer = send_cue(job_folder / "capture.sock", body, patience_s=patience_s, of_process=True)
    again = ", answered before" if answer["repeated"] else ""
    for camera, frame in answer["frames"].items():
        note = f" ({frame['note']})" if frame["note"] else ""
        output.say(f"{camera}: {frame['state']}{note} {frame['file']}".rstrip() + again)
    output.result(answer)
    if not all(frame["state"] in ("taken", "adopted", "aside") for frame in answer["frames"].values()):
        sys.exit(1)
