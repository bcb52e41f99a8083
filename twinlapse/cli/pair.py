"""``twinlapse pair``: frames out of continuous recordings, where nothing cued the cameras."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

from twinlapse.cli.grammar import Command
from twinlapse.cli.output import Output, speaking

if TYPE_CHECKING:
    from twinlapse.pairing.extract_frames import Developed
    from twinlapse.shots import Plan


@click.command(cls=Command)
@click.argument("recordings", metavar="CAMERA=RECORDING...", nargs=-1, required=True)
@click.option(
    "--plan", "plan_path", required=True, type=click.Path(path_type=Path), help="plan.json of the job"
)
@click.option("-o", "--output", "job_folder", metavar="JOB", type=click.Path(path_type=Path),
              help="Job folder that gets the frames  [default: the folder of the plan]")  # fmt: skip
@speaking
def command(output: Output, recordings: tuple[str, ...], plan_path: Path, job_folder: Path | None) -> None:
    """Find the shots of a plan in continuous recordings: a video file or a folder of timed stills each.

    The recordings need not be synchronised. Exit status 1: some shots were not found.
    """
    from twinlapse.files import write_bytes
    from twinlapse.frames.job import Job
    from twinlapse.frames.store import FrameStore
    from twinlapse.pairing.extract_frames import develop
    from twinlapse.pairing.recordings import open_recording
    from twinlapse.shots import read_plan

    plan = read_plan(plan_path)
    sources = _sources(recordings, plan)
    opened = {camera: open_recording(path) for camera, path in sources.items()}
    job = Job(job_folder or plan_path.parent)
    job.folder.mkdir(parents=True, exist_ok=True)
    if not job.plan.exists():
        write_bytes(job.plan, plan_path.read_bytes())
    with FrameStore(job, plan) as store, output.progress("looking at the recordings") as progress:
        results = develop(store, opened, progress=progress)
    for result in results:
        _tell(output, result, results[0])
    output.result({"job": str(job.folder), "cameras": {result.camera: _values(result) for result in results}})
    if any(result.missed for result in results):
        sys.exit(1)


def _sources(words: tuple[str, ...], plan: Plan) -> dict[str, Path]:
    cameras = list(dict.fromkeys(name for shot in plan.shots for stop in shot.stops for name in stop.cameras))
    sources: dict[str, Path] = {}
    for word in words:
        name, equals, path = word.partition("=")
        if not equals:
            left = [camera for camera in cameras if camera not in sources]
            if len(words) > 1 or not left:
                raise click.BadParameter("write CAMERA=RECORDING", param_hint="RECORDING")
            name, path = left[0], word
        if name not in cameras:
            raise click.BadParameter(f"the plan has no camera {name}; it has {', '.join(cameras)}")
        sources[name] = Path(path)
    return sources


def _tell(output: Output, result: Developed, first: Developed) -> None:
    output.say(
        f"{result.camera}: {result.standstills} standstills, {len(result.matches)} are stops of it, "
        f"{result.kept} frames kept, {result.known} known before"
    )
    if result.missed:
        listed = ", ".join(f"{shot}.{stop}" for shot, stop in result.missed[:10])
        output.say(f"  not found: {listed}{' ...' if len(result.missed) > 10 else ''}")
    if result.doubtful:
        listed = ", ".join(str(match.shot) for match in result.doubtful[:10])
        output.say(f"  doubtful, look at them: {listed}{' ...' if len(result.doubtful) > 10 else ''}")
    if result is not first and not result.tied:
        output.say(f"  shows another course than {first.camera}'s recording, so each was paired for itself")
    output.say(f"  its clock ran {100 * (result.alignment.clock - 1):+.2f} % against the plan")


def _values(result: Developed) -> dict[str, object]:
    return {
        "standstills": result.standstills,
        "kept": result.kept,
        "known": result.known,
        "missed": [list(stop) for stop in result.missed],
        "stray": len(result.alignment.stray),
        "clock": result.alignment.clock,
        "tied": result.tied,
        "matches": [[match.shot, match.stop, round(match.confidence, 3)] for match in result.matches],
        "doubtful": [[match.shot, match.stop] for match in result.doubtful],
    }
