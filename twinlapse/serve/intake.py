"""Files come in: streamed to the disk, then planned by a child, or adopted where they are written already."""

from __future__ import annotations

import hashlib
import re
import secrets
import shutil
from collections.abc import AsyncIterator, Callable
from dataclasses import dataclass, replace
from pathlib import Path

from twinlapse.errors import CaptureError, JobError, TwinlapseError
from twinlapse.files import make_folder
from twinlapse.serve.children import Children, Outcome, Task
from twinlapse.serve.workspace import JobRecord, Workspace, now_s, safe_name
from twinlapse.shots import job_code, read_plan

__all__ = ["MOST_BYTES", "RECEIVED", "Intake", "Received"]

MOST_BYTES = 1 << 30  # of a sliced file
RECEIVED = "received.gcode"  # in the job's folder, until it is planned
_HEAD = 1 << 18
_ORIGINAL = re.compile(rb"(?m)^; original_sha256 ([0-9a-f]{64})\r?$")
_TEXT = re.compile(rb"[\x00-\x08\x0e-\x1a\x1c-\x1f]")  # what no G-code text holds
_FREE = 3.0  # times the file: original, written file and room to write beside


@dataclass(frozen=True, slots=True, kw_only=True)
class Received:
    """A file that lies in the incoming folder, with what its content says."""

    path: Path
    name: str
    sha256: str  # of the original, also for a written file
    written: bool


class Intake:
    """Turns files into jobs.

    Parameters
    ----------
    workspace : Workspace
    children : Children
    ready : callable
        Told the code of a job that is planned, proven and may be printed.
    """

    def __init__(self, workspace: Workspace, children: Children, ready: Callable[[str], None]) -> None:
        self._workspace, self._children, self._ready = workspace, children, ready

    async def receive(self, pieces: AsyncIterator[bytes], name: str, size: int) -> Received:
        """Stream a body to the disk.

        Raises
        ------
        CaptureError
            when it is no G-code text, too large, or the disk has no room.
        """
        folder = self._workspace.folder / "incoming"
        if size > MOST_BYTES:
            raise CaptureError(f"the file is larger than {MOST_BYTES >> 20} MiB", "slice it in parts")
        if shutil.disk_usage(folder).free < _FREE * size + (200 << 20):
            raise CaptureError("the disk has no room for this file", "delete jobs, or set a smaller budget")
        path = folder / f".{secrets.token_hex(8)}.part"
        digest, seen = hashlib.sha256(), 0
        try:
            with path.open("wb") as file:
                async for piece in pieces:
                    seen += len(piece)
                    if seen > MOST_BYTES:
                        raise CaptureError("the file is too large", "slice it in parts")
                    digest.update(piece)
                    file.write(piece)
            return self._told(path, name, digest.hexdigest())
        except BaseException:
            path.unlink(missing_ok=True)
            raise

    def pick_up(self, path: Path) -> Received:
        """Look at a file of the watched folder; what is no G-code goes into its folder ``refused``."""
        try:
            return self._look_at(path, path.name)
        except CaptureError:
            path.replace(make_folder(path.parent / "refused") / path.name)
            raise

    def take(self, received: Received, printer: str) -> JobRecord:
        """Make a job of a file; planning goes on in a child.

        Raises
        ------
        JobError
            when its print is going on, or the printer is unknown.
        """
        rig_file = self._workspace.rig_file(printer)
        code = job_code(received.sha256)
        known = {record.code: record for record in self._workspace.records()}.get(code)
        if known is not None and known.state in ("printing", "planning"):
            received.path.unlink(missing_ok=True)
            raise JobError(f"job {code} is {known.state} just now", "send it again when that is over")
        record = JobRecord(
            code=code, name=safe_name(received.name), printer=printer, state="planning", came_s=now_s()
        )
        self._workspace.keep(record)
        kept = self._workspace.job(code).folder / RECEIVED
        received.path.replace(kept)
        self._plan(record, replace(received, path=kept), rig_file)
        return record

    def take_up(self) -> None:
        """Begin anew what was being planned when the service ended."""
        for path in (self._workspace.folder / "incoming").glob(".*.part"):
            path.unlink(missing_ok=True)  # these did not arrive whole
        for record in [one for one in self._workspace.records() if one.state == "planning"]:
            job = self._workspace.job(record.code)
            try:
                rig_file = self._workspace.rig_file(record.printer)
                self._plan(record, self._look_at(job.folder / RECEIVED, record.name), rig_file)
            except (OSError, TwinlapseError):
                known = job.plan.exists() and job.filmed.exists()  # an edited plan was being written
                why = "the service was stopped while it worked on this; send it again"
                self._workspace.change(record.code, state="ready" if known else "failed", why=why)

    def _plan(self, record: JobRecord, received: Received, rig_file: Path) -> None:
        code, folder = record.code, received.path.parent
        rig = () if received.written else ("--rig", str(rig_file))
        words = ("make-job", str(received.path), *rig, "-o", str(folder))
        self._children.add(
            Task(
                name=f"planning {record.name}",
                words=words,
                done=lambda outcome: self._planned(code, received, outcome),
            )
        )

    def _look_at(self, path: Path, name: str) -> Received:
        with path.open("rb") as file:
            return self._told(path, name, hashlib.file_digest(file, "sha256").hexdigest())

    def _told(self, path: Path, name: str, sha256: str) -> Received:
        with path.open("rb") as file:
            head = file.read(_HEAD)
        if not head.strip() or _TEXT.search(head):
            raise CaptureError("this is no G-code text", "send the file that the slicer writes")
        found = _ORIGINAL.search(head)
        original = found[1].decode() if found else sha256
        return Received(path=path, name=name, sha256=original, written=found is not None)

    def _planned(self, code: str, received: Received, outcome: Outcome) -> None:
        received.path.unlink(missing_ok=True)
        if outcome.status != 0:
            words = outcome.words.removeprefix("twinlapse: ").replace(str(received.path), received.name)
            self._workspace.change(code, state="failed", why=words or "planning ended without a word")
            return
        try:
            plan = read_plan(self._workspace.job(code).plan)
        except TwinlapseError as error:
            self._workspace.change(code, state="failed", why=str(error))
            return
        self._workspace.change(
            code,
            state="ready",
            print_s=plan.print_s,
            added_s=plan.cost_s,
            shots=len(plan.shots),
            layers=plan.layer_count,
        )
        self._ready(code)
