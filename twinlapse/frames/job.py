"""The job folder: one sliced file and all that is made of it."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from twinlapse.errors import JobError, MissingJobError
from twinlapse.rig.model import Rig
from twinlapse.rig.reader import read_rig, rig_from_mapping
from twinlapse.shots import read_plan

__all__ = ["Job", "open_job", "rig_of"]


@dataclass(frozen=True, slots=True)
class Job:
    """Where everything of one job lies."""

    folder: Path

    @property
    def original(self) -> Path:
        """The sliced file as it came."""
        return self.folder / "original.gcode"

    @property
    def filmed(self) -> Path:
        """The file with the shots woven in."""
        return self.folder / "filmed.gcode"

    @property
    def rig(self) -> Path:
        """The printer and its cameras."""
        return self.folder / "rig.toml"

    @property
    def plan(self) -> Path:
        """The shots."""
        return self.folder / "plan.json"

    @property
    def journal(self) -> Path:
        """One row a frame."""
        return self.folder / "journal.db"

    @property
    def frames(self) -> Path:
        """One folder a camera."""
        return self.folder / "frames"

    def frame(self, camera: str, shot: int, repeat: int = 1, suffix: str = ".jpg") -> Path:
        """Return where the frame of a shot lies; `repeat` is 2 for a second stop of the same camera."""
        again = "" if repeat == 1 else f"-{repeat}"
        return self.frames / camera / f"{shot:06d}{again}{suffix}"


def open_job(folder: Path) -> Job:
    """Return the job in `folder`.

    Raises
    ------
    JobError
        when the folder is missing or holds neither a plan nor frames.
    """
    if folder.is_file():
        hint = "make one with 'twinlapse make-job', or name a file that 'twinlapse inject' wrote"
        raise JobError("this is a file, not a job folder", hint, path=folder)
    if not folder.is_dir():
        raise MissingJobError(
            "there is no such job folder", "make one with 'twinlapse make-job'", path=folder
        )
    job = Job(folder)
    if not job.plan.exists() and not job.frames.is_dir():
        raise JobError("this folder holds neither plan.json nor frames/", "name a job folder", path=folder)
    return job


def rig_of(path: Path) -> Rig:
    """Return the rig of a job folder, its own file or the one that its plan holds, or of a rig file.

    Raises
    ------
    RigError, JobError, PlanError
        when there is none or it has a fault.
    """
    if not path.is_dir():
        return read_rig(path)
    job = open_job(path)
    return read_rig(job.rig) if job.rig.exists() else rig_from_mapping(read_plan(job.plan).rig)
