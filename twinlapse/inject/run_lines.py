"""The first and the last line that a written file sends: its print begins, its print has ended."""

from __future__ import annotations

from twinlapse.inject.dialects import dialect_of
from twinlapse.rig import Rig
from twinlapse.shots import run_text

__all__ = ["run_lines"]

_NUMBER = {"begin": 1, "end": 2}


def run_lines(what: str, code: str, rig: Rig) -> list[str]:
    """Return the fenced line that says that the print of a job begins or ends.

    Parameters
    ----------
    what : str
        "begin" or "end".
    code : str
        Of the job, see `twinlapse.shots.job_code`.
    rig : Rig
        Cues that go to the host or to the display take these lines along; others leave them as comments.
    """
    words = run_text(what, code)
    dialect = dialect_of(rig.printer.firmware)
    said = {"host": dialect.to_host(words), "display": dialect.to_display(words)}
    line = said.get(rig.cue.kind, f"; print: {words}")
    number = _NUMBER[what]
    return [f"; twinlapse run {number} begin", line, f"; twinlapse run {number} end"]
