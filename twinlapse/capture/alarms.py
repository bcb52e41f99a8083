"""What goes wrong while it prints, noticed once, and its all-clear."""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from twinlapse.cameras.clock import Clock
from twinlapse.cameras.latest_frame import Health

__all__ = ["AlarmWatch", "Trouble"]

_CAMERA_PATIENCE_S = 15.0  # a camera may come back by itself (common practice, no source)
_LASTING = frozenset(("journal",))  # true until the service ends


@dataclass(frozen=True, slots=True, kw_only=True)
class Trouble:
    """One thing that is wrong, since when, or that it is over."""

    code: str  # such as "camera wide"
    text: str
    since_wall_s: float
    over: bool = False


class AlarmWatch:
    """Keeps the list of present troubles; tells each when it begins and when it is over.

    Parameters
    ----------
    alarm : callable
        Takes every trouble that begins, and again with ``over`` when it has passed.
    """

    def __init__(
        self, clock: Clock, alarm: Callable[[Trouble], None], *, patience_s: float = _CAMERA_PATIENCE_S
    ) -> None:
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

    def to_json(self) -> list[dict[str, Any]]:
        """Return what is wrong at present as plain values."""
        return [
            {"code": trouble.code, "text": trouble.text, "since": trouble.since_wall_s}
            for trouble in self.troubles
        ]

    def report(self, code: str, text: str, *, patience_s: float = 0.0) -> None:
        """Say how things stand: `text` is what is wrong, "" when nothing is.

        An alarm goes out when something has been wrong for `patience_s`.
        """
        told: Trouble | None = None
        with self._lock:
            now_s = self._clock.mono_s()
            if not text:
                self._since.pop(code, None)
                ended = self._present.pop(code, None)
                if ended is not None:
                    told = Trouble(code=code, text=ended.text, since_wall_s=ended.since_wall_s, over=True)
            else:
                since_s = self._since.setdefault(code, now_s)
                if code not in self._present and now_s - since_s >= patience_s:
                    wall_s = self._clock.wall_s() - (now_s - since_s)
                    told = self._present[code] = Trouble(code=code, text=text, since_wall_s=wall_s)
        if told is not None:
            self._alarm(told)

    def clear(self) -> None:
        """Another print begins: what was wrong with the one before is over."""
        for trouble in self.troubles:
            if trouble.code not in _LASTING:
                self.report(trouble.code, "")

    def cameras(self, healths: Mapping[str, Health]) -> None:
        """Look at every camera."""
        for name, health in healths.items():
            words = {
                "gone": health.fault,
                "silent": "sends nothing",
                "frozen": "repeats the same picture",
                "behind": "its pictures come with a backlog",
            }
            text = words.get(health.state, "")
            self.report(f"camera {name}", f"{name}: {text}" if text else "", patience_s=self._patience_s)
