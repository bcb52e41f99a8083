"""Alarms until they arrive: queued on the disk, tried again with growing pauses, each way for itself."""

from __future__ import annotations

import contextlib
import threading
import time
from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

from twinlapse.capture.alarm_picture import AlarmPicture
from twinlapse.capture.alarm_routes import AlarmMessage, DeliveryError, Route
from twinlapse.capture.alarms import Trouble
from twinlapse.errors import TwinlapseError
from twinlapse.files import read_json, write_json

__all__ = ["MOST_WAITING", "AlarmSender"]

MOST_WAITING = 100  # older ones are dropped: whoever reads a hundred messages reads the page
_FIRST_PAUSE_S, _LONGEST_PAUSE_S = 5.0, 600.0  # doubled in between (common practice, no source)
_CLOSING_S = 10.0  # for a last try when the service ends (common practice, no source)
_NEVER_S = float("inf")


@dataclass(slots=True, eq=False)
class _Waiting:
    """A message and the ways that it has not gone yet."""

    message: AlarmMessage
    routes: list[str]
    tries: int = 0
    next_s: float = 0.0  # monotonic
    faults: dict[str, str] = field(default_factory=dict)


class AlarmSender:
    """Delivers alarms from a thread of its own, so that a slow receiver holds nothing up.

    Parameters
    ----------
    routes : mapping
        The ways out, by name.
    queue : Path
        The file that holds what waits; read again by the next service.
    picture : str
        Link to where a picture can be seen, sent along.
    shown : callable, optional
        Returns the picture that goes with a trouble.
    """

    def __init__(
        self,
        routes: Mapping[str, Route],
        job: str,
        queue: Path,
        *,
        picture: str = "",
        shown: Callable[[Trouble], AlarmPicture] | None = None,
        now_s: Callable[[], float] = time.monotonic,
    ) -> None:
        self._routes, self._job, self._queue, self._picture = routes, job, queue, picture
        self._shown = shown or (lambda trouble: AlarmPicture())
        self._now_s = now_s
        self._news = threading.Condition()
        self._ended = False
        self._waiting = self._load()
        self._thread = threading.Thread(target=self._run, name="alarms", daemon=True)
        self._thread.start()

    def send(self, trouble: Trouble) -> None:
        """Queue an alarm or an all-clear."""
        if not self._routes:
            return
        shown = AlarmPicture() if trouble.over else self._shown(trouble)
        message = AlarmMessage(
            job=self._job, code=trouble.code, text=trouble.text, since=trouble.since_wall_s,
            over=trouble.over, picture=self._picture,
            picture_file=shown.file, picture_rotate_deg=shown.rotate_deg, picture_mirror=shown.mirror,
        )  # fmt: skip
        with self._news:
            self._waiting = [*self._waiting, _Waiting(message, list(self._routes))][-MOST_WAITING:]
            self._save()
            self._news.notify_all()

    def to_json(self) -> list[dict[str, Any]]:
        """Return what has been tried and has not arrived, as plain values."""
        with self._news:
            return [
                {"code": one.message.code, "text": one.message.text, "over": one.message.over,
                 "route": route, "tries": one.tries, "fault": one.faults.get(route, "")}
                for one in self._waiting
                if one.tries
                for route in one.routes
            ]  # fmt: skip

    def close(self) -> None:
        """Try what waits once more, for a short while; the rest stays on the disk."""
        with self._news:
            self._ended = True
            for one in self._waiting:
                one.next_s = 0.0
            self._news.notify_all()
        self._thread.join(timeout=_CLOSING_S)

    def _run(self) -> None:
        while True:
            with self._news:
                due = [one for one in self._waiting if one.next_s <= self._now_s()]
                if not due:
                    if self._ended:
                        return
                    soonest = min((one.next_s for one in self._waiting), default=self._now_s() + 60)
                    self._news.wait(max(0.05, min(60.0, soonest - self._now_s())))
                    continue
            for one in due:
                self._deliver(one)

    def _deliver(self, one: _Waiting) -> None:
        """Try the ways of a message on which no older one waits: an all-clear never overtakes its alarm."""
        with self._news:
            older = self._waiting[: self._waiting.index(one)] if one in self._waiting else []
            blocked = {route: behind.next_s for behind in older for route in behind.routes}
            routes = [route for route in one.routes if route not in blocked]
            if not routes:
                one.next_s = max(blocked.values()) if not self._ended else _NEVER_S
                return
        faults = {}
        for route in routes:
            try:
                self._routes[route](one.message)
            except DeliveryError as error:
                faults[route] = str(error)
            except Exception as error:  # a way that fails in an unknown way must not end the others
                faults[route] = f"{type(error).__name__}: {error}"
        with self._news:
            one.routes = [route for route in one.routes if route in faults or route in blocked]
            one.faults |= faults
            one.tries += 1
            pause_s = min(_LONGEST_PAUSE_S, _FIRST_PAUSE_S * 2.0 ** (one.tries - 1))
            one.next_s = _NEVER_S if self._ended else self._now_s() + pause_s
            if len(faults) < len(routes):
                for waits in self._waiting:  # a way is open again: whoever waits behind may go
                    waits.next_s = min(waits.next_s, self._now_s()) if not self._ended else waits.next_s
            self._waiting = [waits for waits in self._waiting if waits.routes]
            self._save()

    def _save(self) -> None:
        records = [{**asdict(one.message), "routes": one.routes} for one in self._waiting]
        with contextlib.suppress(TwinlapseError, OSError):  # a full disk costs the memory of it alone
            if records or self._queue.exists():
                write_json(self._queue, records)

    def _load(self) -> list[_Waiting]:
        if not self._queue.exists() or self._queue.is_symlink():
            return []
        try:
            records = read_json(self._queue, "queue of alarms")
            return [
                _Waiting(AlarmMessage(**record), [route for route in routes if route in self._routes])
                for record in records
                if (routes := record.pop("routes"))
            ]
        except (TwinlapseError, TypeError, KeyError, AttributeError):
            return []  # our own file is damaged: an old alarm is worth less than a service that starts
