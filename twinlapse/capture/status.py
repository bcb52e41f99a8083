"""What the page shows: numbers, words and pictures, gathered from the running service."""

from __future__ import annotations

import math
import threading
from typing import TYPE_CHECKING, Any

from twinlapse.cameras.latest_frame import LatestFrame
from twinlapse.capture.cue_handler import Answer
from twinlapse.frames.journal import FrameRow
from twinlapse.frames.store import free_bytes

if TYPE_CHECKING:
    from twinlapse.capture.service import CaptureService


class Reporter:
    """Keeps the counts of the run, so that a look at the page costs nothing."""

    def __init__(self, service: CaptureService) -> None:
        self._service = service
        self._lock = threading.Lock()
        self._states: dict[str, dict[tuple[int, int], str]] = {}
        self._last: dict[str, FrameRow] = {}
        self._first: dict[str, FrameRow] = {}
        self._notes: list[dict[str, Any]] = []
        self._began_s = service._clock.mono_s()
        for row in service.store.rows():
            self._count(row)

    def heard(self, answer: Answer) -> None:
        """Take in what came of a cue."""
        for row in answer.frames.values():
            self._count(row)

    def status(self) -> dict[str, Any]:
        """Return the state of the service as plain values."""
        service = self._service
        plan, forecast = service.store.plan, service.forecast
        upcoming = forecast.upcoming
        due_in_s = forecast.due_in_s(service._clock.mono_s())
        return {
            "job": plan.gcode_sha256,
            "run": service.store.run,
            "shots": len(plan.shots),
            "done": forecast.done,
            "layers": plan.layer_count,
            "next": None if upcoming is None else {"shot": upcoming.number, "layer": upcoming.layer + 1},
            "due_in_s": None if math.isinf(due_in_s) else round(due_in_s, 1),
            "cameras": {name: self._camera(name, drain) for name, drain in service.drains.items()},
            "lights": self._lights(),
            "troubles": [
                {"code": trouble.code, "text": trouble.text, "since": trouble.since_wall_s}
                for trouble in service.watch.troubles
            ],
            "looks": [
                {
                    "layer": look.layer + 1,
                    "whole": look.whole,
                    "state": look.state,
                    "words": " ".join(filter(None, (look.words, look.rising))),
                }
                for look in service.layer_checks.looks
            ],
            "notes": self._notes[-20:],
            "free_mb": round(free_bytes(service.store.job.folder) / 1e6),
        }

    def picture(self, camera: str, which: str) -> bytes | None:
        """Return the "live", "last" or "reference" (first of the run) picture of a camera."""
        drain = self._service.drains.get(camera)
        if drain is None:
            return None
        if which == "live":
            return drain.newest.data if drain.newest else None
        row = (self._last if which == "last" else self._first).get(camera)
        if row is None:
            return None
        try:
            return (self._service.store.job.frames / row.file).read_bytes()
        except OSError:
            return None

    def _camera(self, name: str, drain: LatestFrame) -> dict[str, Any]:
        health = drain.health()
        states = list(self._states.get(name, {}).values())
        last, first = self._last.get(name), self._first.get(name)
        return {
            "state": health.state,
            "fault": health.fault,
            "fps": round(health.fps, 1),
            "reconnects": health.reconnects,
            "taken": sum(state in ("taken", "adopted") for state in states),
            "missed": sum(state in ("missed", "late", "lost") for state in states),
            "last": last.key.shot if last else None,
            "reference": first.key.shot if first else None,
        }

    def _lights(self) -> dict[str, Any]:
        lamps = self._service.lights.each
        session_s = max(1e-3, self._service._clock.mono_s() - self._began_s)
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
            self._states.setdefault(camera, {})[row.key.shot, row.key.stop] = row.state
            if row.file and row.state in ("taken", "adopted"):
                self._last[camera] = row
                self._first.setdefault(camera, row)
            if row.note or row.state != "taken":
                words = {"shot": row.key.shot, "camera": camera, "state": row.state, "note": row.note}
                self._notes = [*self._notes[-199:], words]
