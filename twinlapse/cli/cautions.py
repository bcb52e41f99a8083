"""The cautions of a machine that moves by itself: all of them the first time, one line afterwards."""

from __future__ import annotations

import os
from pathlib import Path

from twinlapse.cli.output import Output

__all__ = ["SHORT", "say_cautions"]

SHORT = "the machine will move by itself: run the dry run first, and stay with the printer"


def say_cautions(output: Output, written: Path) -> None:
    """Print the cautions: all of them the first time and with ``-v``, later one line that names the file."""
    from twinlapse.inject.header import CAUTIONS

    if output.as_json or output.quiet:
        return
    if output.verbose or not _seen():
        for caution in CAUTIONS:
            output.say(f"CAUTION: {caution}")
        _note_seen()
    else:
        output.say(f"CAUTION: {SHORT}. All cautions are at the head of {written.name}.")


def _marker() -> Path:
    base = os.environ.get("XDG_STATE_HOME") or os.environ.get("LOCALAPPDATA")  # XDG base directories; Windows
    return (Path(base) if base else Path.home() / ".local" / "state") / "twinlapse" / "cautions-shown"


def _seen() -> bool:
    try:
        return _marker().exists()
    except (OSError, RuntimeError):  # no home folder
        return False


def _note_seen() -> None:
    try:
        _marker().parent.mkdir(parents=True, exist_ok=True)
        _marker().touch()
    except (OSError, RuntimeError):
        return  # they will be printed again
