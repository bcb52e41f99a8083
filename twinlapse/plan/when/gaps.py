"""The gaps between two extruding moves: the only places where a print can wait."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from twinlapse.arrays import Bool, Int
from twinlapse.gcode import Kind, Layers, Mode, Setting, Toolpath
from twinlapse.gcode.segments import printed_box, segment_chunks
from twinlapse.motion import Timeline
from twinlapse.plan.clearance.height_map_kernels import CELL_MM, EMPTY, lay_segments
from twinlapse.plan.when.features import Path, marked_paths, path_at
from twinlapse.plan.where.look_points import on_outline

__all__ = ["OUTLINE_MM", "RETRACTED_SHARE", "Gaps", "find_gaps"]

RETRACTED_SHARE = 0.5  # of the file's usual retraction: less than that still oozes

OUTLINE_MM = 0.7  # nearer to the outline than that is an outer wall, where comments do not say


@dataclass(frozen=True, slots=True, kw_only=True)
class Gaps:
    """All gaps inside the layers of a print, as columns."""

    before: Int  # the last extruding row before the gap
    after: Int  # the first extruding row after it, n at the end of the file
    layer: Int  # index of the layer of `before`
    ends_layer: Bool  # the next path belongs to another layer
    retracted: Bool  # the file itself retracts here
    travels: Bool  # the nozzle leaves the path
    until: Int  # the first row of a tool change, homing, a dwell or a wait in it, else `after`
    outer: Bool  # a path that is visible in the finished print ends or begins here
    outer_said: bool  # by the file's comments; else it is an estimate from the outline
    at_s: NDArray[np.float64]  # print time at its beginning

    def __len__(self) -> int:
        return len(self.before)

    @property
    def usable(self) -> Bool:
        """Where a shot can stand at all: off the path, or where one layer passes into the next."""
        return self.travels | self.retracted | self.ends_layer


def find_gaps(toolpath: Toolpath, layers: Layers, timeline: Timeline, habit_mm: float) -> Gaps:
    """Return the gaps between the first and the last layer, the one behind the last path included.

    Parameters
    ----------
    habit_mm : float
        The file's usual retraction.
    """
    before, after, layer, ends = _borders(toolpath, layers)
    outer, said = _outer(toolpath, layers, before, after)
    moving = (toolpath.kind == Kind.TRAVEL) & (toolpath.length_mm > 1e-3)
    back = toolpath.retracted_mm > max(RETRACTED_SHARE * habit_mm, 1e-3)
    back |= (toolpath.mode & Mode.FW_RETRACTED).astype(bool)
    stuck = np.isin(toolpath.kind, (Kind.HOME, Kind.TOOL, Kind.DWELL))
    waits = np.isin(toolpath.setting_kind, (Setting.HEAT_WAIT, Setting.PAUSE))
    stuck[np.minimum(toolpath.setting_row[waits], len(stuck) - 1)] = True
    sequences = np.append(np.flatnonzero(stuck), len(toolpath))
    until = np.minimum(sequences[np.searchsorted(sequences, before, "right")], after)
    return Gaps(
        before=before,
        after=after,
        layer=layer,
        ends_layer=ends,
        retracted=_any_between(back, before, until),
        travels=_any_between(moving, before, until),
        until=until,
        outer=outer,
        outer_said=said,
        at_s=timeline.end_s[before],
    )


def _outer(toolpath: Toolpath, layers: Layers, before: Int, after: Int) -> tuple[Bool, bool]:
    """Return whether a visible path ends or begins at each gap, and whether comments say so."""
    follows = after < len(toolpath)
    next_row = np.minimum(after, len(toolpath) - 1)
    begin = np.maximum(next_row - 1, 0)  # where the next path begins
    marks = marked_paths(toolpath)
    if not len(marks[0]):
        ends = on_outline(toolpath, layers, np.concatenate([before, begin]), OUTLINE_MM)
        return ends[: len(before)] | (ends[len(before) :] & follows), False
    last, first = path_at(marks, before), path_at(marks, next_row)
    outer = (last == Path.WALL) | ((first == Path.WALL) & follows)
    surface = (last == Path.SURFACE) | ((first == Path.SURFACE) & follows)
    if (surface & ~outer).any():
        places = np.concatenate([before, begin])  # asked at once: the whole print is laid out for the answer
        heights_mm = toolpath.z_mm[np.concatenate([before, next_row])]
        bare, bare_begin = np.split(~_covered(toolpath, places, heights_mm), 2)
        outer |= ((last == Path.SURFACE) & bare) | ((first == Path.SURFACE) & bare_begin & follows)
    return outer, True


def _covered(toolpath: Toolpath, rows: Int, z_mm: NDArray[np.float64]) -> Bool:
    """Return for some rows whether more is printed on the place where they end, at height `z_mm` (m,)."""
    box = printed_box(toolpath)
    left, front = float(box.low_mm[0]), float(box.low_mm[1])
    across, deep = (((box.high_mm - box.low_mm)[:2]) / CELL_MM).astype(int) + 1
    top, by_x, by_y = (np.full(shape, EMPTY, np.float32) for shape in ((across, deep), across, deep))
    for chunk in segment_chunks(toolpath):
        lay_segments(top, by_x, by_y, chunk.first_mm, chunk.last_mm, left, front)
    i = np.clip(((toolpath.x_mm[rows] - left) / CELL_MM).astype(int), 0, across - 1)
    j = np.clip(((toolpath.y_mm[rows] - front) / CELL_MM).astype(int), 0, deep - 1)
    return np.asarray(top[i, j] > z_mm + 1e-3)


def _borders(toolpath: Toolpath, layers: Layers) -> tuple[Int, Int, Int, Bool]:
    """Return the rows around each gap, its layer, and whether it ends that layer."""
    n = len(toolpath)
    start, stop = int(layers.first_row[0]), int(layers.first_row[-1])
    laid = np.flatnonzero(toolpath.kind[start:stop] == Kind.EXTRUDE) + start
    gap = np.append(laid[1:] - laid[:-1] > 1, True)
    lasts = np.searchsorted(laid, layers.first_row[1:]) - 1  # the last path of each layer that has one
    lasts = lasts[lasts >= 0]
    gap[lasts] = True
    kept = np.flatnonzero(gap)
    before, after = laid[kept], np.append(laid, n)[kept + 1]
    layer = np.searchsorted(layers.first_row, before, "right") - 1
    return before, after, layer, np.isin(kept, lasts)


def _any_between(flags: Bool, before: Int, after: Int) -> Bool:
    """Return whether a flag is set in the rows strictly between."""
    rows = np.flatnonzero(flags)
    return np.asarray(np.searchsorted(rows, after, "left") > np.searchsorted(rows, before, "right"))
