"""Sending a person's answer to a machine that waits: by the way on which it is heard."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

from twinlapse.capture.serial_port import write_lines
from twinlapse.errors import CaptureError
from twinlapse.rig.capture_settings import Capture
from twinlapse.serve.channels.klipper_api import run_script
from twinlapse.serve.channels.reprapfirmware_http import run_gcode

__all__ = ["send_lines", "ways_to_send"]


def _senders(capture: Capture) -> dict[str, Callable[[Sequence[str]], None]]:
    ways: dict[str, tuple[str, Callable[[Sequence[str]], None]]] = {
        "the API socket": (
            capture.klipper_socket,
            lambda lines: run_script(Path(capture.klipper_socket), lines),
        ),
        "its HTTP interface": (
            capture.reprapfirmware,
            lambda lines: run_gcode(
                capture.reprapfirmware, lines, login_file=capture.reprapfirmware_login_file
            ),
        ),
        "the serial line": (capture.serial, lambda lines: write_lines(Path(capture.serial), lines)),
    }
    return {name: send for name, (place, send) in ways.items() if place}


def ways_to_send(capture: Capture) -> list[str]:
    """Return the ways on which a rig's machine can be told something, the best first."""
    return list(_senders(capture))


def send_lines(capture: Capture, lines: Sequence[str]) -> str:
    """Send lines to a machine; return in words how.

    Raises
    ------
    CaptureError
        when the rig names no way, or the machine does not take them.
    """
    for way, send in _senders(capture).items():
        send(lines)
        return f"{', '.join(lines)} sent by {way}"
    raise CaptureError("nothing can be sent to this machine", "answer at the machine itself")
