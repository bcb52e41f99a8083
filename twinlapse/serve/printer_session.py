"""One printer: its channels, and the capture of the job that it prints, begun and ended by what it says."""

from __future__ import annotations

import contextlib
import math
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

from twinlapse.capture.alarm_routes import Publish
from twinlapse.capture.cue_handler import Answer, UnknownShotError
from twinlapse.capture.cue_inputs import LONG_AGO_S
from twinlapse.capture.service import CaptureService
from twinlapse.capture.trust import commands_of, is_trusted, without_commands
from twinlapse.errors import CaptureError, TwinlapseError
from twinlapse.rig.model import Rig
from twinlapse.serve.channels.answering import send_lines, ways_to_send
from twinlapse.serve.channels.of_rig import Channel, channels_of, places_of
from twinlapse.serve.left_print import end_left_print, may_go_on
from twinlapse.serve.printer_lines import PrinterLines
from twinlapse.serve.rig_view import RigView
from twinlapse.serve.silence import patience_s
from twinlapse.serve.waits import Choice, Wait, lines_of, to_json, wait_at, wait_behind
from twinlapse.serve.workspace import Workspace, now_s
from twinlapse.shots import Cue, Plan, job_code, read_plan

__all__ = ["SILENCE_S", "PrinterSession"]

