"""A job folder made ready for a rehearsal: the original, the written file and the plan."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path

from twinlapse.errors import PlanError
from twinlapse.files import make_folder, mapped, replacing
from twinlapse.frames.job import Job
from twinlapse.gcode import find_layers, read_toolpath
from twinlapse.inject import inject_file, remove_shots
from twinlapse.motion import time_toolpath
from twinlapse.plan import make_plan
from twinlapse.rig import Rig
from twinlapse.shots import read_plan, write_plan

_WRITTEN = b"; twinlapse header begin"


def prepare(
    gcode: Path,
    rig: Rig,
    job: Job,
    plan: Path | None = None,
    *,
    progress: Callable[[float], None] | None = None,
) -> None:
    """Fill a job folder with original, written file and plan.

    Parameters
    ----------
    gcode : Path
        A sliced file, whose shots are then planned and written, or a written file.
    rig : Rig
    job : Job
    plan : Path, optional
        By which the file was, or is to be, written. Without it the plan in the job folder counts, and where
        there is none it is made again from the original and the rig.
    progress : callable, optional

    Raises
    ------
    PlanError
        when the plan belongs to another file.
    """
    toolpath = read_toolpath(gcode, firmware=rig.printer.firmware)  # before anything is made on the disk
    make_folder(job.folder)
    if is_written(gcode):
        _keep(gcode, job.filmed)
        remove_shots(job.filmed, job.original)
        toolpath = read_toolpath(job.original, firmware=rig.printer.firmware)
    else:
        _keep(gcode, job.original)
    if plan is not None:
        _keep(plan, job.plan)
    known = read_plan(job.plan) if job.plan.exists() else None
    if known is not None and known.gcode_sha256 != toolpath.sha256:
        if plan is not None:
            raise PlanError("this plan belongs to another file", "name the plan of this one", path=plan)
        known = None
    if known is None or not is_written(gcode):
        if plan is None:
            known = make_plan(
                toolpath, find_layers(toolpath), time_toolpath(toolpath, rig.printer), rig, progress=progress
            )
            write_plan(job.plan, known)
        assert known is not None
    if not is_written(gcode):
        inject_file(job.original, known, job.filmed, toolpath=toolpath)


def is_written(path: Path) -> bool:
    """Whether a file has shots in it."""
    with mapped(path, "G-code file") as view:
        return view.find(_WRITTEN) >= 0


def _keep(source: Path, target: Path) -> None:
    if target.exists() and source.samefile(target):
        return
    with source.open("rb") as read, replacing(target) as written:
        shutil.copyfileobj(read, written, 1 << 20)
