"""The folder of the service: printers, jobs, incoming files, one small record a job.

``printers/NAME/rig.toml``; ``jobs/CODE/``, a job folder each, with ``record.json``; ``incoming/NAME/``.
"""

from __future__ import annotations

import re
import time
from collections.abc import Iterator
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any, Literal, get_args

from twinlapse.errors import JobError, TwinlapseError
from twinlapse.files import make_folder, read_json, write_json
from twinlapse.frames.job import Job
from twinlapse.rig.model import Rig
from twinlapse.rig.reader import read_rig

__all__ = ["JobRecord", "JobState", "Workspace", "now_s", "safe_name"]

JobState = Literal["planning", "ready", "printing", "filming", "done", "failed"]
_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,63}")
_CODE = re.compile(r"[0-9a-f]{6}")
_STATES = frozenset(get_args(JobState))


@dataclass(frozen=True, slots=True, kw_only=True)
class JobRecord:
    """What the service knows of a job beside its folder."""

    code: str  # first six hex digits of the original's SHA-256
    name: str  # of the file as it came
    printer: str
    state: JobState
    why: str = ""  # it failed, in one line
    came_s: float = 0.0  # seconds since the epoch
    printed_s: float = 0.0  # when its last print began; 0: never
    print_s: float = 0.0
    added_s: float = 0.0
    shots: int = 0
    layers: int = 0


class Workspace:
    """Reads and writes the folder; every name that comes from outside is checked here."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        for name in ("printers", "jobs", "incoming"):
            make_folder(folder / name)

    def printers(self) -> list[str]:
        """Return the names of the printers that have a rig file."""
        return sorted(
            path.parent.name
            for path in (self.folder / "printers").glob("*/rig.toml")
            if _NAME.fullmatch(path.parent.name)
        )

    def rig_file(self, printer: str) -> Path:
        """Return where the rig of a printer lies.

        Raises
        ------
        JobError
            when there is no such printer.
        """
        if not _NAME.fullmatch(printer) or printer not in self.printers():
            known = ", ".join(self.printers()) or "none yet"
            raise JobError(
                f"there is no printer {printer[:64]!r}", f"put printers/NAME/rig.toml there ({known})"
            )
        return self.folder / "printers" / printer / "rig.toml"

    def rig(self, printer: str) -> Rig:
        """Return the rig of a printer."""
        return read_rig(self.rig_file(printer))

    def incoming(self, printer: str) -> Path:
        """Return the watched folder of a printer, made when it is missing."""
        self.rig_file(printer)
        return make_folder(self.folder / "incoming" / printer)

    def job(self, code: str) -> Job:
        """Return the job of a code.

        Raises
        ------
        JobError
            when there is none.
        """
        job = Job(self.folder / "jobs" / code)
        if not _CODE.fullmatch(code) or not (job.folder / "record.json").exists():
            raise JobError(f"there is no job {code[:16]!r} here", "send its file to this service first")
        return job

    def record(self, code: str) -> JobRecord:
        """Return the record of a job."""
        return _record(read_json(self.job(code).folder / "record.json", "job record"))

    def keep(self, record: JobRecord) -> JobRecord:
        """Write a record, making the job's folder when it is missing."""
        folder = make_folder(self.folder / "jobs" / record.code)
        write_json(folder / "record.json", asdict(record))
        return record

    def change(self, code: str, **fields: Any) -> JobRecord:
        """Change fields of a record."""
        return self.keep(replace(self.record(code), **fields))

    def records(self) -> Iterator[JobRecord]:
        """Yield the records of all jobs, the newest first; a damaged one is passed over."""
        found = []
        for path in (self.folder / "jobs").glob("*/record.json"):
            try:
                found.append(_record(read_json(path, "job record")))
            except TwinlapseError:
                continue
        yield from sorted(found, key=lambda record: -max(record.came_s, record.printed_s))

    def settle(self) -> list[str]:
        """Put records in order after a stop in the middle: no film is being made any more.

        Returns
        -------
        list of str
            The codes of jobs whose film was being made. A print may still go on: its printer says that, and
            a plan that was being made is begun anew.
        """
        films = []
        for record in list(self.records()):
            if record.state == "filming":
                films.append(self.change(record.code, state="done").code)
        return films


def safe_name(name: str) -> str:
    """Return a file's name without anything that a path or a page could take amiss, at most 80 characters."""
    kept = re.sub(r"[^A-Za-z0-9 ._()+-]", "_", Path(name.replace("\\", "/")).name).strip(" .")
    return kept[:80] or "print.gcode"


def now_s() -> float:
    """Return seconds since the epoch."""
    return time.time()


def _record(value: Any) -> JobRecord:
    if not isinstance(value, dict) or value.get("state") not in _STATES:
        raise JobError("this job record is damaged", "send the file again")
    known = {name: value[name] for name in JobRecord.__dataclass_fields__ if name in value}
    try:
        return JobRecord(**known)
    except TypeError:
        raise JobError("this job record is damaged", "send the file again") from None
