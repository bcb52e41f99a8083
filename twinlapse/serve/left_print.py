"""A print that went on when the service ended: whether it still goes on, and its end where it does not."""

from __future__ import annotations

import contextlib

from twinlapse.frames.store import FrameStore
from twinlapse.serve.silence import patience_s
from twinlapse.serve.workspace import JobRecord, Workspace, now_s
from twinlapse.shots import read_plan

__all__ = ["end_left_print", "may_go_on"]


def may_go_on(workspace: Workspace, record: JobRecord, *, silence_s: float) -> bool:
    """Return whether the machine may still print a job that is recorded as printing.

    Parameters
    ----------
    silence_s : float
        Beyond the time at which its next line was due.
    """
    job = workspace.job(record.code)
    plan, rig = read_plan(job.plan), workspace.rig(record.printer)
    written_s = [path.stat().st_mtime for path in job.folder.glob("journal*")]
    with contextlib.closing(FrameStore(job, plan)) as store:
        last = max((row.key.shot for row in store.rows() if row.final), default=0)
    done = sum(shot.number <= last for shot in plan.shots)
    longest_s = patience_s(plan, done, silence_s=silence_s, hold_max_s=rig.plan.hold_max_s)
    return now_s() - max([record.printed_s, *written_s]) < longest_s


def end_left_print(workspace: Workspace, code: str) -> None:
    """Write into a job that its print ended while the service was away."""
    job = workspace.job(code)
    with contextlib.closing(FrameStore(job, read_plan(job.plan))) as store:
        store.end_run("the service was away when it ended")
    workspace.change(code, state="done")
