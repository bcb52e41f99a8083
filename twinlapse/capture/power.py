"""Bringing a camera up for the session: supply, device, its service, and one real picture as the proof."""

from __future__ import annotations

import contextlib
import time
from collections.abc import Callable, Sequence
from pathlib import Path

from twinlapse.cameras.latest_frame import LatestFrame
from twinlapse.capture.lease import Lease, Runner
from twinlapse.capture.rig_commands import CommandError, run
from twinlapse.rig.capture_settings import Power

__all__ = ["LeasedPower", "Pause", "bring_up", "shut_down"]

Pause = Callable[[float], None]


def bring_up(
    power: Power, drain: LatestFrame | None, now_s: Callable[[], float] = time.monotonic, *,
    runner: Runner = run, pause: Pause = time.sleep,
) -> list[str]:  # fmt: skip
    """Switch a camera's supply on, wait for its device, restart its service, take one picture.

    A device file that exists is not a camera that works: only the picture proves it. Return what went wrong,
    step by step; whatever fails, the following steps are tried all the same.
    """
    faults = []

    def step(command: Sequence[str]) -> None:
        if not command:
            return
        try:
            runner(command, power.limit_s)
        except CommandError as fault:
            faults.append(str(fault))

    step(power.on)
    if power.device and not _appears(Path(power.device), now_s() + power.limit_s, now_s, pause):
        faults.append(f"{power.device} did not appear")
    step(power.restart)
    if drain is not None:
        drain.reconnect()
        since_s = now_s()
        if drain.wait(lambda picture: picture.arrived_s >= since_s, since_s + power.limit_s) is None:
            faults.append(f"no picture ({drain.health().fault or 'the camera is silent'})")
    return faults


def shut_down(power: Power, runner: Runner = run) -> None:
    """Switch a camera's supply off; a command that fails changes nothing about the end of the service."""
    if power.off:
        with contextlib.suppress(CommandError):
            runner(power.off, power.limit_s)


class LeasedPower:
    """The supply of one camera for as long as a service renews its share of it."""

    def __init__(self, power: Power, frame: LatestFrame | None) -> None:
        self._power, self._frame = power, frame
        self._lease = Lease(power.on, power.off, power.limit_s) if power.off else None

    def bring_up(self) -> list[str]:
        """Switch it on and prove the camera; see `bring_up`."""
        if self._lease is not None:
            with self._lease.taken():  # a slow "off" of an earlier service is over before this goes on
                pass
        return bring_up(self._power, self._frame)

    def renew(self) -> None:
        """Keep it on."""
        if self._lease is not None:
            self._lease.renew()

    def shut_down(self) -> None:
        """Switch it off, unless another service needs it."""
        if self._lease is None:
            return
        with self._lease.given_back() as last:
            if last:
                shut_down(self._power)


def _appears(path: Path, deadline_s: float, now_s: Callable[[], float], pause: Pause) -> bool:
    while not path.exists():
        if now_s() >= deadline_s:
            return False
        pause(0.1)
    return True
