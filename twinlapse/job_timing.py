"""The times of a job's cues, as they were heard, against the calculated ones of its written file."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from twinlapse.errors import JobError
from twinlapse.frames.job import Job
from twinlapse.frames.journal import read_journal
from twinlapse.gcode import Kind, Toolpath, read_toolpath
from twinlapse.motion.measured import MeasuredTiming, fit_timing
from twinlapse.motion.timing import time_toolpath
from twinlapse.rig import Rig
from twinlapse.shots import find_cue, read_plan

__all__ = ["Times", "cue_rows", "heard_times", "measure_timing"]

Times = dict[tuple[int, int], float]  # (shot, stop) -> seconds


def measure_timing(job: Job, rig: Rig) -> MeasuredTiming:
    """Return what a filmed print says of its machine.

    Parameters
    ----------
    job : Job
        With its plan, its written file and its journal.
    rig : Rig
        Its limits are used for the calculation; its own `stop_s` and `travel_factor` are not.

    Raises
    ------
    JobError
        when the written file or the journal is missing.
    TwinlapseError
        when the cues say nothing that a machine could be.
    """
    plan = read_plan(job.plan)
    for path, what in ((job.filmed, "written file"), (job.journal, "journal")):
        if not path.exists():
            raise JobError(f"this job has no {what}", "name the folder of a filmed print", path=job.folder)
    heard = heard_times(job, plan.original_sha256)
    bare = replace(rig.printer, limits=replace(rig.printer.limits, stop_s=0.0, travel_factor=1.0))
    toolpath = read_toolpath(job.filmed, firmware=bare.firmware)
    lasts_s = np.diff(time_toolpath(toolpath, bare).end_s, prepend=0.0)
    waits = toolpath.kind == Kind.DWELL
    moving = np.cumsum(np.where(waits, 0.0, lasts_s))
    waiting = np.cumsum(np.where(waits, lasts_s, 0.0))
    rows = cue_rows(toolpath)
    both = [key for key in rows if key in heard]
    at = np.array([rows[key] for key in both], np.int64)
    times = np.array([heard[key] for key in both])
    return fit_timing(np.diff(moving[at]), np.diff(waiting[at]), np.diff(times))


def heard_times(job: Job, original_sha256: str) -> Times:
    """Return when each cue of the newest run was heard, in monotonic seconds."""
    found: Times = {}
    for row in read_journal(job.journal, original_sha256):
        heard_s = row.times.cue_mono_s
        if heard_s is not None and row.state in ("taken", "missed"):
            key = (row.key.shot, row.key.stop)
            found[key] = min(found.get(key, heard_s), heard_s)
    return found


def cue_rows(toolpath: Toolpath) -> dict[tuple[int, int], int]:
    """Return the last row before each cue of a written file, in its order."""
    found = {}
    with toolpath.path.open("rb") as lines:
        for number, line in enumerate(lines, 1):
            if b"twinlapse cue " in line and (cue := find_cue(line.decode("latin-1"))) is not None:
                row = int(np.searchsorted(toolpath.line, np.int32(number))) - 1
                found[cue.shot, cue.stop] = max(row, 0)
    return found
