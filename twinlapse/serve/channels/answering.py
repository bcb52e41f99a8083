"""Sending a person's answer to a machine that waits: by the way on which it is heard."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from twinlapse.capture.serial_port import write_lines
from twinlapse.errors import CaptureError
from twinlapse.rig.capture_settings import Capture
from twinlapse.serve.channels.klipper_api import run_script
from twinlapse.serve.channels.reprapfirmware_http import run_gcode

__all__ = ["send_lines", "ways_to_send"]


def ways_to_send(capture: Capture) -> list[str]:
    """Return the ways on which a rig's machine can be told something, the best first."""
    ways = {
        "the API socket": capture.klipper_socket,
        "its HTTP interface": capture.reprapfirmware,
        "the serial line": capture.serial,
    }
    return [name for name, value in ways.items() if value]


def send_lines(capture: Capture, lines: Sequence[str]) -> str:
    """Send lines to a machine; return in words how.

    Raises
    ------
    CaptureError
        when the rig names no way, or the machine does not take them.
    """
    if capture.klipper_socket:
        run_script(Path(capture.klipper_socket), lines)
    elif capture.reprapfirmware:
        run_gcode(capture.reprapfirmware, lines, login_file=capture.reprapfirmware_login_file)
    elif capture.serial:
        write_lines(Path(capture.serial), lines)
    else:
        raise CaptureError("nothing can be sent to this machine", "answer at the machine itself")
    return f"{', '.join(lines)} sent by {ways_to_send(capture)[0]}"
