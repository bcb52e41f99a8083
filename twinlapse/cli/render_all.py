"""``twinlapse render-all``."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from twinlapse.cli.grammar import Command
from twinlapse.cli.output import Output, speaking

if TYPE_CHECKING:
    from twinlapse.film.chunks import Farm

__all__ = ["command"]

_SIDE_BY_SIDE = 2  # jobs with a farm: one is measured while the chunks of the other are made


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
    from twinlapse.errors import JobError
    from twinlapse.film.farm import open_farm

    if not folder.is_dir():
        raise JobError("there is no such folder", "name a folder with job folders", path=folder)
    jobs = sorted(path for path in folder.iterdir() if (path / "frames").is_dir())
    if not jobs:
        raise JobError(
            "this folder holds no job folder with frames", "name the folder around them", path=folder
        )
    films: dict[Path, dict[str, Any]] = {}
    stale = []
    for job in jobs:
        if not again and _fresh(job / name, job):
            films[job] = {"job": str(job), "film": str(job / name), "state": "there"}
            output.say(f"{job / name}: is there already")
        else:
            stale.append(job)
    if stale:
        with open_farm(workers, cluster) as farm, output.progress("films") as progress:
            for job, film in _made(stale, name, farm, workers > 1 or bool(cluster), bool(cluster), progress):
                films[job] = film
                _tell(output, film)
    output.result({"films": [films[job] for job in jobs]})
    if any(film["state"] in ("failed", "unfinished") for film in films.values()):
        raise SystemExit(1)


def _made(
    jobs: list[Path],
    name: str,
    farm: Farm,
    side_by_side: bool,
    remote: bool,
    progress: Callable[[float], None],
) -> Iterator[tuple[Path, dict[str, Any]]]:
    """Yield what came of each job, in order."""
    from twinlapse.errors import TwinlapseError
    from twinlapse.film import render_film
    from twinlapse.film.chunks import UnfinishedError, resolved
    from twinlapse.film.render import one_thread_a_picture
    from twinlapse.job_film import inputs_of_job

    gone = threading.Event()  # the farm itself failed: to try the other jobs would fail the same way
    saying = threading.Lock()
    shares = dict.fromkeys(jobs, 0.0)

    def make(job: Path) -> dict[str, Any]:
        if gone.is_set():
            return {"job": str(job), "film": None, "state": "unfinished", "error": ""}

        def step(share: float) -> None:
            shares[job] = share
            progress(sum(shares.values()) / len(jobs))

        try:
            inputs = inputs_of_job(job, {})
            sources = resolved(inputs.sources) if remote else inputs.sources
            report = render_film(sources, inputs.plan, inputs.options, job / name, farm=farm, progress=step)
        except UnfinishedError as error:
            with saying:
                first = not gone.is_set()  # said once, though another job may wait for the same farm
                gone.set()
            return {
                "job": str(job),
                "film": None,
                "state": "unfinished",
                "error": str(error) if first else "",
            }
        except TwinlapseError as error:
            return {"job": str(job), "film": None, "state": "failed", "error": str(error)}
        return {
            "job": str(job),
            "film": str(job / name),
            "state": "made",
            "frame_count": report.frames,
            "held_count": report.held,
        }

    with one_thread_a_picture(), ThreadPoolExecutor(_SIDE_BY_SIDE if side_by_side else 1) as pool:
        running: list[Future[dict[str, Any]]] = [pool.submit(make, job) for job in jobs]
        try:
            for job, future in zip(jobs, running, strict=True):
                yield job, future.result()
        finally:
            for future in running:
                future.cancel()


def _tell(output: Output, film: dict[str, Any]) -> None:
    if film["state"] == "made":
        output.say(f"{film['film']}: {film['frame_count']} frames, {film['held_count']} gaps covered")
    elif film["error"]:
        output.warn(film["error"])
    else:
        output.say(f"{film['job']}: not finished")


def _fresh(out: Path, job: Path) -> bool:
    if not out.is_file():
        return False
    made = out.stat().st_mtime_ns
    inputs = [*(job / "frames").rglob("[!.]*"), job / "plan.json", job / "rig.toml"]
    return all(path.stat().st_mtime_ns <= made for path in inputs if path.is_file())
