"""Where the machine is at which time of a written file, for those who look at pictures of it."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from twinlapse.gcode.toolpath import Toolpath
from twinlapse.machine_course import MachineCourse
from twinlapse.motion.timing import time_toolpath
from twinlapse.rig.printer import Printer

__all__ = ["course_of"]


def course_of(
    path: Toolpath, printer: Printer, stops: Sequence[tuple[int, int]], rows: Sequence[int]
) -> MachineCourse:
    """Return the course of a written file.

    Parameters
    ----------
    path : Toolpath
    printer : Printer
    stops : sequence of (shot, stop)
        In file order.
    rows : sequence of int
        The last row of the toolpath before each stop's cue.
    """
    end_s = np.asarray(time_toolpath(path, printer).end_s, dtype=np.float64)
    moving = np.flatnonzero(path.length_mm > 1e-6)
    places = np.searchsorted(moving, np.asarray(rows, dtype=np.int64), "right")
    starts = np.array([end_s[moving[k - 1]] if k else 0.0 for k in places])
    ends = np.array([end_s[int(moving[k]) - 1] if k < len(moving) else end_s[-1] for k in places])
    xyz = np.column_stack([path.x_mm, path.y_mm, path.z_mm]).astype(np.float64)
    finite = np.isfinite(xyz).all(axis=1)
    return MachineCourse(
        stops=tuple(stops),
        start_s=starts,
        end_s=ends,
        length_s=float(end_s[-1]) if len(end_s) else 0.0,
        time_s=end_s[finite],
        place_mm=xyz[finite],
    )
