"""The process that switches off what nobody leases any more; it outlives the service and its unit's kill.

It is started detached by every service that has lamps, keeps to itself (one a user, by a lock), and ends when
nothing is leased.
"""

from __future__ import annotations

import contextlib
import fcntl
import os
import signal
import subprocess
import sys
import threading
import time

from twinlapse.capture.lease import TERM_S, expire_all, lease_folder
from twinlapse.errors import CaptureError

__all__ = ["main", "once", "start_keeper"]

_LOOK_S = 1.0  # an eighth of a lease
_IDLE_LOOKS = 30  # ends after half a minute without a lease; the next service starts another


def start_keeper() -> subprocess.Popen[bytes]:
    """Start the keeper in a session of its own; a second one ends at once."""
    keeper = subprocess.Popen(
        [sys.executable, "-m", "twinlapse.capture.lease_keeper"],
        stdin=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        start_new_session=True,
        close_fds=True,
    )
    # a service that is always on starts many: each is waited for, so that none stays behind as a zombie
    threading.Thread(target=keeper.wait, name="keeper", daemon=True).start()
    return keeper


def main() -> None:
    """Look at all leases every second until nothing is leased."""
    for number in (signal.SIGTERM, signal.SIGINT, signal.SIGHUP):
        signal.signal(number, signal.SIG_IGN)
    folder = lease_folder()
    lock = os.open(folder / "keeper.lock", os.O_RDWR | os.O_CREAT | os.O_NOFOLLOW, 0o600)
    try:
        fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        return
    idle = 0
    while idle < _IDLE_LOOKS:
        leased = 0
        with contextlib.suppress(OSError, CaptureError):
            leased = expire_all(folder)[1]
        idle = 0 if leased else idle + 1
        time.sleep(_LOOK_S)


def once() -> None:
    """Wait for the leases of a service that has just ended, and switch off what they were for."""
    folder = lease_folder()
    until_s = time.monotonic() + 2 * TERM_S
    while expire_all(folder)[1] and time.monotonic() < until_s:
        time.sleep(_LOOK_S)


if __name__ == "__main__":
    once() if "--once" in sys.argv[1:] else main()
