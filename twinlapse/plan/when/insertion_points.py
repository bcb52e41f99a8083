"""The line of a gap after which a shot does least harm, and how the filament is kept back there."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from twinlapse.arrays import Bool, Float, Int
from twinlapse.gcode import Kind, Mode, Toolpath
from twinlapse.gcode.object_brackets import ObjectBrackets, brackets_of
from twinlapse.plan.when.boundary_kernels import judge_boundaries
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
    "objects_to_leave",
    "ready_from",
    "usual_retraction",
    "why_none",
]

ON_PATH_MM = 0.6  # nearer than this, what oozes lands on the path; common practice, no source

MOST_ROWS = 1000  # of a gap that are looked at
_LEVEL_MM = 1e-4  # a layer's paths are at one height to within the rounding of a place


@dataclass(frozen=True, slots=True, kw_only=True)
class UsualRetraction:
    """How the file itself retracts."""

    firmware: bool  # by G10 and G11
    length_mm: float
    speed_mm_s: float
    own: bool  # seen in the file, not taken from the rig


# why a shot cannot stand at a boundary, in the order of `boundary_kernels`: the last that holds is told
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
    highest_mm: Float  # (n,) of all that is printed after each row; empty where no object can be left


@dataclass(frozen=True, slots=True, kw_only=True)
class Gap:
    """One gap between two extruding rows."""

    before: int
    after: int
    until: int  # the first row of somebody else's sequence, else `after`
    ends_layer: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class _Boundaries:
    """Boundaries of a gap before somebody else's sequence begins, one behind each row from ``first``."""

    first: int
    line: Int  # (m,) of the row before it
    following: Int  # (m,) line of the row behind it
    retracted: Bool  # (m,)
    why: Int  # (m,) index into _AGAINST of what speaks against a shot there; their count: nothing


@dataclass(frozen=True, slots=True, kw_only=True)
class Moment:
    """A boundary between two rows at which the machine may be taken away."""

    row: int  # the shot comes after this row
    line: int  # and after this line: the row's own, or the end of an object behind it
    byte: int | None  # offset of the first byte of that line, None where it is the row's
    in_object: bool  # a firmware that has cancelled the object would skip the moves of the shot
    leaves: int | None  # the object that the shot leaves and takes up again, by its number for M486
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
    at = _boundaries(toolpath, gap, habit, ready)
    fit = np.flatnonzero(at.why == len(_AGAINST))
    if not len(fit):
        return None
    line, byte, inside = _outside_objects(at.line[fit], at.following[fit], ready.brackets)
    leaves = np.full(len(fit), -1)
    if inside.any():
        leaves[inside] = objects_to_leave(toolpath, at.first + fit[inside], line[inside], ready)
    in_object = inside & (leaves < 0)
    away_mm = _away_mm(toolpath, at.first + fit, gap)
    best = int(np.lexsort((-fit, away_mm, at.retracted[fit], ~in_object))[-1])
    return Moment(
        row=at.first + int(fit[best]),
        line=int(line[best]),
        byte=int(byte[best]) if byte[best] >= 0 else None,
        in_object=bool(in_object[best]),
        leaves=int(leaves[best]) if leaves[best] >= 0 else None,
        retracted=bool(at.retracted[fit[best]]),
        on_path=bool(away_mm[best] < ON_PATH_MM),
    )


def ready_from(row: int, toolpath: Toolpath, printer: Printer) -> Ready:
    """Return what decides where a shot may stand, for one file on one machine.

    Parameters
    ----------
    row : int
        From here on a macro has homed the machine.
    toolpath, printer
    """
    brackets = brackets_of(toolpath)
    highest_mm = np.empty(0)
    if (brackets.number >= 0).any() and not printer.keep_out:
        z_mm = toolpath.z_mm.astype(float)
        reached = np.maximum(z_mm, np.append(z_mm[:1], z_mm[:-1]))
        highest_mm = np.maximum.accumulate(np.where(toolpath.kind == Kind.EXTRUDE, reached, -np.inf))
    return Ready(row=row, brackets=brackets, highest_mm=highest_mm)


def objects_to_leave(toolpath: Toolpath, rows: Int, line: Int, ready: Ready) -> Int:
    """Return for boundaries the number of the object that a shot can leave there and take up again, else -1.

    Where the object is cancelled the nozzle was left behind at a place that no plan knows. So the shot must
    name absolute places, nothing printed may be higher than it goes, and no keep-out may be in its way.
    """
    if not len(ready.highest_mm):
        return np.full(len(rows), -1)
    free = toolpath.z_mm[rows] >= ready.highest_mm[rows] - _LEVEL_MM
    free &= (toolpath.mode[rows] & Mode.RELATIVE_XYZ) == 0
    return np.where(free, np.maximum(ready.brackets.number_at(line), -1), -1)


def why_none(toolpath: Toolpath, gap: Gap, habit: UsualRetraction, ready: Ready) -> str:
    """Return why a gap has no boundary for a shot: what speaks against the one that comes nearest to it."""
    why = _boundaries(toolpath, gap, habit, ready).why
    why = why[why < len(_AGAINST)]
    return _AGAINST[int(why.min())] if len(why) else INSIDE_PATH


def _away_mm(toolpath: Toolpath, rows: Int, gap: Gap) -> Float:
    """Return how far the nozzle is, seen from above, from both ends of the paths around the gap, (m,)."""
    ends = [gap.before] if gap.after >= len(toolpath) else [gap.before, gap.after - 1]
    x_mm, y_mm = toolpath.x_mm, toolpath.y_mm
    away_mm = [np.hypot(x_mm[rows] - x_mm[end], y_mm[rows] - y_mm[end]) for end in ends]
    return np.asarray(np.minimum(away_mm[0], away_mm[-1]))


def _outside_objects(line: Int, following: Int, brackets: ObjectBrackets) -> tuple[Int, Int, Bool]:
    """Return for boundaries the line after which a shot stands, its first byte, and if it is in an object.

    Where an object ends before the next row the shot stands behind that line; else the byte is -1.
    """
    inside = brackets.is_inside(line)
    byte = np.full(len(line), -1, np.int64)
    if inside.any():
        end_line, end_byte = brackets.end_between(line, following)
        ended = inside & (end_line >= 0)
        line, byte = np.where(ended, end_line, line), np.where(ended, end_byte, byte)
        inside &= ~ended
    return line, byte, inside


def _boundaries(toolpath: Toolpath, gap: Gap, habit: UsualRetraction, ready: Ready) -> _Boundaries:
    """Return every boundary of a gap before somebody else's sequence begins."""
    first = gap.before
    most = min(gap.after, gap.until, first + MOST_ROWS) - first
    acts, following, why = np.empty((3, most + 1), np.int64)
    count = judge_boundaries(
        toolpath.kind, toolpath.length_mm, toolpath.line, toolpath.mode, toolpath.feed_mm_s, first, most,
        gap.ends_layer, ready.row, acts, following, why,
    )  # fmt: skip
    line = toolpath.line[first : first + count + 1].astype(np.int64)
    if len(line) == count:
        line = np.append(line, toolpath.line_count + 1)
    here = slice(first, first + count)
    enough_mm = max(RETRACTED_SHARE * habit.length_mm, 1e-3)
    back = ((toolpath.mode[here] & Mode.FW_RETRACTED) != 0) | (toolpath.retracted_mm[here] >= enough_mm)
    return _Boundaries(first=first, line=line[:-1], following=line[1:], retracted=back, why=why[:count])
