"""A job folder filled from a sliced file: the original, the rig, the plan and the written file."""

from __future__ import annotations

import shutil
from pathlib import Path

from twinlapse.arrays import Progress
from twinlapse.errors import FileProblemError, PlanError
from twinlapse.files import make_folder
from twinlapse.frames.job import Job
from twinlapse.gcode import Toolpath, find_layers, read_toolpath
from twinlapse.inject import InjectReport, inject_file, remove_shots
from twinlapse.motion import time_toolpath
from twinlapse.motion.sliced_print import read_sliced
from twinlapse.plan import make_plan
from twinlapse.progress import part_of
from twinlapse.rig import Rig, read_rig
from twinlapse.shots import Plan, read_plan, write_plan
from twinlapse.written_job import is_written, keep_file

__all__ = ["keep_rig", "make_job", "prepare"]


def make_job(
    gcode: Path, rig_file: Path, folder: Path, *, progress: Progress | None = None
) -> tuple[Job, Plan, InjectReport]:
    """Plan the shots of a sliced file, write and prove them, and keep all of it in a job folder.

    Parameters
    ----------
    gcode, rig_file : Path
        Both are copied.
    folder : Path
        Made if it does not exist. A job that is there already must be of the same sliced file.
    progress : callable, optional
        Takes the share done, 0 to 1.

    Raises
    ------
    FileProblemError
        when the folder holds the job of another file.
    PlanError, InjectError, ProofError
        see `make_plan` and `inject_file`; a folder that was made is removed again.
    """
    rig = read_rig(rig_file)
    sliced = read_sliced(
        gcode, rig.printer, firmware=rig.printer.firmware, progress=part_of(progress, 0.0, 0.2)
    )
    plan = make_plan(
        sliced.toolpath, sliced.layers, sliced.timeline, rig, progress=part_of(progress, 0.2, 0.6)
    )
    job = Job(folder)
    if job.plan.exists() and read_plan(job.plan).original_sha256 != plan.original_sha256:
        raise FileProblemError("this folder holds another file's job", "name another folder", path=folder)
    there = folder.exists()
    make_folder(folder)
    try:
        report = inject_file(
            gcode, plan, job.filmed, toolpath=sliced.toolpath, progress=part_of(progress, 0.6, 1.0)
        )
        keep_file(gcode, job.original)
        keep_rig(rig_file, job)
        write_plan(job.plan, plan)
    except BaseException:
        if not there:
            shutil.rmtree(folder, ignore_errors=True)
        raise
    return job, plan, report


def prepare(
    gcode: Path,
    rig: Rig,
    job: Job,
    plan: Path | None = None,
    *,
    progress: Progress | None = None,
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
    firmware = rig.printer.firmware
    if is_written(gcode):
        make_folder(job.folder)
        keep_file(gcode, job.filmed)
        remove_shots(job.filmed, job.original)
        toolpath = read_toolpath(job.original, firmware=firmware)
        if _known_plan(job, plan, toolpath) is None:
            write_plan(job.plan, _planned(toolpath, rig, progress))
        return
    toolpath = read_toolpath(gcode, firmware=firmware)  # a file that is no print leaves no folder behind
    made = _known_plan(job, plan, toolpath) if plan is not None else None
    made = made or _planned(toolpath, rig, progress)
    make_folder(job.folder)
    keep_file(gcode, job.original)
    inject_file(job.original, made, job.filmed, toolpath=toolpath)
    write_plan(job.plan, made)


def keep_rig(rig_file: Path, job: Job) -> None:
    """Copy a rig file into a job folder."""
    keep_file(rig_file, job.rig)


def _known_plan(job: Job, path: Path | None, toolpath: Toolpath) -> Plan | None:
    """Return the plan that was named or is in the job folder; a named one is kept there."""
    if path is None and not job.plan.exists():
        return None
    known = read_plan(path or job.plan)
    if known.original_sha256 != toolpath.sha256:
        if path is None:
            return None
        raise PlanError("this plan belongs to another file", "name the plan of this one", path=path)
    if path is not None and job.folder.is_dir():
        write_plan(job.plan, known)
    return known


def _planned(toolpath: Toolpath, rig: Rig, progress: Progress | None) -> Plan:
    layers, timeline = find_layers(toolpath), time_toolpath(toolpath, rig.printer)
    return make_plan(toolpath, layers, timeline, rig, progress=progress)
