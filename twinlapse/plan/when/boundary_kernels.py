"""Which boundaries between the rows of a gap are fit for a shot.

Plain loops, compiled; what a row does is its act: its kind, or idle where it neither moves, feeds nor ends
anything.
"""

from __future__ import annotations

from typing import Any

from twinlapse.gcode.toolpath import Kind, Mode
from twinlapse.jit import kernel, part_of_kernel

__all__ = ["is_sound", "judge_boundaries"]

_IDLE = -1
_EXTRUDE, _WIPE, _ORIGIN = int(Kind.EXTRUDE), int(Kind.WIPE), int(Kind.ORIGIN)
_PRIME, _FW_PRIME = int(Kind.PRIME), int(Kind.FW_PRIME)
_RETRACT, _FW_RETRACT = int(Kind.RETRACT), int(Kind.FW_RETRACT)
_HOME, _TOOL, _DWELL = int(Kind.HOME), int(Kind.TOOL), int(Kind.DWELL)
_HOMED, _RUNNING = int(Mode.HOMED), int(Mode.EXTRUDER_RUNNING)
_STILL_MM = 1e-3


@part_of_kernel
def is_sound(last: int, following: int, layer_passes: bool) -> bool:
    """Return whether the machine can wait between two acts.

    Not when it is about to print, about to retract by itself, or half way through that.
    """
    if last in (_PRIME, _FW_PRIME) or following in (_WIPE, _RETRACT, _FW_RETRACT):
        return False
    return layer_passes or last not in (_EXTRUDE, _WIPE) or following not in (_EXTRUDE, _WIPE)


@kernel
def judge_boundaries(
    kind: Any, length_mm: Any, line: Any, mode: Any, feed_mm_s: Any, first: int, most: int,
    layer_passes: bool, homed_row: int, acts: Any, following: Any, why: Any,
) -> int:  # fmt: skip
    """Judge the boundaries behind the rows from ``first``, ``most`` of them at most; return their count.

    Beyond the last one stands somebody else's sequence, or E has a new name that nobody has used yet.
    ``why`` gets what speaks against each: 0 no feed rate, 1 not homed, 2 the next row in the same line, 3
    inside a path, a wipe or a retraction, 4 a running extruder, 5 nothing. ``acts`` and ``following`` are
    scratch, like ``why`` of ``most + 1``.
    """
    rows = min(most + 1, len(kind) - first)
    count = most
    for k in range(rows):
        what = kind[first + k]
        feeds = what in (_EXTRUDE, _WIPE, _PRIME, _FW_PRIME, _RETRACT, _FW_RETRACT)
        ends = what in (_HOME, _TOOL, _DWELL, _ORIGIN)
        acts[k] = what if feeds or ends or length_mm[first + k] > _STILL_MM else _IDLE
        if ends and k < count:
            count = k
    after = _IDLE
    for back in range(rows):
        k = rows - 1 - back
        following[k] = after
        if acts[k] != _IDLE and acts[k] != _ORIGIN:
            after = acts[k]
    last = _EXTRUDE  # a path ends where a gap begins
    for k in range(count):
        row = first + k
        last = acts[k] if acts[k] != _IDLE else last
        why[k] = 5
        if not feed_mm_s[row] > 0.0:
            why[k] = 0
        if mode[row] & _HOMED == 0 and row < homed_row:
            why[k] = 1
        if row + 1 < len(line) and line[row + 1] == line[row]:
            why[k] = 2
        if not is_sound(last, following[k], layer_passes):
            why[k] = 3
        if mode[row] & _RUNNING != 0:
            why[k] = 4
    return count
