"""Running the commands of a rig file: argument lists, no shell, a process group of their own, a time limit.

Reference: OWASP OS Command Injection Defense Cheat Sheet.
"""

from __future__ import annotations

import contextlib
import os
import selectors
import signal
import subprocess
import tempfile
import time
from collections.abc import Sequence
from pathlib import Path

__all__ = ["CommandError", "run"]

_GRACE_S = 1.0  # between SIGTERM and SIGKILL (common practice, no source)
_TOLD_BYTES = 200  # of what a command writes to its standard error
_ENVIRONMENT = ("PATH", "HOME", "LANG", "LC_ALL", "TZ", "XDG_RUNTIME_DIR")


class CommandError(Exception):
    """A command of the rig did not end well; the text says which and why."""


def run(command: Sequence[str], limit_s: float, *, stdin: bytes = b"") -> None:
    """Run a command to its end.

    Parameters
    ----------
    command : sequence of str
        Program and arguments, as the rig file has them.
    limit_s : float
        After this the whole process group gets SIGTERM, a second later SIGKILL.
    stdin : bytes
        What the command reads.

    Raises
    ------
    CommandError
        when it cannot be started, takes too long, or ends with another status than 0.
    """
    name = Path(command[0]).name
    environment = {key: os.environ[key] for key in _ENVIRONMENT if key in os.environ}
    with tempfile.TemporaryFile() as source:
        source.write(stdin)
        source.seek(0)
        try:
            process = subprocess.Popen(  # noqa: S603 - absolute path and arguments from the rig file alone
                list(command),
                stdin=source,
                stdout=subprocess.DEVNULL,
                stderr=subprocess.PIPE,
                env=environment,
                start_new_session=True,
                close_fds=True,
            )
        except OSError as error:
            raise CommandError(f"{name}: {error.strerror}") from None
    with process:
        try:
            told = _listen(process, limit_s)
        finally:
            _end(process)
    if told is None:
        raise CommandError(f"{name} took longer than {limit_s:g} s")
    words = told.decode("utf-8", "replace").strip().replace("\n", " ")
    if process.returncode != 0:
        raise CommandError(f"{name} ended with {process.returncode} {words}".rstrip())


def _listen(process: subprocess.Popen[bytes], limit_s: float) -> bytes | None:
    # stderr is read to its end so that a talkative command cannot block, and all but its first words dropped
    assert process.stderr is not None
    told = b""
    deadline_s = time.monotonic() + limit_s
    with selectors.DefaultSelector() as selector:
        selector.register(process.stderr, selectors.EVENT_READ)
        while (left_s := deadline_s - time.monotonic()) > 0:
            if not selector.select(min(left_s, 0.05)):
                if process.poll() is not None:
                    return told  # a child of the command may hold its stderr open
                continue
            piece = os.read(process.stderr.fileno(), 65536)
            told += piece[: _TOLD_BYTES - len(told)]
            if not piece:
                with contextlib.suppress(subprocess.TimeoutExpired):
                    process.wait(max(0.0, deadline_s - time.monotonic()))
                    return told
                return None
    return None


def _end(process: subprocess.Popen[bytes]) -> None:
    if process.poll() is not None:
        return
    for number in (signal.SIGTERM, signal.SIGKILL):
        with contextlib.suppress(ProcessLookupError):
            os.killpg(process.pid, number)
        with contextlib.suppress(subprocess.TimeoutExpired):
            process.wait(_GRACE_S)
            return
