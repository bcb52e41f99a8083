"""A serial line or pty opened for its cues: its speed, and that nobody else has it.

Nothing is opened that another program holds; a pty is made to be shared. The line keeps its DTR when it is
closed (HUPCL off), so that a board which resets on an edge of DTR is not reset when the service ends or
starts; the first opening after the board was plugged in raises DTR whatever a program does (Linux,
drivers/tty/tty_port.c).

References: termios(3); ioctl_tty(2), TCSETS2 and BOTHER for speeds of any value; flock(2).
"""

from __future__ import annotations

import contextlib
import fcntl
import os
import select
import struct
import termios
import time
import tty
from collections.abc import Sequence
from pathlib import Path

from twinlapse.cameras.sources.v4l2 import processes_that_hold
from twinlapse.errors import CaptureError

__all__ = ["open_to_read", "write_lines"]

# include/uapi/asm-generic/termbits.h, the same on x86, Arm and RISC-V
_TCGETS2, _TCSETS2, _BOTHER, _CBAUD = 0x802C542A, 0x402C542B, 0o010000, 0o010017
_TERMIOS2 = struct.Struct("4IB19s2I")
_LIMIT_S = 2.0


def open_to_read(path: Path, baud: int) -> int:
    """Return the handle of a port that is opened for reading, raw, at a speed.

    Raises
    ------
    OSError
        when it is not there or another program holds it.
    """
    if not _is_pty(path) and (holders := processes_that_hold(str(path))):
        raise OSError(16, f"another program holds it: {', '.join(holders)}")
    handle = os.open(path, os.O_RDONLY | os.O_NOCTTY | os.O_NONBLOCK | os.O_CLOEXEC)
    try:
        if os.isatty(handle):
            _take(handle)
            with contextlib.suppress(termios.error, OSError):
                tty.setraw(handle, termios.TCSANOW)
                _set_line(handle, baud)
                termios.tcflush(handle, termios.TCIFLUSH)
    except BaseException:
        os.close(handle)
        raise
    return handle


def write_lines(path: Path, lines: Sequence[str]) -> None:
    """Send lines over a port that this process reads already.

    Raises
    ------
    CaptureError
        when they cannot be sent whole.
    """
    data = "".join(f"{line}\n" for line in lines).encode("ascii")
    try:
        handle = os.open(path, os.O_WRONLY | os.O_NOCTTY | os.O_NONBLOCK | os.O_CLOEXEC)
    except OSError as error:
        raise CaptureError(f"{path} cannot be written ({error.strerror})", "is the printer on?") from None
    end_s = time.monotonic() + _LIMIT_S
    try:
        while data:
            if not select.select([], [handle], [], max(0.0, end_s - time.monotonic()))[1]:
                raise CaptureError(f"{path} takes nothing", "answer at the machine itself")
            data = data[os.write(handle, data) :]
    except OSError as error:
        raise CaptureError(f"{path} cannot be written ({error.strerror})", "is the printer on?") from None
    finally:
        os.close(handle)


def _is_pty(path: Path) -> bool:
    """Return whether a device is a pseudo-terminal (Documentation/admin-guide/devices.txt: 136 to 143)."""
    return 136 <= os.major(path.stat().st_rdev) <= 143


def _take(handle: int) -> None:
    """Keep other programs that ask for the port out, as they keep us out."""
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        raise OSError(16, "another program has locked it") from None


def _set_line(handle: int, baud: int) -> None:
    values = list(_TERMIOS2.unpack(fcntl.ioctl(handle, _TCGETS2, bytes(_TERMIOS2.size))))
    values[2] &= ~(_CBAUD | (_CBAUD << 16) | termios.HUPCL)
    values[2] |= _BOTHER | termios.CLOCAL | termios.CREAD
    values[6] = values[7] = baud
    fcntl.ioctl(handle, _TCSETS2, _TERMIOS2.pack(*values))
