"""Bringing a camera up for the session: supply, device, its service, and one real picture as the proof."""

from __future__ import annotations

import contextlib
import time
from collections.abc import Callable, Sequence
from pathlib import Path

from twinlapse.cameras.latest_frame import LatestFrame
from twinlapse.capture.lights import Runner
from twinlapse.capture.rig_commands import CommandError, run
from twinlapse.rig.capture_settings import Power

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


def _appears(path: Path, deadline_s: float, now_s: Callable[[], float], pause: Pause) -> bool:
    while not path.exists():
        if now_s() >= deadline_s:
            return False
        pause(0.1)
    return True
