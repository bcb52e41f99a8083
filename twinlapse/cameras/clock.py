"""Time as the service sees it; tests hand in a clock of their own instead of faking the machine's."""

from __future__ import annotations

import time
from typing import Protocol

__all__ = ["Clock", "SystemClock"]


class Clock(Protocol):
    """Two clocks: one for people, which may jump, and one for comparing, which never does."""

    def wall_s(self) -> float:
        """Seconds since 1970."""

    def mono_s(self) -> float:
        """Seconds since an unknown start, never going back."""


class SystemClock:
    """The machine's clocks; the monotonic one is the one that video drivers stamp their pictures with."""

    def wall_s(self) -> float:
        """Return seconds since 1970."""
        return time.time()

    def mono_s(self) -> float:
        """Return seconds of CLOCK_MONOTONIC."""
        return time.monotonic()
