"""What it costs a print to come to rest at some rows, worked out from the rows around them alone.

How fast a corner may be passed is the least of what each corner around allows: its own greatest squared
speed and what the machine gains or loses on the way, 2 x acceleration x distance. So a rest is felt up to
where that way is worth the greatest squared speed of the rows there, and not beyond. The rows around each
rest are timed twice, with the rest and without, both times from rest to rest: what the false rests at their
edges cost is then in both, as long as the edges are so far off that neither is felt where the other is.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from twinlapse.arrays import Bool, Float, Int
from twinlapse.gcode.toolpath import Toolpath
from twinlapse.motion.timeline import RowTimes
from twinlapse.motion.timing import time_rows, time_toolpath
from twinlapse.rig.printer import Printer

__all__ = ["rest_losses_s"]

_FIRST_REACH = 128  # rows to both sides; doubled where it is too few
_MOST_SHARE = 0.25  # of the rows; of more, timing them all is as fast
# Ways from rest to full speed that must lie between a rest and an edge: one until the rest is not felt, one
# that a peak may look ahead (Klipper's second look-ahead), one in which the edge is felt. Each may go beyond
# its end by one row, which counts as one way at the most; and the row of the rest stands on both sides of it.
_WAYS = 7.0
_COLUMNS = (
    "kind", "x_mm", "y_mm", "z_mm", "e_mm", "feed_mm_s", "length_mm", "accel_mm_s2", "dwell_s",
)  # fmt: skip


def rest_losses_s(
    toolpath: Toolpath, printer: Printer, rows: Int, end_s: Float, *, first_reach: int = _FIRST_REACH
) -> Float:
    """Return what each of some rests costs the print, because it brakes before and speeds up again behind.

    Parameters
    ----------
    toolpath : Toolpath
    printer : Printer
    rows : ndarray of int, of shape (m,)
        Rows, rising, behind which the machine comes to rest.
    end_s : ndarray of float
        Print time at the end of each row, without the rests.
    first_reach : int, optional
        Rows to both sides of each rest that are looked at first.

    Returns
    -------
    ndarray of float, of shape (m,)
        Seconds; what a row between two rests loses counts for the nearer.
    """
    if not len(rows):
        return np.empty(0)
    between = (rows[:-1] + rows[1:]) // 2
    reach = np.full(len(rows), first_reach)
    while True:
        near = _rows_around(rows, reach, len(toolpath))
        if len(near) > _MOST_SHARE * len(toolpath):
            late_s = time_toolpath(toolpath, printer, rest_rows=rows).end_s - end_s
            return np.maximum(np.diff(np.concatenate([[0.0], late_s[between], late_s[-1:]])), 0.0)
        some, edges = _part(toolpath, near), _edges(near)
        at = np.searchsorted(near, rows)
        free = time_rows(some, printer, edges)
        enough = _is_enough(free, at, reach, rows, len(toolpath))
        if enough.all():
            break
        reach[~enough] *= 2
    resting = time_rows(some, printer, np.sort(np.concatenate([edges, at])))
    nearest = np.searchsorted(between, near)
    return np.maximum(np.bincount(nearest, resting.seconds - free.seconds, minlength=len(rows)), 0.0)


def _rows_around(rows: Int, reach: Int, count: int) -> Int:
    """Return the rows that are near to some, and the row before each stretch, which says where it begins."""
    near = np.zeros(count, bool)
    for first, stop in zip(
        np.maximum(rows - reach - 1, 0).tolist(), (rows + reach + 1).tolist(), strict=True
    ):
        near[first:stop] = True
    return np.flatnonzero(near)


def _edges(near: Int) -> Int:
    """Return the places in `near` of the first and the last row of each stretch, but for the file's ends.

    The first row begins at another place than in the file; behind a rest that does not matter.
    """
    last = np.flatnonzero(np.diff(near) > 1)
    begin = np.zeros(int(near[0] > 0), np.int64)
    return np.sort(np.concatenate([begin, last, last + 1]))


def _part(toolpath: Toolpath, near: Int) -> Toolpath:
    """Return a toolpath that has for its timing those rows alone; what is set before one is set at it."""
    columns = {name: getattr(toolpath, name)[near] for name in _COLUMNS}
    arc_at = np.minimum(np.searchsorted(near, toolpath.arc_row), len(near) - 1)
    kept = near[arc_at] == toolpath.arc_row
    return replace(
        toolpath,
        **columns,
        arc_row=arc_at[kept],
        arc=toolpath.arc[kept],
        setting_row=np.searchsorted(near, toolpath.setting_row),
    ).read_only()


def _is_enough(free: RowTimes, at: Int, reach: Int, rows: Int, count: int) -> Bool:
    """Return whether the rows to both sides of each rest hold ways enough, or reach to the file's end."""
    first = at - np.minimum(reach, rows)
    stop = at + np.minimum(reach, count - 1 - rows) + 1
    before = _holds_ways(free, first, at + 1) | (rows <= reach)
    return before & (_holds_ways(free, at, stop) | (rows + reach >= count - 1))


def _holds_ways(free: RowTimes, first: Int, stop: Int) -> Bool:
    """Return whether the rows from `first` to before `stop` hold ways enough from rest to full speed."""
    lengths = stop - first
    begins = np.cumsum(lengths) - lengths
    which = np.repeat(first - begins, lengths) + np.arange(int(lengths.sum()))
    distance = free.distance[which].astype(float)
    speed2, accel = (
        np.where(distance > 0, column[which], 0).astype(float) for column in (free.speed2, free.accel)
    )
    gain = 2.0 * accel * distance
    most = np.maximum.reduceat(speed2, begins)
    ways = np.add.reduceat(np.minimum(gain, np.repeat(most, lengths)), begins)
    return np.asarray((most > 0) & (ways >= _WAYS * most))
