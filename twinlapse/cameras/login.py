"""Names and passwords: from files that their owner alone may read, never from a plan or a log."""

from __future__ import annotations

import stat
from pathlib import Path

from twinlapse.errors import CaptureError

__all__ = ["read_login"]


def read_login(path: Path) -> tuple[str, str]:
    """Return name and password from a file that its owner alone may read.

    Raises
    ------
    CaptureError
        when it is missing, open to others, or no "name:password".
    """
    try:
        mode, text = path.stat().st_mode, path.read_text("utf-8").strip()
    except OSError as error:
        raise CaptureError(f"cannot read the login ({error.strerror})", "", path=path) from None
    if stat.S_IMODE(mode) & 0o077:
        raise CaptureError("others may read the login", f"chmod 600 {path.name}", path=path)
    name, colon, password = text.partition(":")
    if not colon or not name:
        raise CaptureError("this is no login", 'write "name:password" on one line', path=path)
    return name, password
