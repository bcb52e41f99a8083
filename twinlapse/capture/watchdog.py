"""A child process that outlives the service by one moment, to switch off what the service left on.

It waits for the end of its standard input, which comes when the service ends in any way, kill -9 included. A
line "bye" before that says that everything is off already.
"""

from __future__ import annotations

import contextlib
import json
import signal
import subprocess
import sys
from collections.abc import Sequence

from twinlapse.capture.rig_commands import run


class Watchdog:
    """The service's end of it."""

    def __init__(self, off: Sequence[Sequence[str]], limit_s: float = 10.0) -> None:
        self._child: subprocess.Popen[bytes] | None = None
        if off:
            words = json.dumps({"off": [list(command) for command in off], "limit_s": limit_s})
            self._child = subprocess.Popen(  # noqa: S603 - this interpreter and this module
                [sys.executable, "-m", "twinlapse.capture.watchdog", words],
                stdin=subprocess.PIPE,
                stdout=subprocess.DEVNULL,
                start_new_session=True,
            )

    @property
    def alive(self) -> bool:
        """Whether the child is there, or none is needed."""
        return self._child is None or self._child.poll() is None

    def dismiss(self) -> None:
        """Say that all is off; the child ends."""
        if self._child is None:
            return
        assert self._child.stdin is not None
        with contextlib.suppress(OSError):
            self._child.stdin.write(b"bye\n")
        with contextlib.suppress(OSError):
            self._child.stdin.close()
        with contextlib.suppress(subprocess.TimeoutExpired):
            self._child.wait(5)


def main(words: str) -> None:
    """Wait for the end of standard input and run the commands."""
    for number in (signal.SIGTERM, signal.SIGINT, signal.SIGHUP):
        signal.signal(number, signal.SIG_IGN)
    task = json.loads(words)
    if b"bye" in sys.stdin.buffer.read():
        return
    for command in task["off"]:
        run(command, task["limit_s"])


if __name__ == "__main__":
    main(sys.argv[1])
