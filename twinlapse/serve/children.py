"""Heavy work as child processes: one at a time, at the lowest priority, halted while a cue is near."""

from __future__ import annotations

import contextlib
import json
import os
import signal
import subprocess
import sys
import threading
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

__all__ = ["HALT_S", "Children", "Outcome", "Task"]

HALT_S = 2.0  # a child stands still from this long before a cue is due
_TICK_S = 0.1
_LINES = 2000  # of a child's last words that are kept


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """How a child ended."""

    status: int
    result: dict[str, Any]  # the object of its --json, empty where there is none
    words: str  # its last line on standard error


@dataclass(frozen=True, slots=True, kw_only=True)
class Task:
    """One command of twinlapse to be run as a child."""

    name: str  # for people
    words: tuple[str, ...]  # of the command line, behind ``twinlapse``
    done: Callable[[Outcome], None]


class Children:
    """A queue of tasks and the thread that runs them one by one.

    Parameters
    ----------
    due_in_s : callable
        Seconds to the next cue of any printer, infinite where none is due.
    """

    def __init__(self, due_in_s: Callable[[], float]) -> None:
        self._due_in_s = due_in_s
        self._waiting: deque[Task] = deque()
        self._changed = threading.Condition()
        self._stopped = False
        self.running = ""
        self.trouble = ""  # what followed a task failed
        self.halted_s = 0.0  # in all, for the tests and the page
        self._thread = threading.Thread(target=self._run, name="children", daemon=True)

    def start(self) -> None:
        """Begin to run tasks."""
        self._thread.start()

    def stop(self) -> None:
        """End; a running child is ended, waiting ones are dropped."""
        with self._changed:
            self._stopped = True
            self._waiting.clear()
            self._changed.notify_all()
        if self._thread.is_alive():
            self._thread.join(10)

    def add(self, task: Task) -> None:
        """Queue a task."""
        with self._changed:
            self._waiting.append(task)
            self._changed.notify_all()

    def names(self) -> list[str]:
        """Return what runs and what waits, for people."""
        with self._changed:
            return [name for name in (self.running, *(task.name for task in self._waiting)) if name]

    def _run(self) -> None:
        while True:
            with self._changed:
                while not self._waiting and not self._stopped:
                    self._changed.wait()
                if self._stopped:
                    return
                task = self._waiting.popleft()
                self.running = task.name
            outcome = self._outcome(task)
            if not self._stopped:
                try:
                    task.done(outcome)  # what follows is queued before this task counts as over
                    self.trouble = ""
                except Exception as error:  # one job's fault keeps no other from being worked on
                    self.trouble = f"{task.name}: {error or type(error).__name__}"
            with self._changed:
                self.running = ""

    def _outcome(self, task: Task) -> Outcome:
        try:
            return self._one(task.words)
        except OSError as error:  # no memory or no process left
            return Outcome(status=3, result={}, words=f"it could not be started: {error.strerror}")

    def _one(self, words: Sequence[str]) -> Outcome:
        child = subprocess.Popen(  # noqa: S603  (our own interpreter, words as a list)
            [sys.executable, "-m", "twinlapse", *words, "--json"],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            errors="replace",
            process_group=0,
        )
        with contextlib.suppress(OSError):
            os.setpriority(os.PRIO_PGRP, child.pid, 19)
        out: deque[str] = deque(maxlen=_LINES)
        err: deque[str] = deque(maxlen=_LINES)
        with child:
            readers = [
                threading.Thread(target=kept.extend, args=(stream,), daemon=True)
                for stream, kept in ((child.stdout, out), (child.stderr, err))
            ]
            for reader in readers:
                reader.start()
            self._mind(child)
            for reader in readers:
                reader.join()
        return Outcome(
            status=child.returncode, result=_last_object(out), words=err[-1].strip() if err else ""
        )

    def _mind(self, child: subprocess.Popen[str]) -> None:
        """Wait for a child, halting it while a cue is near."""
        halted = False
        while True:
            with contextlib.suppress(subprocess.TimeoutExpired):
                child.wait(_TICK_S)
                return
            near = self._due_in_s() < HALT_S
            if self._stopped:
                _signal(child, signal.SIGCONT)
                _signal(child, signal.SIGTERM)
                halted = False
            elif near != halted:
                _signal(child, signal.SIGSTOP if near else signal.SIGCONT)
                halted = near
            self.halted_s += _TICK_S * halted


def _signal(child: subprocess.Popen[str], number: int) -> None:
    with contextlib.suppress(OSError):
        os.killpg(child.pid, number)


def _last_object(lines: Sequence[str]) -> dict[str, Any]:
    for line in reversed(list(lines)):
        with contextlib.suppress(ValueError):
            value = json.loads(line)
            if isinstance(value, dict):
                return value
    return {}