SILENCE_S = 1800.0  # beyond the time at which the next line was due: the print is over, or was stopped
_LOOK_S = 1.0
_SAME_BEGIN_S = 10.0  # a print that was stopped homes before it begins again (common practice, no source)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Live:
    """A print that is being captured."""

    code: str
    plan: Plan
    rig: Rig
    capture: CaptureService
    began_s: float  # monotonic


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
        self._live: _Live | None = None
        self._heard_s = 0.0  # monotonic time of the last line of the print
        self._wait: Wait | None = None
        self._answering = threading.Lock()
        self.trouble = ""  # what keeps this printer from being captured
        self.lines = PrinterLines(self)
        self.channels: dict[str, Channel] = {}
        self.view = RigView(lambda: _for_capture(workspace.rig(name)), lambda: self.capture)
        self._stopped = threading.Event()
        self._watch = threading.Thread(target=self._watch_silence, name=f"silence {name}", daemon=True)

    def start(self, reserve: Callable[[str], str] | None = None) -> None:
        """Open the channels of the rig; a rig with a fault is said, and does not stop the others.

        Parameters
        ----------
        reserve : callable, optional
            Takes what a channel reads, returns the printer that has it: this one, or one before it.
        """
        try:
            rig = self._workspace.rig(self.name)
            others = {} if reserve is None else {where: reserve(where) for where in places_of(rig.capture)}
            if shared := [where for where, name in others.items() if name != self.name]:
                raise CaptureError(
                    f"{shared[0]} is read for the printer {others[shared[0]]} already",
                    "give each printer a line, log, address or topic of its own",
                )
            self.channels = channels_of(rig, self.lines)
        except Exception as error:  # whatever is wrong with this printer, the others go on
            self.trouble = str(error) or type(error).__name__
        self._take_up()
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
                self._live.capture.close()
                self._live = None

    @property
    def code(self) -> str:
        """The job that is being captured, empty where none is."""
        live = self._live
        return "" if live is None else live.code

    @property
    def capture(self) -> CaptureService | None:
        """The running capture."""
        live = self._live
        return None if live is None else live.capture

    @property
    def publish(self) -> Publish | None:
        """What publishes below the topic of this printer's broker, where it has one."""
        return getattr(self.channels.get("mqtt"), "deliver", None)

    def due_in_s(self) -> float:
        """Return the seconds to the next cue, infinite where none is due."""
        live = self._live
        return math.inf if live is None else live.capture.forecast.due_in_s(time.monotonic())

    def begin(self, code: str) -> None:
        """A print begins: power, cameras and lamps come on."""
        with self._lock:
            live = self._live
            if live is not None and live.code == code:
                self._heard_s = time.monotonic()
                if self._heard_s - live.began_s > _SAME_BEGIN_S:  # else it is the same print's line once more
                    self._wait = None
                    live.capture.mark_run("begin", code)
                return
            if live is not None:
                self._finish("another print began")
            self._begin(code, new_run=True)

    def end(self, code: str) -> None:
        """The print has ended."""
        with self._lock:
            if self._live is not None and self._live.code == code:
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
            self._moved(shot)
            live.capture.arm(shot)

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
        self._moved(cue.shot)
        cued_s = now_s() - (late_s if late_s < LONG_AGO_S / 2 else 0.0)  # so late is: nobody knows since when
        try:
            answer = live.capture.cue(cue, late_s=late_s, channel=channel)
        except UnknownShotError:
            return None
        except TwinlapseError:
            raise
        except Exception as error:  # a print that ends meanwhile takes the store away
            if self._live is live:
                self.trouble = f"cue {cue.shot}.{cue.stop} failed: {type(error).__name__}: {error}"
            return None
        with self._lock:
            if self._live is live and not answer.repeated and not answer.aside:
                # cues are answered side by side: one before the last stop ends no wait behind it
                self._wait = wait_at(live.plan, live.rig, cue.shot, cue.stop, cued_s) or self._wait
        return answer

    def answer(self, choice: Choice, layer: int | None = None) -> str:
        """Send what a person answers to a print that waits; return in words what was sent.

        Parameters
        ----------
        layer : int, optional
            From 1: the layer that the person was asked about.

        Raises
        ------
        CaptureError
            when nothing waits, or the machine does not take it.
        """
        if not self._answering.acquire(blocking=False):
            raise CaptureError("an answer is on its way", "wait a moment")
        try:
            live, wait = self._live, self._wait
            if live is None or wait is None or wait.is_over(now_s()):
                raise CaptureError("this print does not wait for an answer", "look at the machine")
            if layer is not None and layer != wait.layer + 1:
                raise CaptureError(f"it waits behind layer {wait.layer + 1}", "look at the page again")
            said = send_lines(live.rig.capture, lines_of(live.rig, choice))
            with self._lock:
                if self._wait is wait:
                    self._wait = wait.answer(choice, now_s())
                if choice == "stop" and self._live is live:
                    self._finish("a person stopped it while it waited")
            return said
        finally:
            self._answering.release()

    def status(self) -> dict[str, Any]:
        """Return what the page shows of this printer."""
        live = self._live
        return {
            "name": self.name,
            "code": "" if live is None else live.code,
            "trouble": self.trouble,
            "channels": {name: channel.fault for name, channel in self.channels.items()},
            "capture": None if live is None else live.capture.status(),
            "waits": None if live is None else to_json(self._wait, live.rig, ways_to_send(live.rig.capture)),
        }

    def _moved(self, shot: int) -> None:
        """A line of the print came: it waits no longer, unless the line is the wait's own."""
        with self._lock:
            self._heard_s = time.monotonic()
            if self._wait is not None and self._wait.shot != shot:
                self._wait = None

    def _begin(self, code: str, *, new_run: bool) -> None:
        with self.view.given_up():
            self._begin_capture(code, new_run=new_run)

    def _begin_capture(self, code: str, *, new_run: bool) -> None:
        service = None
        try:
            job = self._workspace.job(code)
            plan = read_plan(job.plan)
            if job_code(plan.original_sha256) != code:
                raise CaptureError("this job's plan is of another file", "send the file again")
            rig = self._workspace.rig(self.name)
            service = CaptureService(job, plan, _for_capture(rig), publish=self.publish)
            service.start()
            if new_run:
                service.mark_run("begin", code)
        except Exception as error:  # whatever it is: the channels go on, and the page says it
            self.trouble = f"a print of job {code} began: {error or type(error).__name__}"
            if service is not None:
                service.close()
            return
        self.trouble = ""
        self._heard_s = time.monotonic()
        self._live = _Live(code=code, plan=plan, rig=rig, capture=service, began_s=self._heard_s)
        try:
            goes_on = self._workspace.record(code).state == "printing"
            began = {} if goes_on and not new_run else {"printed_s": now_s()}
            self._workspace.change(code, state="printing", printer=self.name, why="", **began)
        except (TwinlapseError, OSError) as error:
            self.trouble = f"the record of job {code} cannot be written: {error}"

    def _take_up(self) -> None:
        """Go on with the print that went on when the service ended, or end it where that is too long ago."""
        for record in self._workspace.records():
            if record.state != "printing" or record.printer != self.name:
                continue
            try:
                if not self.code and may_go_on(self._workspace, record, silence_s=self._silence_s):
                    self._begin(record.code, new_run=False)
                    if (live := self._live) is not None:
                        self._wait = wait_behind(live.plan, live.rig, live.capture.forecast.done, now_s())
                    continue
                end_left_print(self._workspace, record.code)
                self._over(record.code)
            except Exception as error:  # a damaged job keeps no other print from being heard
                self.trouble = f"job {record.code} cannot be taken up: {error}"

    def _finish(self, reason: str) -> None:
        assert self._live is not None
        live, self._live, self._wait = self._live, None, None
        try:
            with contextlib.suppress(TwinlapseError):
                live.capture.end_run(reason)
            live.capture.close()
        except Exception as error:  # the film is made, and the next print taken, whatever failed here
            self.trouble = f"the print of job {live.code} did not end in order: {error}"
        try:
            self._workspace.change(live.code, state="done")
            self._over(live.code)
        except (TwinlapseError, OSError) as error:
            self.trouble = f"job {live.code} is not filmed: {error}"

    def _watch_silence(self) -> None:
        while not self._stopped.wait(_LOOK_S):
            with self._lock:
                live = self._live
                if live is not None and time.monotonic() - self._heard_s > self._patience_s(live):
                    self._finish("nothing came any more")

    def _patience_s(self, live: _Live) -> float:
        done, held_s = live.capture.forecast.done, live.rig.plan.hold_max_s
        return patience_s(live.plan, done, silence_s=self._silence_s, hold_max_s=held_s)


def _for_capture(rig: Rig) -> Rig:
    """Return a rig whose channels are read here, not by the capture; commands run only when trusted."""
    rig = replace(rig, capture=replace(rig.capture, log="", serial="", mqtt=None))
    return rig if is_trusted(commands_of(rig)) else without_commands(rig)
