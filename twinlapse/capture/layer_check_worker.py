"""Looking at surveyed layers while the print goes on, by a process of its own.

The map of a layer needs compiled loops and many megabytes; the service has neither to spare. So it starts
``twinlapse first-layer`` as soon as the last survey frame of a layer is in, at low priority, one at a time,
and reads what it says.
"""

from __future__ import annotations

import contextlib
import json
import os
import queue
import signal
import subprocess
import sys
import threading
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Literal

from twinlapse.errors import TwinlapseError
from twinlapse.files import read_json, write_json
from twinlapse.frames.store import FrameStore
from twinlapse.shots import CORNER, SURVEY, Plan, ShotKey

__all__ = ["LayerCheck", "LayerCheckWorker", "Report", "planned_checks"]

_State = Literal["waiting", "looking", "sound", "found", "cannot tell", "failed"]
_LIMIT_S = 900.0  # a small board compiles for a minute before its first map; common practice, no source
_NICE = 10  # below everything that takes pictures (nice(2))
_GIVES_WAY = "800"  # of 1000: when memory runs out the map goes, not the service
Report = Callable[[str, str], None]


@dataclass(frozen=True, slots=True, kw_only=True)
class LayerCheck:
    """What is known of one layer that the nozzle camera looked over."""

    layer: int  # from 0
    whole: bool  # surveyed; else its corners alone were visited
    state: _State = "waiting"
    words: str = ""
    rising: str = ""  # corners that lift, in words
    corner_picture: str = ""  # the file that shows them over the layers


