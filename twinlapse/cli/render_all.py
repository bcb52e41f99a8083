"""``twinlapse render-all``."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

import twinlapse
from twinlapse.cli.grammar import Command
from twinlapse.cli.output import Output, speaking


@click.command(cls=Command)
@click.argument("folder", type=click.Path(path_type=Path))
@click.option("--name", default="film.mp4", show_default=True, help="File name of the film in each job.")
@click.option("--again", is_flag=True, help="Re-render even if the film is up to date.")
@click.option("--workers", type=click.IntRange(0, 64), default=0, help="Number of processes.")
@click.option(
    "--cluster", default="", metavar="ADDRESS", help="A dask.distributed scheduler, tcp://HOST:PORT."
)
@speaking
def command(output: Output, *, folder: Path, name: str, again: bool, workers: int, cluster: str) -> None:
    """Make the film of every job folder in FOLDER; a job that fails does not stop the others.

    Exit status 1 if a job failed.
    """
    from twinlapse.errors import JobError, TwinlapseError

    if not folder.is_dir():
        raise JobError("there is no such folder", "name a folder with job folders", path=folder)
    jobs = sorted(path for path in folder.iterdir() if (path / "frames").is_dir())
    if not jobs:
        raise JobError(
            "this folder holds no job folder with frames", "name the folder around them", path=folder
        )
    films: list[dict[str, Any]] = []
    for job in jobs:
        out = job / name
        if not again and _fresh(out, job):
            films.append({"job": str(job), "film": str(out), "state": "there"})
            output.say(f"{out}: is there already")
            continue
        try:
            with output.progress(job.name) as progress:
                report = twinlapse.render(
                    job, out, options={"workers": workers, "cluster": cluster}, progress=progress
                )
        except TwinlapseError as error:
            films.append({"job": str(job), "film": None, "state": "failed", "error": str(error)})
            output.warn(str(error))
            continue
        films.append({"job": str(job), "film": str(out), "state": "made", "frame_count": report.frames})
        output.say(f"{out}: {report.frames} frames, {report.held} gaps covered")
    output.result({"films": films})
    if any(film["state"] == "failed" for film in films):
        raise SystemExit(1)


def _fresh(out: Path, job: Path) -> bool:
    if not out.is_file():
        return False
    made = out.stat().st_mtime_ns
    inputs = [*(job / "frames").rglob("[!.]*"), job / "plan.json", job / "rig.toml"]
    return all(path.stat().st_mtime_ns <= made for path in inputs if path.is_file())
