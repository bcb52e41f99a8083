"""What the page shows: numbers, words and pictures, gathered from the running service."""

from __future__ import annotations

import math
import threading
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from twinlapse.cameras.clock import Clock
from twinlapse.cameras.latest_frame import LatestFrame
from twinlapse.capture.cue_handler import Answer
from twinlapse.capture.forecast import Forecast
from twinlapse.capture.lights import Lights
from twinlapse.frames.journal import FrameFlag, FrameRow
from twinlapse.frames.store import FrameStore, free_bytes

__all__ = ["Reporter"]

_NOTES_KEPT, _NOTES_SHOWN = 200, 20  # rows of the page: a screen of them


class Reporter:
    """Keeps the counts of the run, so that a look at the page costs nothing."""

    def __init__(
        self,
        store: FrameStore,
        frames: Mapping[str, LatestFrame],
        lights: Lights,
        forecast: Forecast,
        clock: Clock,
    ) -> None:
        self._store, self._frames, self._lights = store, frames, lights
        self._forecast, self._clock = forecast, clock
        self._lock = threading.Lock()
        self._began_s = clock.mono_s()
        self.restart()

    def restart(self) -> None:
        """Count the current run again."""
        self._rows: dict[str, dict[tuple[int, int], FrameRow]] = {}
        self._last: dict[str, FrameRow] = {}
        self._first: dict[str, FrameRow] = {}
        self._notes: list[dict[str, Any]] = []
        for row in self._store.rows():
            self._count(row)

    def heard(self, answer: Answer) -> None:
        """Take in what came of a cue."""
        for row in answer.frames.values():
            self._count(row)

    def status(self) -> dict[str, Any]:
        """Return the state of the run as plain values."""
        plan, upcoming = self._store.plan, self._forecast.upcoming
        due_in_s = self._forecast.due_in_s(self._clock.mono_s())
        left_s = self._forecast.left_s(self._clock.mono_s())
        return {
            "job": plan.original_sha256,
            "run": self._store.run,
            "ended": self._store.ended,
            "shots": len(plan.shots),
            "done": self._forecast.done,
            "layers": plan.layer_count,
            "next": None if upcoming is None else {"shot": upcoming.number, "layer": upcoming.layer + 1},
            "due_in_s": None if math.isinf(due_in_s) else round(max(0.0, due_in_s), 1),
            "left_s": None if math.isinf(left_s) else round(left_s),
            "cameras": {name: self._camera(name, frame) for name, frame in self._frames.items()},
            "lights": self._lamps(),
            "notes": self._notes[-_NOTES_SHOWN:],
            "free_mb": round(free_bytes(self._store.job.folder) / 1e6),
        }

    def picture(self, camera: str, which: str) -> bytes | None:
        """Return the "live", "last" or "reference" (first of the run) picture of a camera."""
        frame = self._frames.get(camera)
        if frame is None:
            return None
        if which == "live":
            return frame.newest.data if frame.newest else None
        row = (self._last if which == "last" else self._first).get(camera)
        if row is None:
            return None
        try:
            return (self._store.job.frames / row.file).read_bytes()
        except OSError:
            return None

    def last_file(self, camera: str) -> Path | None:
        """Return the file of a camera's last frame."""
        row = self._last.get(camera)
        return None if row is None else self._store.job.frames / row.file

    def _camera(self, name: str, frame: LatestFrame) -> dict[str, Any]:
        health = frame.health()
        with self._lock:
            rows = list(self._rows.get(name, {}).values())
        taken = [row for row in rows if row.state in ("taken", "adopted")]
        last, first = self._last.get(name), self._first.get(name)
        return {
            "state": health.state,
            "fault": health.fault,
            "fps": round(health.fps, 1),
            "reconnects": health.reconnects,
            "age_s": None if health.age_s is None else round(health.age_s, 3),
            "age_by": str(health.basis),  # "stamp", "light", "assumed" or "unknown"
            "taken": len(taken),
            "proven": sum(FrameFlag.PROVEN in row.flags for row in taken),
            "missed": sum(row.state in ("missed", "late", "lost") for row in rows),
            "last": last.key.shot if last else None,
            "reference": first.key.shot if first else None,
        }

    def _lamps(self) -> dict[str, Any]:
        lamps = self._lights.each
        session_s = max(1e-3, self._clock.mono_s() - self._began_s)
        return {
            "count": len(lamps),
            "on": any(lamp.is_on for lamp in lamps),
            "held_s": round(max((lamp.held_s for lamp in lamps), default=0.0)),
            "on_s": round(sum(lamp.on_s for lamp in lamps), 1),
            "share": round(sum(lamp.on_s for lamp in lamps) / session_s / max(1, len(lamps)), 4),
            "fault": next((lamp.fault for lamp in lamps if lamp.fault), ""),
        }

    def _count(self, row: FrameRow) -> None:
        with self._lock:
            camera = row.key.camera
            self._rows.setdefault(camera, {})[row.key.shot, row.key.stop] = row
            if row.file and row.state in ("taken", "adopted"):
                self._last[camera] = row
                self._first.setdefault(camera, row)
            if row.note or row.state != "taken":
                words = {"shot": row.key.shot, "camera": camera, "state": row.state, "note": row.note}
                self._notes = [*self._notes[-_NOTES_KEPT + 1 :], words]
