"""Seconds of every row of a toolpath, and of a few moves from rest to rest."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from twinlapse.gcode.toolpath import Kind, Setting, Toolpath
from twinlapse.motion import lookahead
from twinlapse.motion.timeline import Timeline
from twinlapse.rig.model import Cornering, Printer

# Marlin's default for Z (Configuration.h, DEFAULT_ZJERK); a rig's jerk is for X and Y
JERK_Z_MM_S = 0.3
# what Klipper does not read: its limits stand in its own configuration (docs/G-Codes.md)
_NOT_KLIPPER = (int(Setting.MAX_ACCEL_X), int(Setting.JUNCTION_DEVIATION))  # first and last
_HEAT_WAIT, _PAUSE = int(Setting.HEAT_WAIT), int(Setting.PAUSE)
_NO_ROWS, _NO_KINDS, _NO_VALUES = np.empty(0, np.int64), np.empty(0, np.uint8), np.empty(0)
_NO_ARC_ROWS, _NO_ARCS = np.empty(0, np.int64), np.empty((0, 4))
for _column in (_NO_ARC_ROWS, _NO_ARCS):
    _column.flags.writeable = False


def time_toolpath(
    toolpath: Toolpath, printer: Printer, *, rest_rows: NDArray[np.int64] = _NO_ROWS
) -> Timeline:
    """Return when each row ends on a printer.

    Parameters
    ----------
    toolpath : Toolpath
    printer : Printer
        Gives accelerations and the corner rule where the file does not.
    rest_rows : ndarray of int, optional
        Rows, rising, after which the machine comes to rest, as it does where a shot is woven in.

    Notes
    -----
    Moves of the filament alone, dwells, homing, tool changes, waits for heat and for a person bring the
    machine to rest. Homing, tool changes and those waits are not counted: how long they last is not in the
    file. The whole file is looked ahead; a firmware looks some 16 to 1,000 moves ahead and is slower where
    moves are tiny.

    References
    ----------
    Trapezoids with look-ahead as in grbl, Marlin (planner.cpp) and Klipper (docs/Kinematics.md).
    """
    n = len(toolpath)
    distance, speed2, accel, entry2 = (np.empty(n, np.float32) for _ in range(4))
    seconds = np.empty(n)
    waits = np.isin(toolpath.setting_kind, (Setting.HEAT_WAIT, Setting.PAUSE))
    heard = _heard(toolpath.firmware, toolpath.setting_kind)
    rest = np.union1d(toolpath.setting_row[waits], np.asarray(rest_rows, np.int64))
    rule, limit = limits_of(printer)
    lookahead.corner_limits(
        toolpath.kind, toolpath.x_mm, toolpath.y_mm, toolpath.z_mm, toolpath.e_mm, toolpath.feed_mm_s,
        toolpath.length_mm, toolpath.accel_mm_s2, toolpath.dwell_s, toolpath.arc_row, toolpath.arc,
        toolpath.setting_row[heard], toolpath.setting_kind[heard], toolpath.setting_value[heard], rest, limit,
        rule, printer.accel_mm_s2, distance, speed2, accel, entry2, seconds,
    )  # fmt: skip
    lookahead.run_passes(distance, speed2, accel, entry2, seconds)
    end_s = np.cumsum(seconds, out=seconds)
    end_s.flags.writeable = False
    waits_s = float(toolpath.dwell_s[toolpath.kind == Kind.DWELL].sum(dtype=float))
    return Timeline(end_s=end_s, print_s=float(end_s[-1]) if n else 0.0, waits_s=waits_s)


def moves_s(
    points_mm: Sequence[tuple[float, float, float]],
    speeds_mm_s: Sequence[float],
    printer: Printer,
    *,
    accel_mm_s2: float | None = None,
    limits: tuple[int, NDArray[np.float64]] | None = None,
) -> float:
    """Return the seconds of straight moves through m + 1 points at m speeds, from rest to rest.

    Parameters
    ----------
    points_mm : sequence of (x, y, z)
    speeds_mm_s : sequence of float
    printer : Printer
    accel_mm_s2 : float, optional
        The printer's own when left out or 0.
    limits : tuple, optional
        From `limits_at`, where the file has set limits; the printer's own when left out.
    """
    places = np.asarray(points_mm, float)
    steps = np.diff(places, axis=0)
    length = np.sqrt((steps**2).sum(axis=1))
    kept = np.concatenate([[True], length > 1e-9])
    places, feed = places[kept], np.asarray(speeds_mm_s, np.float32)[kept[1:]]
    count = len(feed)
    if not count:
        return 0.0
    rule, limit = limits or limits_of(printer)
    kind, still = np.zeros(count + 1, np.uint8), np.zeros(count + 1, np.float32)
    x, y, z = (np.ascontiguousarray(places[:, k]) for k in range(3))
    e, feed = np.zeros(count + 1), np.concatenate([[np.float32(1)], feed])
    length = np.concatenate([[0.0], length[kept[1:]]]).astype(np.float32)
    for column in (
        kind,
        x,
        y,
        z,
        e,
        feed,
        length,
        still,
    ):  # as a toolpath's are: one compiled kernel serves both
        column.flags.writeable = False
    distance, speed2, accel, entry2 = (np.empty(count + 1, np.float32) for _ in range(4))
    seconds = np.empty(count + 1)
    lookahead.corner_limits(
        kind, x, y, z, e, feed, length, still, still, _NO_ARC_ROWS, _NO_ARCS, _NO_ROWS, _NO_KINDS, _NO_VALUES,
        _NO_ROWS, limit, rule, accel_mm_s2 or printer.accel_mm_s2, distance, speed2, accel, entry2, seconds,
    )  # fmt: skip
    lookahead.run_passes(distance, speed2, accel, entry2, seconds)
    return float(seconds.sum())


def straight_s(distance_mm: float, speed_mm_s: float, accel_mm_s2: float) -> float:
    """Return the seconds of one move from rest to rest."""
    if distance_mm <= 0:
        return 0.0
    peak = min(speed_mm_s, math.sqrt(accel_mm_s2 * distance_mm))
    return peak / accel_mm_s2 + distance_mm / peak


def limits_of(printer: Printer) -> tuple[int, NDArray[np.float64]]:
    """Return the corner rule of a printer and its limits by Setting, before the file changes any."""
    limit = np.full(lookahead.LIMITS, np.inf)
    rule, values = _corner(printer.cornering)
    limit[Setting.MAX_ACCEL_Z] = printer.accel_z_mm_s2
    limit[Setting.SPEED_FACTOR] = 1.0
    limit[Setting.RETRACT_LENGTH] = printer.retract_mm
    limit[Setting.RETRACT_SPEED] = printer.retract_mm_s
    for kind, value in values.items():
        limit[kind] = value
    return rule, limit


def limits_at(toolpath: Toolpath, printer: Printer, row: int) -> tuple[int, NDArray[np.float64]]:
    """Return the corner rule and the limits in force after a row."""
    rule, limit = limits_of(printer)
    end = int(np.searchsorted(toolpath.setting_row, row, "right"))
    kinds, values = toolpath.setting_kind[:end], toolpath.setting_value[:end]
    heard = _heard(toolpath.firmware, kinds)
    limit[kinds[heard]] = values[heard]  # of several for one kind the last one stays
    return rule, limit


def _heard(firmware: str, kinds: NDArray[np.uint8]) -> NDArray[np.bool_]:
    """Return which settings change how the machine moves."""
    heard = (kinds != _HEAT_WAIT) & (kinds != _PAUSE)
    if firmware == "klipper":
        heard &= (kinds < _NOT_KLIPPER[0]) | (kinds > _NOT_KLIPPER[1])
    return np.asarray(heard)


def _corner(corner: Cornering) -> tuple[int, dict[Setting, float]]:
    if corner.jerk_mm_s is not None:
        jerk = {Setting.JERK_X: corner.jerk_mm_s, Setting.JERK_Y: corner.jerk_mm_s}
        return lookahead.JERK, {**jerk, Setting.JERK_Z: min(JERK_Z_MM_S, corner.jerk_mm_s)}
    if corner.square_corner_mm_s is not None:
        return lookahead.SQUARE, {Setting.SQUARE_CORNER: corner.square_corner_mm_s}
    return lookahead.JUNCTION, {Setting.JUNCTION_DEVIATION: corner.junction_deviation_mm or 0.02}
