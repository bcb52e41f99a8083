"""Everything together: printers, intake, children, what follows a print, room on the disk."""

from __future__ import annotations

import contextlib
import math
import shutil
import threading
import time
from functools import partial
from pathlib import Path
from typing import Any

from twinlapse.capture.alarm_routes import AlarmMessage, DeliveryError, make_routes
from twinlapse.capture.trust import commands_of, is_trusted, without_commands
from twinlapse.errors import CaptureError, TwinlapseError
from twinlapse.files import replacing
from twinlapse.serve.budget import JobSizes, jobs_to_delete
from twinlapse.serve.channels.reprapfirmware_http import upload
from twinlapse.serve.children import Children, Outcome, Task
from twinlapse.serve.intake import Intake
from twinlapse.serve.previews import LAYOUTS, add_previews, made_previews
from twinlapse.serve.printer_session import SILENCE_S, PrinterSession
from twinlapse.serve.waits import Choice
from twinlapse.serve.workspace import JobRecord, JobState, Workspace
from twinlapse.shots import Plan, job_code, write_plan

__all__ = ["ServeService"]

_LOOK_S = 1.0  # at the watched folders
_STEADY_S = 2.0  # a file there is whole when it has not changed for so long


class ServeService:
    """The service of one folder.

    Parameters
    ----------
    folder : Path
        Made when it is missing.
    budget_gb : float
        Finished jobs that nobody kept may be deleted beyond this much; 0: never.
    """

    def __init__(self, folder: Path, *, budget_gb: float = 0.0, silence_s: float = SILENCE_S) -> None:
        self.workspace = Workspace(folder)
        self._films = self.workspace.settle()
        self.children = Children(self.due_in_s)
        self.intake = Intake(self.workspace, self.children, self._ready)
        self.budget_bytes = int(budget_gb * 1e9)
        self._sizes = JobSizes(folder / "jobs")
        self.printers = {
            name: PrinterSession(name, self.workspace, self._over, silence_s=silence_s)
            for name in self.workspace.printers()
        }
        self._stopped = threading.Event()
        self._watch = threading.Thread(target=self._look, name="incoming", daemon=True)

    def start(self) -> None:
        """Begin."""
        self.children.start()
        self.intake.take_up()
        for code in self._films:
            self._over(code)
        taken: dict[str, str] = {}  # what a channel reads, and the printer whose channel it is
        for name, printer in self.printers.items():
            printer.start(partial(_first, taken, name))
        self._settle_prints()
        self._watch.start()

    def stop(self) -> None:
        """End everything; cameras and lamps go off."""
        self._stopped.set()
        for printer in self.printers.values():
            printer.stop()
        self.children.stop()
        if self._watch.is_alive():
            self._watch.join(5)

    def _settle_prints(self) -> None:
        """No print goes on but those that a printer has taken up."""
        live = {printer.code for printer in self.printers.values()}
        for record in self.workspace.records():
            if record.state == "printing" and record.code not in live:
                self.workspace.change(record.code, state="ready")

    def due_in_s(self) -> float:
        """Return the seconds to the next cue of any printer."""
        return min((printer.due_in_s() for printer in self.printers.values()), default=math.inf)

    def printer(self, name: str) -> PrinterSession:
        """Return a printer.

        Raises
        ------
        CaptureError
            when there is none of that name.
        """
        if name not in self.printers:
            raise CaptureError(
                f"there is no printer {name[:64]!r}", "put printers/NAME/rig.toml into the folder"
            )
        return self.printers[name]

    def state(self) -> dict[str, Any]:
        """Return what the pages show."""
        records = list(self.workspace.records())
        usage = shutil.disk_usage(self.workspace.folder)
        return {
            "time_s": time.time(),
            "printers": [printer.status() for printer in self.printers.values()],
            "jobs": [self._job(record) for record in records],
            "working": self.children.names(),
            "trouble": self.children.trouble,
            "free_mb": round(usage.free / 1e6),
            "budget_gb": self.budget_bytes / 1e9,
            "would_go": [record.code for record in self._spare(records)],
        }

    def send(self, code: str) -> str:
        """Hand the written file over to its printer; return in words where it went.

        Raises
        ------
        CaptureError
            when the rig names no way, or the way fails.
        """
        record = self.workspace.record(code)
        if record.state in ("planning", "failed"):
            raise CaptureError("this job is not ready", record.why or "wait until it is planned")
        rig, job = self.workspace.rig(record.printer), self.workspace.job(code)
        name = f"{Path(record.name).stem}-{code}.gcode"
        if rig.capture.reprapfirmware:
            upload(
                rig.capture.reprapfirmware,
                job.filmed,
                name,
                login_file=rig.capture.reprapfirmware_login_file,
            )
            return f"sent to {rig.capture.reprapfirmware}"
        if rig.capture.send_folder:
            target = Path(rig.capture.send_folder) / name
            with job.filmed.open("rb") as source, replacing(target) as file:
                shutil.copyfileobj(source, file, 1 << 20)
            return f"copied to {target}"
        raise CaptureError(
            "the rig names no way to send files",
            "download it, or set send_folder or reprapfirmware in [capture]",
        )

    def render(self, code: str, layout: str = "") -> None:
        """Make the film of a job, in another layout where one is named.

        Raises
        ------
        CaptureError
            for an unknown layout.
        """
        if layout and layout not in LAYOUTS:
            raise CaptureError(f"there is no layout {layout[:20]!r}", f"name one of {', '.join(LAYOUTS)}")
        record = self.workspace.record(code)
        folder = self.workspace.job(code).folder
        words = [
            "render",
            str(folder),
            "-o",
            str(folder / "film.mp4"),
            "--poster",
            str(folder / "poster.jpg"),
        ]
        words += ["--layout", layout] if layout else []
        self.workspace.change(code, state="filming")
        self.children.add(
            Task(
                name=f"filming {record.name}",
                words=tuple(words),
                done=lambda outcome: self._filmed(code, outcome),
            )
        )

    def preview(self, code: str) -> None:
        """Have a picture of the film made in every layout.

        Raises
        ------
        CaptureError
            for a job that has not been printed.
        """
        record = self.workspace.record(code)
        if record.state != "done":
            raise CaptureError(f"this job is {record.state}", "wait until its print is over")
        add_previews(self.children, record, self.workspace.job(code).folder)

    def edit(self, code: str, plan: Plan) -> None:
        """Write an edited plan into the job's file again, proven like any other; a child does it.

        Raises
        ------
        CaptureError
            while the job prints or is being worked on, or for a plan of another file.
        """
        record, job = self.workspace.record(code), self.workspace.job(code)
        if record.state not in ("ready", "done"):
            raise CaptureError(f"this job is {record.state}", "wait until that is over")
        if job_code(plan.original_sha256) != code:
            raise CaptureError("this plan is of another file", "open the plan of this job")
        edited = job.folder / "edited.json"
        write_plan(edited, plan)
        self.workspace.change(code, state="planning")
        words = ("inject", str(job.original), "--plan", str(edited), "-o", str(job.filmed))
        self.children.add(
            Task(
                name=f"writing {record.name}",
                words=words,
                done=lambda outcome: self._edited(code, plan, record.state, outcome),
            )
        )

    def _edited(self, code: str, plan: Plan, before: JobState, outcome: Outcome) -> None:
        job = self.workspace.job(code)
        (job.folder / "edited.json").unlink(missing_ok=True)
        if outcome.status != 0:
            words = outcome.words.removeprefix("twinlapse: ")
            self.workspace.change(code, state=before, why=f"the edited plan was not taken: {words}")
            return
        write_plan(job.plan, plan)
        self.workspace.change(code, state=before, why="", added_s=plan.cost_s, shots=len(plan.shots))

    def answer(self, code: str, choice: Choice, layer: int | None) -> str:
        """Send a person's answer to the machine of a job that waits; return in words what was sent.

        Raises
        ------
        CaptureError
            when it does not wait, or the machine does not take it.
        """
        for printer in self.printers.values():
            if printer.code == code:
                return printer.answer(choice, layer)
        raise CaptureError("this job is not being printed", "look at the machine")

    def delete(self, code: str) -> None:
        """Delete a job for good.

        Raises
        ------
        CaptureError
            while it prints or is being worked on.
        """
        record = self.workspace.record(code)
        if record.state in ("printing", "planning", "filming"):
            raise CaptureError(f"this job is {record.state}", "wait until that is over")
        shutil.rmtree(self.workspace.job(code).folder)

    def _job(self, record: JobRecord) -> dict[str, Any]:
        folder = self.workspace.folder / "jobs" / record.code
        files = ("filmed.gcode", "plan.html", "film.mp4", "poster.jpg", "plan.json")
        return {
            **{name: getattr(record, name) for name in JobRecord.__dataclass_fields__},
            "previews": made_previews(folder, record),
            "files": {name: (folder / name).stat().st_size for name in files if (folder / name).is_file()},
        }

    def _ready(self, code: str) -> None:
        job, record = self.workspace.job(code), self.workspace.record(code)
        words = ("plan", str(job.original), "--rig", str(self.workspace.rig_file(record.printer)))
        drawing = ("--drawing", str(job.folder / "plan.html"))
        self.children.add(
            Task(name=f"drawing {record.name}", words=(*words, *drawing), done=lambda outcome: None)
        )

    def _over(self, code: str) -> None:
        with contextlib.suppress(TwinlapseError):
            self.render(code)

    def _filmed(self, code: str, outcome: Outcome) -> None:
        failed = outcome.status != 0
        words = outcome.words.removeprefix("twinlapse: ")
        record = self.workspace.change(code, state="done", why=f"no film: {words}" if failed else "")
        self._tell(
            record,
            f"There is no film of {record.name}: {words}"
            if failed
            else f"The film of {record.name} is ready.",
        )
        self._make_room()

    def _tell(self, record: JobRecord, text: str) -> None:
        """Send a notification every way that the rig names for alarms."""
        try:
            rig = self.workspace.rig(record.printer)
            alarm = (rig if is_trusted(commands_of(rig)) else without_commands(rig)).capture.alarm
        except TwinlapseError:
            return
        message = AlarmMessage(
            job=record.code,
            code="film",
            text=text,
            since=time.time(),
            over=True,
            picture=alarm.picture_link,
            picture_file=str(self.workspace.job(record.code).folder / "poster.jpg"),
        )
        session = self.printers.get(record.printer)
        for route in make_routes(alarm, None if session is None else session.publish).values():
            with contextlib.suppress(DeliveryError):
                route(message)

    def _spare(self, records: list[JobRecord]) -> list[JobRecord]:
        if self.budget_bytes <= 0:
            return []  # every folder would be walked, at each look of the page, for nothing
        return jobs_to_delete(records, self._sizes.of(records), self.budget_bytes)

    def _make_room(self) -> None:
        """Delete what is beyond the budget, never while a print runs."""
        if any(printer.code for printer in self.printers.values()):
            return
        for record in self._spare(list(self.workspace.records())):
            with contextlib.suppress(TwinlapseError, OSError):
                self.delete(record.code)

    def _look(self) -> None:
        """Pick up files from the watched folders."""
        seen: dict[Path, tuple[float, int, float]] = {}
        while not self._stopped.wait(_LOOK_S):
            for name in self.printers:
                with contextlib.suppress(TwinlapseError, OSError):
                    self._look_at(name, seen)

    def _look_at(self, printer: str, seen: dict[Path, tuple[float, int, float]]) -> None:
        for path in self.workspace.incoming(printer).glob("*.g*"):
            if path.name.startswith(".") or path.is_symlink() or not path.is_file():
                continue
            found, now = path.stat(), time.monotonic()
            mark = (found.st_mtime, found.st_size)
            if seen.get(path, (0.0, -1, 0.0))[:2] != mark:
                seen[path] = (*mark, now)
            elif now - seen[path][2] >= _STEADY_S:
                del seen[path]
                self.intake.take(self.intake.pick_up(path), printer)


def _first(taken: dict[str, str], name: str, where: str) -> str:
    return taken.setdefault(where, name)
