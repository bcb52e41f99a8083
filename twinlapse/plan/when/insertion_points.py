"""The line of a gap after which a shot does least harm, and how the filament is kept back there."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from twinlapse.gcode import Kind, Mode, Toolpath
from twinlapse.plan.when.gaps import RETRACTED_SHARE
from twinlapse.rig import Printer

ON_PATH_MM = 0.6  # nearer than this, what oozes lands on the path; common practice, no source

MOST_ROWS = 1000  # of a gap that are looked at

_EXTRUDE, _WIPE, _ORIGIN, _IDLE = int(Kind.EXTRUDE), int(Kind.WIPE), int(Kind.ORIGIN), -1
_LAYS = (_EXTRUDE, _WIPE)
_PRIMES = (int(Kind.PRIME), int(Kind.FW_PRIME))
_PULLS = (_WIPE, int(Kind.RETRACT), int(Kind.FW_RETRACT))
_FEEDS = (*_LAYS, *_PRIMES, *_PULLS)
_ENDS = (int(Kind.HOME), int(Kind.TOOL), int(Kind.DWELL), _ORIGIN)


@dataclass(frozen=True, slots=True, kw_only=True)
class UsualRetraction:
    """How the file itself pulls filament back."""

    firmware: bool  # by G10 and G11
    length_mm: float
    speed_mm_s: float
    own: bool  # seen in the file, not taken from the rig


@dataclass(frozen=True, slots=True, kw_only=True)
class Moment:
    """A boundary between two rows at which the machine may be taken away."""

    row: int  # the shot comes after this row
    retracted: bool  # the filament is back already
    on_path: bool  # the nozzle stands where the path just laid ends, or where the next begins


def usual_retraction(toolpath: Toolpath, printer: Printer) -> UsualRetraction:
    """Return the usual retraction of a file, the rig's where the file hardly ever retracts."""
    if (toolpath.mode & Mode.EXTRUDER_RUNNING).any():  # M101 and M103: no words feed, so none can retract
        return UsualRetraction(firmware=False, length_mm=0.0, speed_mm_s=printer.retract_mm_s, own=True)
    pulls = np.flatnonzero(toolpath.kind == Kind.RETRACT)
    if (toolpath.kind == Kind.FW_RETRACT).sum() > len(pulls):
        return UsualRetraction(
            firmware=True, length_mm=printer.retract_mm, speed_mm_s=printer.retract_mm_s, own=True
        )
    if len(pulls) < 8:  # start and end code alone tell nothing
        return UsualRetraction(
            firmware=False, length_mm=printer.retract_mm, speed_mm_s=printer.retract_mm_s, own=False
        )
    usual = int(pulls[np.argsort(toolpath.retracted_mm[pulls], kind="stable")[len(pulls) // 2]])
    return UsualRetraction(
        firmware=False,
        length_mm=round(float(toolpath.retracted_mm[usual]), 5),
        speed_mm_s=float(toolpath.feed_mm_s[usual]),
        own=True,
    )


def moment_in(
    toolpath: Toolpath, before: int, after: int, habit: UsualRetraction, *, layer_passes: bool
) -> Moment | None:
    """Return the best boundary between two extruding rows, None when the machine cannot wait in between.

    Never inside a path or a wipe, half way through a retraction, behind a prime, between G92 and the next use
    of E, or in a line that holds the next command too.
    """
    found = [
        (retracted, _away_mm(toolpath, row, before, after), -row)
        for row, retracted in _boundaries(toolpath, before, after, habit, layer_passes)
    ]
    if not found:
        return None
    retracted, away_mm, row = max(found)
    return Moment(row=-row, retracted=retracted, on_path=away_mm < ON_PATH_MM)


def _away_mm(toolpath: Toolpath, row: int, before: int, after: int) -> float:
    """Return how far the nozzle is, seen from above, from both ends of the paths around the gap."""
    ends = [before] if after >= len(toolpath) else [before, after - 1]
    return min(
        math.hypot(
            float(toolpath.x_mm[row] - toolpath.x_mm[end]), float(toolpath.y_mm[row] - toolpath.y_mm[end])
        )
        for end in ends
    )


def _boundaries(
    toolpath: Toolpath, before: int, after: int, habit: UsualRetraction, layer_passes: bool
) -> Iterable[tuple[int, bool]]:
    """Yield the row before every sound boundary of a gap, and whether the filament is back there."""
    stop = min(after, before + MOST_ROWS)
    here = slice(before, min(stop + 1, len(toolpath)))
    acts = _acts(toolpath, here)
    lines = [*toolpath.line[here].tolist(), -1]
    ready = ((toolpath.mode[here] & Mode.HOMED) != 0) & (toolpath.feed_mm_s[here] > 0)
    ready &= (toolpath.mode[here] & Mode.EXTRUDER_RUNNING) == 0
    enough_mm = max(RETRACTED_SHARE * habit.length_mm, 1e-3)
    back = ((toolpath.mode[here] & Mode.FW_RETRACTED) != 0) | (toolpath.retracted_mm[here] >= enough_mm)
    last = _EXTRUDE
    for k in range(stop - before):
        if acts[k] in _ENDS:
            return  # beyond it stands somebody else's sequence, or E has a new name nobody has used yet
        if acts[k] != _IDLE:
            last = acts[k]
        following = next((act for act in acts[k + 1 :] if act not in (_IDLE, _ORIGIN)), _IDLE)
        if lines[k + 1] != lines[k] and ready[k] and _sound(last, following, layer_passes):
            yield before + k, bool(back[k])


def _acts(toolpath: Toolpath, rows: slice) -> list[int]:
    """Return the kinds of some rows, of those that neither move, feed nor end anything an idle one."""
    kind = toolpath.kind[rows].astype(int)
    idle = ~np.isin(kind, (*_FEEDS, *_ENDS)) & (toolpath.length_mm[rows] <= 1e-3)
    return np.where(idle, _IDLE, kind).tolist()  # type: ignore[no-any-return]


def _sound(last: int, following: int, layer_passes: bool) -> bool:
    """Return whether the machine can wait between two acts."""
    if last in _PRIMES or following in _PULLS:
        return False  # about to lay, or about to pull back by itself or half way through it
    return not (last in _LAYS and following in _LAYS) or layer_passes
