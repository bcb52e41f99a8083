"""A written file alone: the plan and the rig travel in it, and the sliced file comes out of it again."""

from __future__ import annotations

import shutil
import tempfile
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from twinlapse.arrays import Progress
from twinlapse.errors import FileProblemError, InjectError
from twinlapse.files import make_folder, mapped, replacing
from twinlapse.frames.job import Job
from twinlapse.inject.carried_job import carried_plan
from twinlapse.inject.removal import remove_shots
from twinlapse.rig.model import Rig
from twinlapse.rig.reader import rig_from_mapping
from twinlapse.shots import Plan, read_plan, write_plan

if TYPE_CHECKING:
    from twinlapse.inject import Proof

__all__ = ["adopt_job", "is_written", "job_beside", "keep_file", "prove_alone"]

_WRITTEN = b"; twinlapse header begin"


def is_written(path: Path) -> bool:
    """Return whether a G-code file has shots in it."""
    with mapped(path, "G-code file") as view:
        return view.find(_WRITTEN) >= 0


def job_beside(path: Path) -> Path:
    """Return the job folder that a path stands for.

    A folder stands for itself. A written file stands for the folder beside it, ``pot.job`` of ``pot.gcode``,
    which is made of the file where it is not there yet.

    Raises
    ------
    InjectError
        when the file carries no plan, or is not what was written.
    FileProblemError
        when the folder beside it holds something else.
    """
    if not path.is_file() or not is_written(path):
        return path
    folder = path.with_suffix(".job")
    job = Job(folder)
    if job.plan.exists():
        kept, carried = read_plan(job.plan), carried_plan(path)
        if kept.original_sha256 == carried.original_sha256 and kept.shots == carried.shots:
            return folder
        if job.journal.exists():
            raise FileProblemError(
                f"{folder.name} holds frames of another file or plan", "move it away", path=folder
            )
    adopt_job(path, folder)
    return folder


def adopt_job(written: Path, folder: Path) -> tuple[Job, Plan]:
    """Make a job folder of a written file that carries its plan; it is taken as it is.

    Raises
    ------
    InjectError
        when it carries no plan, or is not what was written.
    FileProblemError
        when the folder holds the job of another file.
    """
    plan = carried_plan(written)
    job, there = Job(folder), folder.exists()
    if job.plan.exists() and read_plan(job.plan).original_sha256 != plan.original_sha256:
        raise FileProblemError("this folder holds another file's job", "name another folder", path=folder)
    make_folder(folder)
    try:
        report = remove_shots(written, job.original)
        if report.sha256 != plan.original_sha256:
            raise InjectError(
                "this file was changed after it was written",
                "write it again from the sliced file",
                path=written,
            )
        keep_file(written, job.filmed)
        write_plan(job.plan, plan)
    except BaseException:
        if not there:
            shutil.rmtree(folder, ignore_errors=True)
        raise
    return job, plan


def prove_alone(written: Path, rig: Rig | None = None, *, progress: Progress | None = None) -> Proof:
    """Prove a written file against the sliced file that comes out of it again.

    One more check, "original", says whether that is the file of which the header and the carried plan tell
    the SHA-256. Without `rig` the machine is the one that the file carries.

    Raises
    ------
    InjectError
        when it carries no plan, or nothing can be taken out of it.
    """
    from twinlapse.inject.proof import Check, prove

    plan = carried_plan(written)
    machine = rig or (rig_from_mapping(plan.rig) if plan.rig else None)
    with tempfile.TemporaryDirectory(prefix="twinlapse-") as name:
        original = Path(name) / "original.gcode"
        report = remove_shots(written, original)
        same = report.exact is True and report.sha256 == plan.original_sha256
        proof = prove(original, written, machine, progress=progress)
    words = f"restored from the file itself, SHA-256 {report.sha256[:12]}..."
    bad = "what is left without the shots is not the sliced file: a line was changed after it was written"
    check = Check(name="original", holds=same, line=None, detail=words if same else bad)
    return replace(proof, checks=(check, *proof.checks))


def keep_file(source: Path, target: Path) -> None:
    """Copy a file, whole or not at all."""
    if target.exists() and source.samefile(target):
        return
    with source.open("rb") as read, replacing(target) as written:
        shutil.copyfileobj(read, written, 1 << 20)
