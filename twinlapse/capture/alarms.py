"""What goes wrong in the night, noticed once and told to those who asked for it."""

from __future__ import annotations

import json
import queue
import threading
import urllib.request
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from urllib.parse import urlsplit

from twinlapse.cameras.clock import Clock
from twinlapse.cameras.latest_frame import Health
from twinlapse.capture.rig_commands import run
from twinlapse.rig.capture_settings import Alarm

_LIMIT_S = 10.0
Publish = Callable[[str, bytes], None]


@dataclass(frozen=True, slots=True, kw_only=True)
class Trouble:
    """One thing that is wrong, since when."""

    code: str  # such as "camera-gone wide"
    text: str
    since_wall_s: float


class AlarmWatch:
    """Keeps the list of present troubles and raises each alarm once, until it has passed."""

    def __init__(self, clock: Clock, alarm: Callable[[Trouble], None], *, patience_s: float = 15.0) -> None:
        self._clock = clock
        self._alarm = alarm
        self._patience_s = patience_s
        self._since: dict[str, float] = {}
        self._present: dict[str, Trouble] = {}
        self._lock = threading.Lock()

    @property
    def troubles(self) -> list[Trouble]:
        """What is wrong at present, oldest first."""
        with self._lock:
            return list(self._present.values())

    def report(self, code: str, text: str, *, patience_s: float = 0.0) -> None:
        """Say how things stand: `text` is what is wrong, "" when nothing is.

        An alarm goes out when something has been wrong for `patience_s`.
        """
        raised: Trouble | None = None
        with self._lock:
            if not text:
                self._since.pop(code, None)
                self._present.pop(code, None)
                return
            now_s = self._clock.mono_s()
            since_s = self._since.setdefault(code, now_s)
            if code not in self._present and now_s - since_s >= patience_s:
                raised = Trouble(code=code, text=text, since_wall_s=self._clock.wall_s() - (now_s - since_s))
                self._present[code] = raised
        if raised is not None:
            self._alarm(raised)

    def cameras(self, healths: Mapping[str, Health]) -> None:
        """Look at every camera."""
        for name, health in healths.items():
            words = {
                "gone": health.fault,
                "silent": "sends nothing",
                "frozen": "shows the same picture for ever",
            }
            text = words.get(health.state, "")
            self.report(f"camera {name}", f"{name}: {text}" if text else "", patience_s=self._patience_s)


class AlarmSender:
    """Delivers alarms from a thread of its own, so that a slow receiver holds nothing up."""

    def __init__(self, alarm: Alarm, job: str, publish: Publish | None = None) -> None:
        self._alarm = alarm
        self._job = job
        self._publish = publish
        self._queue: queue.Queue[Trouble | None] = queue.Queue(maxsize=100)
        self.faults: list[str] = []
        self._thread = threading.Thread(target=self._run, name="alarms", daemon=True)
        self._thread.start()

    def send(self, trouble: Trouble) -> None:
        """Queue an alarm; dropped when a hundred are waiting."""
        try:
            self._queue.put_nowait(trouble)
        except queue.Full:
            self.faults.append("an alarm was dropped: too many are waiting")

    def close(self) -> None:
        """Deliver what is queued, for a short while."""
        try:
            self._queue.put_nowait(None)
        except queue.Full:
            return
        self._thread.join(timeout=_LIMIT_S)

    def _run(self) -> None:
        while (trouble := self._queue.get()) is not None:
            words = {
                "job": self._job,
                "code": trouble.code,
                "text": trouble.text,
                "since": trouble.since_wall_s,
            }
            data = json.dumps(words).encode()
            for fault in (self._by_command(data), self._by_webhook(data), self._by_mqtt(data)):
                if fault:
                    self.faults = [*self.faults[-9:], fault]

    def _by_command(self, data: bytes) -> str:
        return run(self._alarm.command, _LIMIT_S, stdin=data) if self._alarm.command else ""

    def _by_webhook(self, data: bytes) -> str:
        if not self._alarm.webhook:
            return ""
        request = urllib.request.Request(  # noqa: S310 - the rig reader lets http and https through only
            self._alarm.webhook, data, {"Content-Type": "application/json", "User-Agent": "twinlapse"}
        )
        try:
            with _opener().open(request, timeout=_LIMIT_S) as response:
                response.read(1)
        except (OSError, ValueError) as error:
            return f"the webhook at {urlsplit(self._alarm.webhook).hostname} failed: {error}"
        return ""

    def _by_mqtt(self, data: bytes) -> str:
        if not self._alarm.mqtt or self._publish is None:
            return ""
        try:
            self._publish("alarm", data)
        except (OSError, ValueError, RuntimeError) as error:
            return f"the broker took no alarm: {error}"
        return ""


class _Stay(urllib.request.HTTPRedirectHandler):
    def redirect_request(self, *_: object) -> None:
        return None  # a webhook that sends elsewhere gets nothing


def _opener() -> urllib.request.OpenerDirector:
    return urllib.request.build_opener(_Stay, urllib.request.ProxyHandler({}))
