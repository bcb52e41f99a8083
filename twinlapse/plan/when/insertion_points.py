"""The line of a gap after which a shot does least harm, and how the filament is kept back there."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from twinlapse.gcode import Kind, Mode, Toolpath
from twinlapse.gcode.object_brackets import ObjectBrackets
from twinlapse.plan.when.gaps import RETRACTED_SHARE
from twinlapse.rig import Printer

__all__ = [
    "INSIDE_PATH",
    "MOST_ROWS",
    "NOT_HOMED",
    "NO_FEED",
    "ON_PATH_MM",
    "RUNNING",
    "SAME_LINE",
    "Gap",
    "Moment",
    "Ready",
    "UsualRetraction",
    "moment_in",
    "usual_retraction",
    "why_none",
]

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
    """How the file itself retracts."""

    firmware: bool  # by G10 and G11
    length_mm: float
    speed_mm_s: float
    own: bool  # seen in the file, not taken from the rig


# why a shot cannot stand at a boundary, the last found first
NO_FEED = "the file has set no feed rate by then"
NOT_HOMED = "the file has homed no axis by then"
SAME_LINE = "the next command stands in the same line"
INSIDE_PATH = "it would stand inside a path, a wipe or a retraction"
RUNNING = "the extruder is running there"
_AGAINST = (NO_FEED, NOT_HOMED, SAME_LINE, INSIDE_PATH, RUNNING)


@dataclass(frozen=True, slots=True, kw_only=True)
class Ready:
    """What else decides where a shot may stand."""

    row: int  # from here on a macro has homed the machine; the number of rows where none does
    brackets: ObjectBrackets


@dataclass(frozen=True, slots=True, kw_only=True)
class Gap:
    """One gap between two extruding rows."""

    before: int
    after: int
    until: int  # the first row of somebody else's sequence, else `after`
    ends_layer: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class _Boundary:
    row: int  # the row before it
    line: int
    byte: int | None
    in_object: bool
    retracted: bool
    why: str  # a shot cannot stand there, else empty


@dataclass(frozen=True, slots=True, kw_only=True)
class Moment:
    """A boundary between two rows at which the machine may be taken away."""

    row: int  # the shot comes after this row
    line: int  # and after this line: the row's own, or the end of an object behind it
    byte: int | None  # offset of the first byte of that line, None where it is the row's
    in_object: bool  # a firmware that has cancelled the object would skip the moves of the shot
    retracted: bool  # the filament is back already
    on_path: bool  # the nozzle stands where the path just printed ends, or where the next begins


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


def moment_in(toolpath: Toolpath, gap: Gap, habit: UsualRetraction, ready: Ready) -> Moment | None:
    """Return the best boundary between two extruding rows, None when the machine cannot wait in between.

    Never inside a path or a wipe, half way through a retraction, behind a prime, between G92 and the next use
    of E, behind the beginning of a tool change, of homing or of a wait, or in a line that holds the next
    command too.

    Parameters
    ----------
    toolpath : Toolpath
    gap : Gap
    habit : UsualRetraction
    ready : Ready
    """
    found = [
        (not at.in_object, at.retracted, _away_mm(toolpath, at.row, gap), -at.row, at)
        for at in _boundaries(toolpath, gap, habit, ready)
        if not at.why
    ]
    if not found:
        return None
    *_, away_mm, _, best = max(found, key=lambda entry: entry[:4])
    return Moment(
        row=best.row,
        line=best.line,
        byte=best.byte,
        in_object=best.in_object,
        retracted=best.retracted,
        on_path=away_mm < ON_PATH_MM,
    )


def why_none(toolpath: Toolpath, gap: Gap, habit: UsualRetraction, ready: Ready) -> str:
    """Return why a gap has no boundary for a shot: what speaks against the one that comes nearest to it."""
    said = {boundary.why for boundary in _boundaries(toolpath, gap, habit, ready)}
    return next((why for why in _AGAINST if why in said), INSIDE_PATH)


def _away_mm(toolpath: Toolpath, row: int, gap: Gap) -> float:
    """Return how far the nozzle is, seen from above, from both ends of the paths around the gap."""
    ends = [gap.before] if gap.after >= len(toolpath) else [gap.before, gap.after - 1]
    return min(
        math.hypot(
            float(toolpath.x_mm[row] - toolpath.x_mm[end]), float(toolpath.y_mm[row] - toolpath.y_mm[end])
        )
        for end in ends
    )


def _boundaries(toolpath: Toolpath, gap: Gap, habit: UsualRetraction, ready: Ready) -> Iterable[_Boundary]:
    """Yield every boundary of a gap before somebody else's sequence begins."""
    before = gap.before
    stop = min(gap.after, gap.until, before + MOST_ROWS)
    here = slice(before, min(stop + 1, len(toolpath)))
    acts = _acts(toolpath, here)
    lines = [*toolpath.line[here].tolist(), -1]
    mode = toolpath.mode[here]
    homed = ((mode & Mode.HOMED) != 0) | (np.arange(before, before + len(mode)) >= ready.row)
    fast = toolpath.feed_mm_s[here] > 0
    running = (mode & Mode.EXTRUDER_RUNNING) != 0
    enough_mm = max(RETRACTED_SHARE * habit.length_mm, 1e-3)
    back = ((mode & Mode.FW_RETRACTED) != 0) | (toolpath.retracted_mm[here] >= enough_mm)
    last = _EXTRUDE
    for k in range(stop - before):
        if acts[k] in _ENDS:
            return  # beyond it stands somebody else's sequence, or E has a new name nobody has used yet
        if acts[k] != _IDLE:
            last = acts[k]
        following = next((act for act in acts[k + 1 :] if act not in (_IDLE, _ORIGIN)), _IDLE)
        against = (
            (running[k], RUNNING),
            (not _sound(last, following, gap.ends_layer), INSIDE_PATH),
            (lines[k + 1] == lines[k], SAME_LINE),
            (not homed[k], NOT_HOMED),
            (not fast[k], NO_FEED),
        )
        why = next((why for holds, why in against if holds), "")
        line, byte, inside = lines[k], None, ready.brackets.is_inside(lines[k])
        following = lines[k + 1] if lines[k + 1] > 0 else toolpath.line_count + 1
        end = ready.brackets.end_between(lines[k], following) if inside else None
        if end is not None:
            (line, byte), inside = end, False
        yield _Boundary(
            row=before + k, line=line, byte=byte, in_object=inside, retracted=bool(back[k]), why=why
        )


def _acts(toolpath: Toolpath, rows: slice) -> list[int]:
    """Return the kinds of some rows, of those that neither move, feed nor end anything an idle one."""
    kind = toolpath.kind[rows].astype(int)
    idle = ~np.isin(kind, (*_FEEDS, *_ENDS)) & (toolpath.length_mm[rows] <= 1e-3)
    return np.where(idle, _IDLE, kind).tolist()  # type: ignore[no-any-return]


def _sound(last: int, following: int, layer_passes: bool) -> bool:
    """Return whether the machine can wait between two acts."""
    if last in _PRIMES or following in _PULLS:
        return False  # about to print, or about to retract by itself or half way through it
    return not (last in _LAYS and following in _LAYS) or layer_passes
