"""One printer: its channels, and the capture of the job that it prints, begun and ended by what it says."""

from __future__ import annotations

import contextlib
import math
import threading
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any, Protocol

from twinlapse.capture.cue_handler import Answer, UnknownShotError
from twinlapse.capture.cue_inputs import LogReader, SerialReader
from twinlapse.capture.service import CaptureService
from twinlapse.capture.trust import commands_of, is_trusted, without_commands
from twinlapse.errors import CaptureError, TwinlapseError
from twinlapse.rig.model import Rig
from twinlapse.serve.channels.klipper_api import KlipperApi
from twinlapse.serve.channels.reprapfirmware_http import ReprapFirmwareHttp
from twinlapse.serve.printer_lines import PrinterLines
from twinlapse.serve.rig_view import RigView
from twinlapse.serve.workspace import Workspace, now_s
from twinlapse.shots import Cue, job_code, read_plan

__all__ = ["SILENCE_S", "Channel", "PrinterSession"]

SILENCE_S = 1800.0  # beyond the time at which the next cue was due: the print is over, or was stopped
_LOOK_S = 1.0


class Channel(Protocol):
    """Where lines come in."""

    fault: str

    def start(self) -> None:
        """Begin."""

    def stop(self) -> None:
        """End."""


class PrinterSession:
    """Waits for a print, captures it, and says when it is over.

    Parameters
    ----------
    name : str
    workspace : Workspace
    over : callable
        Told the job's code when its print has ended and cameras and lamps are off.
    silence_s : float
        A print whose next cue is overdue by so much has ended.
    """

    def __init__(
        self,
        name: str,
        workspace: Workspace,
        over: Callable[[str], None],
        *,
        silence_s: float = SILENCE_S,
    ) -> None:
        self.name = name
        self._workspace, self._over, self._silence_s = workspace, over, silence_s
        self._lock = threading.RLock()
        self._live: tuple[str, CaptureService] | None = None
        self.trouble = ""  # what keeps this printer from being captured
        self.lines = PrinterLines(self)
        self.channels: dict[str, Channel] = {}
        self.view = RigView(self._rig, lambda: self.capture)
        self._stopped = threading.Event()
        self._watch = threading.Thread(target=self._watch_silence, name=f"silence {name}", daemon=True)

    def start(self) -> None:
        """Open the channels of the rig; a rig with a fault is said, and does not stop the others."""
        try:
            rig = self._workspace.rig(self.name)
            self.channels = _channels(rig, self.lines)
        except TwinlapseError as error:
            self.trouble = str(error)
        for channel in self.channels.values():
            channel.start()
        self._watch.start()

    def stop(self) -> None:
        """End channels and capture; a print that goes on is taken up again at the next start by its cues."""
        self._stopped.set()
        for channel in self.channels.values():
            channel.stop()
        if self._watch.is_alive():
            self._watch.join(3)
        self.view.close()
        with self._lock:
            if self._live is not None:
                self._live[1].close()
                self._live = None

    @property
    def code(self) -> str:
        """The job that is being captured, empty where none is."""
        live = self._live
        return "" if live is None else live[0]

    @property
    def capture(self) -> CaptureService | None:
        """The running capture."""
        live = self._live
        return None if live is None else live[1]

    def due_in_s(self) -> float:
        """Return the seconds to the next cue, infinite where none is due."""
        live = self._live
        return math.inf if live is None else live[1].forecast.due_in_s(time.monotonic())

    def begin(self, code: str) -> None:
        """A print begins: power, cameras and lamps come on."""
        with self._lock:
            if self._live is not None:
                if self._live[0] == code:
                    self._live[1].mark_run("begin", code)
                    return
                self._finish("another print began")
            self._begin(code, new_run=True)

    def end(self, code: str) -> None:
        """The print has ended."""
        with self._lock:
            if self._live is not None and self._live[0] == code:
                self._finish("the print ended")

    def give_up(self, reason: str) -> None:
        """Treat the print as over, as a person or a cancel says."""
        with self._lock:
            if self._live is not None:
                self._finish(reason)

    def arm(self, shot: int) -> None:
        """A shot is announced."""
        live = self._live
        if live is not None:
            live[1].arm(shot)

    def cue(self, cue: Cue, late_s: float, channel: str) -> Answer | None:
        """Take a cue; one that names a job begins its print where no begin line was heard.

        Returns
        -------
        Answer or None
            None where no job is known for it.
        """
        with self._lock:
            if cue.job and self.code != cue.job:
                if self._live is not None:
                    self._finish("another print began")
                self._begin(cue.job, new_run=False)
            live = self._live
        if live is None:
            if not self.trouble:
                self.trouble = "a cue came, and no job is being printed: files of former versions name none"
            return None
        with contextlib.suppress(UnknownShotError):
            return live[1].cue(cue, late_s=late_s, channel=channel)
        return None

    def status(self) -> dict[str, Any]:
        """Return what the page shows of this printer."""
        live = self._live
        return {
            "name": self.name,
            "code": "" if live is None else live[0],
            "trouble": self.trouble,
            "channels": {name: channel.fault for name, channel in self.channels.items()},
            "capture": None if live is None else live[1].status(),
        }

    def _begin(self, code: str, *, new_run: bool) -> None:
        with self.view.given_up():
            self._begin_capture(code, new_run=new_run)

    def _begin_capture(self, code: str, *, new_run: bool) -> None:
        try:
            job = self._workspace.job(code)
            plan = read_plan(job.plan)
            if job_code(plan.original_sha256) != code:
                raise CaptureError("this job's plan is of another file", "send the file again")
            service = CaptureService(job, plan, self._rig())
            service.start()
        except TwinlapseError as error:
            self.trouble = f"a print of job {code} began: {error}"
            return
        if new_run:
            service.mark_run("begin", code)
        self.trouble = ""
        self._live = (code, service)
        self._workspace.change(code, state="printing", printer=self.name, printed_s=now_s(), why="")

    def _rig(self) -> Rig:
        """Return the printer's rig; its log and serial line are read here, commands run only when trusted."""
        rig = self._workspace.rig(self.name)
        rig = replace(rig, capture=replace(rig.capture, log="", serial=""))
        return rig if is_trusted(commands_of(rig)) else without_commands(rig)

    def _finish(self, reason: str) -> None:
        assert self._live is not None
        code, service = self._live
        self._live = None
        with contextlib.suppress(TwinlapseError):
            service.end_run(reason)
        service.close()
        self._workspace.change(code, state="done")
        self._over(code)

    def _watch_silence(self) -> None:
        while not self._stopped.wait(_LOOK_S):
            with self._lock:
                live = self._live
                if live is not None and live[1].forecast.silent_s(time.monotonic()) > self._silence_s:
                    self._finish("no cue came any more")


def _channels(rig: Rig, lines: PrinterLines) -> dict[str, Channel]:
    made: dict[str, Channel] = {}
    capture = rig.capture
    if capture.log:
        log = LogReader(Path(capture.log), _nothing)
        log.lines_to = _teller(lines, "log")
        made["log"] = log
    if capture.serial:
        serial = SerialReader(Path(capture.serial), _nothing)
        serial.lines_to = _teller(lines, "serial")
        made["serial"] = serial
    if capture.klipper_socket:
        tell = _teller(lines, "klipper")
        made["klipper"] = KlipperApi(Path(capture.klipper_socket), lambda text: tell(text, 0.0))
    if capture.reprapfirmware:
        made["reprapfirmware"] = ReprapFirmwareHttp(capture.reprapfirmware, _teller(lines, "reprapfirmware"))
    return made


def _teller(lines: PrinterLines, channel: str) -> Callable[[str, float], None]:
    def tell(text: str, late_s: float) -> None:
        with contextlib.suppress(TwinlapseError):
            lines.hear(text, late_s, channel=channel)

    return tell


def _nothing(cue: Cue, late_s: float) -> None:
    """Cues are found among the lines."""
