"""How long the machine stands for a picture, where the rig file does not say: from what was measured.

After a stop with deceleration a, a machine that rings at frequency f with damping ratio d still swings by
``a / w^2 * exp(-d w t)`` with ``w = 2 pi f`` (free vibration after a step of the acceleration; handbooks of
vibration, from memory). It has settled when that is below ``STILL_MM``.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from twinlapse.rig.model import Rig
from twinlapse.rig.printer import Printer

__all__ = ["SETTLE_S", "STILL_MM", "settle_s", "with_standing_times"]

STILL_MM = 0.01  # a fifth of what a pixel of a close camera shows; common practice, no source
SETTLE_S = 0.3  # where nothing was measured; common practice, no source
_LEAST_SETTLE_S = 0.1
_MOST_SETTLE_S = 5.0
_SPARE_S = 0.15  # beside the age of the frame: one more frame interval, and the cue's own way


def settle_s(printer: Printer) -> float:
    """Return the time after which the machine stands still enough for a picture."""
    ringing = printer.ringing
    if ringing is None:
        return SETTLE_S
    turn = 2 * math.pi * ringing.frequency_hz
    swing_mm = printer.accel_mm_s2 / turn**2
    wait_s = math.log(max(swing_mm / STILL_MM, 1.0)) / (ringing.damping * turn)
    return round(min(max(wait_s, _LEAST_SETTLE_S), _MOST_SETTLE_S), 3)


def with_standing_times(rig: Rig, cameras: list[Mapping[str, Any]]) -> Rig:
    """Return the rig with the waits that its file leaves out worked out from what it says was measured.

    Parameters
    ----------
    rig : Rig
    cameras : list of mapping
        The camera sections as written, one a camera of the rig: only keys that are missing there are set.
        Where a camera's ``age_s`` is written, ``dwell_s`` follows from it; else it stays the safe default.
    """
    settle = settle_s(rig.printer)
    made = []
    for camera, written in zip(rig.cameras, cameras, strict=True):
        if "settle_s" not in written:
            camera = replace(camera, settle_s=settle)
        if "dwell_s" not in written and "age_s" in written:
            camera = replace(camera, dwell_s=round(float(written["age_s"]) + _SPARE_S, 3))
        made.append(camera)
    return replace(rig, cameras=tuple(made))