class LayerCheckWorker:
    """Has every surveyed layer looked at once its frames are in.

    Parameters
    ----------
    store : FrameStore
        Its plan says which stops belong to a layer.
    report : callable
        Takes the code of a trouble and what is wrong, "" when nothing is.
    command : sequence of str, optional
        What runs instead of ``python -m twinlapse``.
    limit_s : float
        A look that takes longer is ended.
    """

    def __init__(
        self,
        store: FrameStore,
        report: Report,
        *,
        command: tuple[str, ...] = (sys.executable, "-m", "twinlapse"),
        limit_s: float = _LIMIT_S,
    ) -> None:
        self._store = store
        self._report = report
        self._command = command
        self._limit_s = limit_s
        self._pending = _frames_of_looks(store)
        self._looks = {look.layer: look for look in planned_checks(store.plan)}
        self._corners: set[str] = set()  # codes of those that ever rose
        self._queue: queue.Queue[int | None] = queue.Queue()
        self._process: subprocess.Popen[bytes] | None = None
        self._ended = threading.Event()
        self._lock = threading.Lock()
        self._thread = threading.Thread(target=self._run, name="looks", daemon=True)

    @property
    def looks(self) -> list[LayerCheck]:
        """All layers that are looked over, lowest first."""
        return [self._looks[layer] for layer in sorted(self._looks)]

    def start(self) -> None:
        """Take up what an earlier service knew, and look at what it left."""
        if not self._looks:
            return
        for layer in sorted(self._looks):
            if (told := self._known(layer)) is not None and self._all_in(layer):
                self._pending.pop(layer)
                self._take_in(layer, told)
        self._thread.start()
        self.heard()

    def restart(self) -> None:
        """Another print of the job began: what was found on the one before no longer holds."""
        with self._lock:
            self._pending = _frames_of_looks(self._store)
            self._looks = {look.layer: look for look in planned_checks(self._store.plan)}
        if (process := self._process) is not None:
            _end(process)
        for layer in self._looks:
            self._report(f"layer {layer + 1}", "")
        for corner in self._corners:
            self._report(corner, "")

    def to_json(self) -> list[dict[str, Any]]:
        """Return what is known of every layer as plain values."""
        return [
            {
                "layer": look.layer + 1,
                "whole": look.whole,
                "state": look.state,
                "words": " ".join(filter(None, (look.words, look.rising))),
            }
            for look in self.looks
        ]

    def heard(self) -> None:
        """Look at every layer whose last frame has come, or was missed."""
        with self._lock:
            ready = [layer for layer in sorted(self._pending) if self._all_in(layer)]
            for layer in ready:
                self._pending.pop(layer)
                self._queue.put(layer)

    def close(self) -> None:
        """End the look at hand; the next start takes it up again."""
        self._ended.set()
        self._queue.put(None)
        if (process := self._process) is not None:
            _end(process)
        if self._thread.is_alive():
            self._thread.join(5)

    def picture(self, layer: int) -> bytes | None:
        """Return the PNG of a layer's map, once it is made."""
        file = self.picture_file(layer)
        try:
            return None if file is None else file.read_bytes()
        except OSError:
            return None

    def picture_file(self, layer: int) -> Path | None:
        """Return where the map of a layer lies, once it is made."""
        look = self._looks.get(layer)
        if look is None or not look.whole or look.state not in ("sound", "found", "cannot tell"):
            return None
        return self._page(layer).with_suffix(".png")

    def corners_file(self) -> Path | None:
        """Return where the newest strips of corners that rose lie."""
        files = [look.corner_picture for look in self.looks if look.corner_picture]
        return Path(files[-1]) if files else None

    def _all_in(self, layer: int) -> bool:
        keys = (self._store.key(key.shot, key.stop, key.camera) for key in self._pending[layer])
        return all(self._store.get(key) is not None for key in keys)

    def _page(self, layer: int) -> Path:
        return self._store.job.folder / f"firstlayer-{layer + 1}.html"

    def _known(self, layer: int) -> dict[str, Any] | None:
        try:
            told = read_json(self._page(layer).with_suffix(".json"), "look")
        except TwinlapseError:
            return None
        return told if isinstance(told, dict) and told.get("run") == self._store.run else None

    def _run(self) -> None:
        while (layer := self._queue.get()) is not None and not self._ended.is_set():
            self._looks[layer] = replace(self._looks[layer], state="looking")
            run = self._store.run
            told, fault = self._look(layer)
            if self._ended.is_set():
                return
            if run != self._store.run:
                continue  # another print began meanwhile: this was of the one before
            if told is None:
                words = f"it could not be looked at: {fault}"
                self._looks[layer] = replace(self._looks[layer], state="failed", words=words)
                self._report(f"layer {layer + 1}", f"layer {layer + 1}: {words}")
                continue
            told["run"] = self._store.run
            with contextlib.suppress(TwinlapseError, OSError):  # a full disk costs the memory of it alone
                write_json(self._page(layer).with_suffix(".json"), told)
            self._take_in(layer, told)

    def _look(self, layer: int) -> tuple[dict[str, Any] | None, str]:
        """Return what the other process says, or why it says nothing."""
        whole = ("--layer", str(layer + 1)) if self._looks[layer].whole else ("--corner-check",)
        words = [*self._command, "first-layer", str(self._store.job.folder), *whole]
        words += ["-o", str(self._page(layer)), "--json", "--quiet"]
        try:
            process = subprocess.Popen(  # noqa: S603 - this program itself, with a layer's number
                words,
                stdin=subprocess.DEVNULL,
                stdout=subprocess.PIPE,
                stderr=subprocess.PIPE,
                start_new_session=True,
            )
        except OSError as error:
            return None, str(error.strerror)
        self._process = process
        _give_way(process.pid)
        try:
            said, complaint = process.communicate(timeout=self._limit_s)
        except subprocess.TimeoutExpired:
            _end(process)
            process.communicate()
            return None, f"it took longer than {self._limit_s:g} s"
        finally:
            self._process = None
        try:
            told = json.loads(said) if process.returncode in (0, 1) else None
        except ValueError:
            told = None
        lines = complaint.decode("utf-8", "replace").strip().splitlines()
        fault = lines[-1][:300] if lines else f"it ended with {process.returncode}"
        return (told, "") if isinstance(told, dict) else (None, fault)

    def _take_in(self, layer: int, told: dict[str, Any]) -> None:
        state: _State = "sound"
        words = "nothing found" if self._looks[layer].whole else "no corner has risen"
        defects = told.get("defects") or []
        whole = told.get("overall") or {}
        verdict = str(whole.get("verdict") or "")
        sound = whole.get("sound", told.get("sound", True))
        absent = any(defect.get("kind") == "missing object" for defect in defects)
        if absent and verdict:
            state, words = "found", verdict
        elif defects:
            state, words = "found", _defects_in_words(defects)
        elif sound is False:
            state, words = "found", verdict or words
        elif sound is None:
            alike = "filament and bed look too much alike to tell: look yourself"
            state, words = "cannot tell", verdict or alike
        risen = {_code_of(c): _rise_in_words(c) for c in told.get("corners") or [] if c.get("lifted")}
        rising = f"a corner lifts: {'; '.join(risen.values())}" if risen else ""
        if risen:
            state = "found"
        picture = str(told.get("corner_picture") or "")
        self._looks[layer] = replace(
            self._looks[layer], state=state, words=words, rising=rising, corner_picture=picture
        )
        alarm = defects or (told.get("sound") is False)
        self._report(f"layer {layer + 1}", f"layer {layer + 1}: {words}" if alarm else "")
        self._corners |= set(risen)
        for code in sorted(self._corners):
            self._report(code, f"a corner lifts: {risen[code]}" if code in risen else "")


