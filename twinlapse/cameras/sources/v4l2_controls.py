"""Locking what a USB camera would otherwise choose by itself, and checking that it kept it."""

from __future__ import annotations

import errno
from collections.abc import Callable, Iterator
from typing import Any

from twinlapse.cameras.sources import v4l2_records as v4l2
from twinlapse.errors import CaptureError
from twinlapse.rig.camera_controls import Controls

__all__ = ["Ioctl", "lock_controls"]

_MAINS = {0: 0, 50: 1, 60: 2}  # enum v4l2_power_line_frequency
Ioctl = Callable[[int, Any], None]


def lock_controls(ioctl: Ioctl, controls: Controls, path: str) -> None:
    """Set every control that the rig names and read it back.

    Raises
    ------
    CaptureError
        when the camera has no such control or does not keep the value.
    """
    for name, identity, value, leeway in _wanted(controls):
        try:
            ioctl(v4l2.S_CTRL, v4l2.Control(id=identity, value=value))
            kept = v4l2.Control(id=identity)
            ioctl(v4l2.G_CTRL, kept)
        except OSError as error:
            why = "has no such control" if error.errno == errno.EINVAL else f"refuses it ({error.strerror})"
            raise CaptureError(
                f"controls.{name}: the camera {why}", "take it out, see 'twinlapse rig cameras'", path=path
            ) from None
        if abs(kept.value - value) > leeway:
            raise CaptureError(
                f"controls.{name}: the camera made {kept.value} of {value}",
                "write a value that it has, see 'twinlapse rig cameras'",
                path=path,
            )


def _wanted(controls: Controls) -> Iterator[tuple[str, int, int, int]]:
    """Yield name, identity, value and how far the camera may round; an automatic first, then its value."""
    if controls.exposure_ms is not None:
        yield "exposure_ms", v4l2.CID_EXPOSURE_AUTO, v4l2.EXPOSURE_MANUAL, 0
        units = max(1, round(controls.exposure_ms * 10))
        yield "exposure_ms", v4l2.CID_EXPOSURE_ABSOLUTE, units, max(1, units // 10)
    if controls.gain is not None:
        yield "gain", v4l2.CID_GAIN, controls.gain, 0
    if controls.white_balance_k is not None:
        yield "white_balance_k", v4l2.CID_AUTO_WHITE_BALANCE, 0, 0
        yield "white_balance_k", v4l2.CID_WHITE_BALANCE_TEMPERATURE, controls.white_balance_k, 100
    if controls.focus is not None:
        yield "focus", v4l2.CID_FOCUS_AUTO, 0, 0
        yield "focus", v4l2.CID_FOCUS_ABSOLUTE, controls.focus, 5
    if controls.power_line_hz is not None:
        yield "power_line_hz", v4l2.CID_POWER_LINE_FREQUENCY, _MAINS.get(controls.power_line_hz, 3), 0
