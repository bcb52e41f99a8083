"""Lines that say some seconds ahead that a shot comes, for lights and cameras that need time to wake."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from twinlapse.gcode import Toolpath, row_after_line
from twinlapse.inject.dialects import dialect_of
from twinlapse.inject.splice import Insertion, as_bytes
from twinlapse.rig import Rig
from twinlapse.shots import Plan, arm_text

__all__ = ["arm_insertions", "arm_lines"]


def arm_lines(number: int, rig: Rig) -> list[str]:
    """Return the line that announces a shot, between its marker comments.

    It neither moves nor waits: a firmware says it when it reads the line, earlier than the moves before it
    are done by as much as its queue holds.
    """
    words = arm_text(number)
    dialect = dialect_of(rig.printer.firmware)
    said = {"host": dialect.to_host(words), "display": dialect.to_display(words)}
    line = said.get(rig.cue.kind, f"; {words}")
    return [f"; {words} begin", line, f"; {words} end"]


def arm_insertions(plan: Plan, rig: Rig, toolpath: Toolpath, eol: bytes) -> Iterator[Insertion]:
    """Yield an arming line ``early_notice_s`` before each shot, but for those soon after another."""
    if rig.cue.early_notice_s <= 0 or not plan.shots:
        return
    from twinlapse.motion import time_toolpath

    end_s = time_toolpath(toolpath, rig.printer).end_s
    last_row = -1
    for shot in plan.shots:
        row = row_after_line(toolpath, shot.after_line) - 1
        ahead_s = float(end_s[row]) - rig.cue.early_notice_s
        armed = int(np.searchsorted(end_s, max(ahead_s, 0.0)))
        if armed > last_row and armed < row:
            following = row_after_line(toolpath, int(toolpath.line[armed]))
            yield Insertion(
                byte=int(toolpath.byte[following]), text=as_bytes(arm_lines(shot.number, rig), eol)
            )
        last_row = row