def planned_checks(plan: Plan) -> list[LayerCheck]:
    """Return the layers that a plan has the nozzle camera look over."""
    stances: dict[int, set[str]] = {}
    for shot in plan.shots:
        for stop in shot.stops:
            if stop.stance in (SURVEY, CORNER):
                stances.setdefault(shot.layer, set()).add(stop.stance)
    return [LayerCheck(layer=layer, whole=SURVEY in stances[layer]) for layer in sorted(stances)]


def _frames_of_looks(store: FrameStore) -> dict[int, list[ShotKey]]:
    keys: dict[int, list[ShotKey]] = {}
    for shot in store.plan.shots:
        for number, stop in enumerate(shot.stops, 1):
            if stop.stance in (SURVEY, CORNER):
                own = [store.key(shot.number, number, camera) for camera in stop.cameras]
                keys.setdefault(shot.layer, []).extend(own)
    return keys


def _defects_in_words(defects: list[dict[str, Any]]) -> str:
    shown = [
        f"{d['grade']} {d['kind']} at X{d['at_mm'][0]:.0f} Y{d['at_mm'][1]:.0f}, {d['length_mm']:.1f} mm"
        for d in defects[:3]
    ]
    more = f" and {len(defects) - 3} more" if len(defects) > 3 else ""
    return f"{'; '.join(shown)}{more}. Look before you print on"


def _code_of(corner: dict[str, Any]) -> str:
    """Return the code of a corner's own trouble: a second one that rises is news."""
    return "corner X{:.0f} Y{:.0f}".format(*corner["at_mm"])


def _rise_in_words(corner: dict[str, Any]) -> str:
    newest_mm = [lift for lift in corner["lift_mm"] if lift is not None][-1]
    return "X{:.0f} Y{:.0f} by about {:.1f} mm".format(*corner["at_mm"], newest_mm)


def _give_way(pid: int) -> None:
    with contextlib.suppress(OSError):
        os.setpriority(os.PRIO_PROCESS, pid, _NICE)
    with contextlib.suppress(OSError):
        Path(f"/proc/{pid}/oom_score_adj").write_text(_GIVES_WAY, "ascii")


def _end(process: subprocess.Popen[bytes]) -> None:
    with contextlib.suppress(ProcessLookupError):
        os.killpg(process.pid, signal.SIGKILL)  # it holds nothing that a kill could leave half done
