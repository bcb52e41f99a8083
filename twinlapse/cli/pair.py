"""``twinlapse pair``: frames out of continuous recordings, where nothing cued the cameras."""

from __future__ import annotations

import math
import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

from twinlapse.cli.grammar import Command
from twinlapse.cli.output import Output, speaking

if TYPE_CHECKING:
    from twinlapse.machine_course import MachineCourse
    from twinlapse.pairing.extract_frames import CameraFrames
    from twinlapse.shots import Plan

__all__ = ["command"]


# Six to a stop were sure in the trials, four never: half a period at both ends and the tie take two.
_SURE_PICTURES = 5


@click.command(cls=Command)
@click.argument("recordings", metavar="CAMERA=RECORDING...", nargs=-1, required=True)
@click.option(
    "--plan", "plan_path", required=True, type=click.Path(path_type=Path), help="plan.json of the job"
)
@click.option("-o", "--output", "job_folder", metavar="JOB", type=click.Path(path_type=Path),
              help="Job folder that gets the frames  [default: the folder of the plan]")  # fmt: skip
@click.option(
    "--gcode",
    "gcode_path",
    metavar="FILE",
    type=click.Path(path_type=Path),
    help="The printed file, with the stops in it  [default: filmed.gcode beside the plan]",
)
@speaking
def command(
    output: Output,
    recordings: tuple[str, ...],
    plan_path: Path,
    job_folder: Path | None,
    gcode_path: Path | None,
) -> None:
    """Find the shots of a plan in continuous recordings: a video file or a folder of timed stills each.

    The recordings need not be synchronised. Exit status 1: some shots were not found.
    """
    from twinlapse.files import write_bytes
    from twinlapse.frames.job import Job
    from twinlapse.frames.store import FrameStore
    from twinlapse.pairing.extract_frames import extract_frames
    from twinlapse.pairing.recordings import open_recording
    from twinlapse.shots import read_plan

    plan = read_plan(plan_path)
    sources = _sources(recordings, plan)
    opened = {camera: open_recording(path) for camera, path in sources.items()}
    course = _course(plan, gcode_path, Job(plan_path.parent).filmed, output)
    job = Job(job_folder or plan_path.parent)
    job.folder.mkdir(parents=True, exist_ok=True)
    if not job.plan.exists():
        write_bytes(job.plan, plan_path.read_bytes())
    with FrameStore(job, plan) as store, output.progress("looking at the recordings") as progress:
        results = extract_frames(store, opened, course, progress=progress)
    for result in results:
        _tell(output, result, len(results) > 1)
        _warn_of_short_stops(output, result, plan)
    output.result({"job": str(job.folder), "cameras": {result.camera: _values(result) for result in results}})
    if any(result.missed for result in results):
        sys.exit(1)


def _course(plan: Plan, gcode: Path | None, filmed: Path, output: Output) -> MachineCourse:
    """Return where the machine should be when: by the printed file, or else by the plan alone."""
    from twinlapse.errors import PlanError
    from twinlapse.pairing.plan_course import plan_course
    from twinlapse.rig import rig_from_mapping

    path = gcode or filmed
    if gcode is None and not filmed.exists():
        output.warn(f"{filmed.name} is not beside the plan: the shots are found by the plan alone; "
                    "name the printed file with --gcode to find more")  # fmt: skip
        return plan_course(plan)
    from twinlapse.gcode import read_toolpath
    from twinlapse.motion.course import course_of
    from twinlapse.rehearsal.virtual_machine import standings

    rig = rig_from_mapping(plan.rig)
    toolpath = read_toolpath(path, firmware=rig.printer.firmware)
    planned = {(shot.number, n) for shot in plan.shots for n in range(1, len(shot.stops) + 1)}
    stands = [one for one in standings(toolpath) if (one.cue.shot, one.cue.stop) in planned]
    if not stands:
        raise PlanError("no stop of the plan is in this file", "name the file that was printed", path=path)
    stops = [(one.cue.shot, one.cue.stop) for one in stands]
    return course_of(toolpath, rig.printer, stops, [one.row for one in stands])


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


def _tell(output: Output, result: CameraFrames, several: bool) -> None:
    output.say(
        f"{result.camera}: {len(result.found)} stops found, {result.kept} frames kept, "
        f"{result.known} known before"
    )
    if result.missed:
        output.say(f"  not found: {_listed(result.missed)}")
    if result.doubtful:
        output.say(f"  doubtful, look at them: {_listed(result.doubtful)}")
    if not result.sees:
        what = (
            "its frames come by the clock of another camera" if result.found else "nothing can be found in it"
        )
        output.say(f"  the recording does not show the machine move: {what}")
    if several and result.tied == "alone":
        output.say("  its clock could not be tied to another recording's, so it was paired for itself: "
                   "look at all its frames; folders of stills named by the time need no tie")  # fmt: skip
    if result.tied == "course":
        output.say("  its clock was tied by the moves of the printed file and may be half a second off")
    if result.tied == "stamps":
        output.say("  its clock was tied to the other recording's by the times in the file names")
    if result.sees:
        output.say(f"  its clock ran {100 * (result.rate - 1):+.2f} % against the file")


def _warn_of_short_stops(output: Output, result: CameraFrames, plan: Plan) -> None:
    pictures = result.stop_s / result.picture_s
    if not 0 < pictures < _SURE_PICTURES:
        return
    dwell_s = min(stop.dwell_s for shot in plan.shots for stop in shot.stops if result.camera in stop.cameras)
    longer_s = math.ceil(10 * (dwell_s + _SURE_PICTURES * result.picture_s - result.stop_s)) / 10
    output.warn(
        f"{result.camera}: stops of {result.stop_s:.1f} s hold {pictures:.1f} pictures at "
        f"{1 / result.picture_s:.1f} a second, and {_SURE_PICTURES} are needed to be sure: "
        f"print with dwell_s = {longer_s:g} in the rig file, or record more pictures a second"
    )


def _listed(keys: tuple[tuple[int, int], ...]) -> str:
    return ", ".join(f"{shot}.{stop}" for shot, stop in keys[:10]) + (" ..." if len(keys) > 10 else "")


def _values(result: CameraFrames) -> dict[str, object]:
    return {
        "kept": result.kept,
        "known": result.known,
        "missed": [list(stop) for stop in result.missed],
        "rate": result.rate,
        "tied": result.tied,
        "sees": result.sees,
        "stop_s": round(result.stop_s, 2),
        "pictures_a_stop": round(result.stop_s / result.picture_s, 1),
        "matches": [[shot, stop, round(sure, 3)] for (shot, stop), sure in result.found.items()],
        "doubtful": [list(stop) for stop in result.doubtful],
    }
