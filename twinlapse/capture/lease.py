"""A lamp or a supply is on under a lease: who wants it on renews a share; when nobody does, it goes off.

One file a lamp, shared by all services of this user. Every switching happens under a lock on that file, so
that a slow "off" of an earlier service is over before a new one switches on, and a lamp that somebody else
has leased stays on. The keeper (`lease_keeper`) is a process of its own that outlives the service;
`expire_all` also runs when a service starts and after systemd has ended one.

Times are seconds of CLOCK_BOOTTIME, which all processes share and which no one sets.
"""

from __future__ import annotations

import contextlib
import fcntl
import hashlib
import json
import os
import secrets
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any

from twinlapse.capture.rig_commands import CommandError, run
from twinlapse.errors import CaptureError

__all__ = ["TERM_S", "Lease", "Runner", "boot_s", "expire_all", "lease_folder"]

TERM_S = 8.0  # a service renews four times in this while; a killed one leaves a lamp on for so long at most
Runner = Callable[[Sequence[str], float], None]


def boot_s() -> float:
    """Return seconds since the machine started, sleep included."""
    return time.clock_gettime(getattr(time, "CLOCK_BOOTTIME", time.CLOCK_MONOTONIC))


def lease_folder() -> Path:
    """Return the folder of all leases of this user, readable by nobody else.

    Raises
    ------
    CaptureError
        when somebody else owns it.
    """
    root = Path(os.environ.get("XDG_RUNTIME_DIR") or tempfile.gettempdir())
    folder = root / f"twinlapse-{os.getuid()}"
    folder.mkdir(mode=0o700, exist_ok=True)
    status = folder.lstat()
    if status.st_uid != os.getuid() or folder.is_symlink() or status.st_mode & 0o077:
        raise CaptureError("somebody else made this folder", "remove it", path=folder)
    return folder


class Lease:
    """The share that a process has of one lamp or supply."""

    def __init__(
        self, on: Sequence[str], off: Sequence[str], limit_s: float, *,
        folder: Path | None = None, now_s: Callable[[], float] = boot_s, term_s: float = TERM_S,
    ) -> None:  # fmt: skip
        name = hashlib.sha256(json.dumps([list(on), list(off)]).encode()).hexdigest()[:24]
        self._path = (folder or lease_folder()) / f"{name}.lease"
        self._off, self._limit_s = list(off), limit_s
        self._now_s, self._term_s = now_s, term_s
        self._holder = secrets.token_hex(8)
        self._renewed_s = 0.0

    @contextlib.contextmanager
    def taken(self) -> Iterator[None]:
        """Take a share, then run the block (which switches on) before anybody else may switch."""
        with _locked(self._path) as file:
            self._write(file)
            yield

    def renew(self) -> None:
        """Keep the share for another term; does nothing more often than four times a term."""
        if self._now_s() - self._renewed_s < self._term_s / 4:
            return
        with _locked(self._path) as file:
            self._write(file)

    @contextlib.contextmanager
    def given_back(self) -> Iterator[bool]:
        """Give the share back; yields whether nobody else has one, so that the block switches off."""
        with _locked(self._path) as file:
            state = _read(file)
            state["until_s"].pop(self._holder, None)
            others = _living(state, self._now_s())
            yield not others
            state["until_s"] = others
            _replace(file, state)

    def _write(self, file: int) -> None:
        state, now_s = _read(file), self._now_s()
        until_s = {**_living(state, now_s), self._holder: now_s + self._term_s}
        _replace(file, {"off": self._off, "limit_s": self._limit_s, "until_s": until_s})
        self._renewed_s = now_s


def expire_all(
    folder: Path | None = None, *, runner: Runner = run, now_s: Callable[[], float] = boot_s
) -> tuple[list[str], int]:
    """Switch off whatever nobody has a share of any more; return the faults and how many are still leased."""
    faults, leased = [], 0
    for path in sorted((folder or lease_folder()).glob("*.lease")):
        with _locked(path) as file:
            state = _read(file)
            if not state["off"]:
                continue
            if _living(state, now_s()):
                leased += 1
                continue
            if not state["until_s"]:
                continue  # given back: off already
            try:
                runner(state["off"], float(state["limit_s"]))
            except CommandError as fault:
                faults.append(str(fault))
                continue  # tried again
            _replace(file, {**state, "until_s": {}})
    return faults, leased


def _living(state: dict[str, Any], now_s: float) -> dict[str, float]:
    # a time far ahead is of another boot
    return {
        holder: until for holder, until in state["until_s"].items() if now_s < until < now_s + 100 * TERM_S
    }


@contextlib.contextmanager
def _locked(path: Path) -> Iterator[int]:
    handle = os.open(path, os.O_RDWR | os.O_CREAT | os.O_NOFOLLOW | os.O_CLOEXEC, 0o600)
    try:
        fcntl.flock(handle, fcntl.LOCK_EX)
        yield handle
    finally:
        os.close(handle)


def _read(file: int) -> dict[str, Any]:
    with contextlib.suppress(ValueError):
        state = json.loads(os.pread(file, 65536, 0))
        if isinstance(state, dict) and isinstance(state.get("until_s"), dict):
            return state
    return {"off": [], "limit_s": 5.0, "until_s": {}}


def _replace(file: int, state: dict[str, Any]) -> None:
    data = json.dumps(state).encode()
    os.ftruncate(file, 0)
    os.pwrite(file, data, 0)
