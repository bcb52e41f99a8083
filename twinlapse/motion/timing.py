"""Seconds of every row of a toolpath, and of a few moves from rest to rest."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from twinlapse.gcode.state import setting_after
from twinlapse.gcode.toolpath import Kind, Setting, Toolpath
from twinlapse.motion import lookahead
from twinlapse.motion.timeline import RowTimes, Timeline
from twinlapse.rig.printer import Printer

__all__ = [
    "JERK_Z_MM_S",
    "KLIPPER_CROSS_SECTION",
    "KLIPPER_CRUISE_RATIO",
    "KLIPPER_E_CORNER_MM_S",
    "filament_s",
    "limits_at",
    "limits_of",
    "moves_s",
    "paths_s",
    "straight_s",
    "time_rows",
    "time_toolpath",
]

# Marlin's default for Z (Configuration.h, DEFAULT_ZJERK); a rig's jerk is for X and Y
JERK_Z_MM_S = 0.3
# Klipper's defaults (docs/Config_Reference.md): max_extrude_cross_section is 4 x nozzle_diameter^2, and the
# speed and acceleration of the filament alone follow from it; minimum_cruise_ratio; and
# instantaneous_corner_velocity
KLIPPER_CROSS_SECTION = 4.0
KLIPPER_CRUISE_RATIO = 0.5
KLIPPER_E_CORNER_MM_S = 1.0
# what Klipper does not read: its limits stand in its own configuration (docs/G-Codes.md)
_NOT_KLIPPER = {
    *range(Setting.MAX_ACCEL_X, Setting.JUNCTION_DEVIATION + 1),
    int(Setting.RETRACT_LENGTH),
    int(Setting.RETRACT_SPEED),
}
_KLIPPER_ALONE = {int(Setting.SQUARE_CORNER), int(Setting.MIN_CRUISE_RATIO), int(Setting.MAX_SPEED)}
_WAITS = {int(Setting.HEAT_WAIT), int(Setting.PAUSE)}
# settings that do not change how the machine moves, by whether it runs Klipper
_UNHEARD = {True: frozenset(_WAITS | _NOT_KLIPPER), False: frozenset(_WAITS | _KLIPPER_ALONE)}
_TRAVEL = int(Kind.TRAVEL)
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
        Rows, rising, after which the machine comes to rest, as it does where a shot is inserted.

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
    seconds = time_rows(toolpath, printer, rest_rows).seconds
    end_s = np.cumsum(seconds, out=seconds)
    end_s.flags.writeable = False
    waits_s = float(toolpath.dwell_s[toolpath.kind == Kind.DWELL].sum(dtype=float))
    return Timeline(end_s=end_s, print_s=float(end_s[-1]) if len(end_s) else 0.0, waits_s=waits_s)


def time_rows(toolpath: Toolpath, printer: Printer, rest_rows: NDArray[np.int64]) -> RowTimes:
    """Return how long each row lasts, and by what; see `time_toolpath`."""
    n = len(toolpath)
    distance, speed2, accel, entry2 = (np.empty(n, np.float32) for _ in range(4))
    rule, limit = limits_of(printer)
    smooth, smooth2 = (np.empty(n if rule == lookahead.SQUARE else 0, np.float32) for _ in range(2))
    seconds = np.empty(n)
    waits = np.isin(toolpath.setting_kind, (Setting.HEAT_WAIT, Setting.PAUSE))
    heard = _heard(toolpath.firmware, toolpath.setting_kind)
    rest = np.sort(np.concatenate([toolpath.setting_row[waits], np.asarray(rest_rows, np.int64)]))
    lookahead.corner_limits(
        toolpath.kind, toolpath.x_mm, toolpath.y_mm, toolpath.z_mm, toolpath.e_mm, toolpath.feed_mm_s,
        toolpath.length_mm, toolpath.accel_mm_s2, toolpath.dwell_s, toolpath.arc_row, toolpath.arc,
        toolpath.setting_row[heard], toolpath.setting_kind[heard], toolpath.setting_value[heard], rest, limit,
        rule, printer.accel_mm_s2, distance, speed2, accel, smooth, entry2, seconds,
        np.zeros((6, 4)),
    )  # fmt: skip
    _run_passes(rule, distance, speed2, accel, smooth, entry2, smooth2, seconds)
    _follow_measured(printer, seconds, toolpath.kind)
    weakest = smooth if rule == lookahead.SQUARE else accel
    return RowTimes(seconds=seconds, distance=distance, speed2=speed2, accel=weakest)


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
    return paths_s([points_mm], [speeds_mm_s], printer, accel_mm_s2=accel_mm_s2, limits=limits)


def paths_s(
    paths_mm: Sequence[Sequence[tuple[float, float, float]]],
    speeds_mm_s: Sequence[Sequence[float]],
    printer: Printer,
    *,
    accel_mm_s2: float | None = None,
    limits: tuple[int, NDArray[np.float64]] | None = None,
) -> float:
    """Return the seconds of several paths, each from rest to rest, together; see `moves_s`.

    Each path begins where the one before ends.
    """
    places, feed, length, rests = [paths_mm[0][0]], [1.0], [0.0], []
    for path, speeds in zip(paths_mm, speeds_mm_s, strict=True):
        for place, speed in zip(path[1:], speeds, strict=True):
            way_mm = math.dist(places[-1], place)
            if way_mm > 1e-9:
                places.append(place)
                feed.append(speed)
                length.append(way_mm)
        rests.append(len(places) - 1)
    if len(places) < 2:
        return 0.0
    kinds = np.full(len(places), _TRAVEL, np.uint8)
    given = _given(feed, length, accel_mm_s2)
    e = np.zeros(len(places))
    return _rows_s(kinds, np.array(places).T.copy(), e, given, np.array(rests), printer, limits)


def filament_s(
    length_mm: float,
    speed_mm_s: float,
    printer: Printer,
    *,
    accel_mm_s2: float | None = None,
    limits: tuple[int, NDArray[np.float64]] | None = None,
) -> float:
    """Return the seconds of a retraction or a priming move alone, from rest to rest; see `moves_s`."""
    if length_mm <= 0:
        return 0.0
    kinds = np.full(2, int(Kind.RETRACT), np.uint8)
    given = _given([1.0, speed_mm_s], [0.0, 0.0], accel_mm_s2)
    e = np.array([0.0, -length_mm])
    return _rows_s(kinds, np.zeros((3, 2)), e, given, _NO_ROWS, printer, limits)


def _given(feed: Sequence[float], length: Sequence[float], accel_mm_s2: float | None) -> NDArray[np.float32]:
    """Return columns of a few rows: feed, length, acceleration, and dwell (4, m)."""
    count = len(feed)
    return np.array([feed, length, [accel_mm_s2 or 0.0] * count, [0.0] * count], np.float32)


def _rows_s(
    kind: NDArray[np.uint8],
    places: NDArray[np.float64],
    e: NDArray[np.float64],
    given: NDArray[np.float32],
    rests: NDArray[np.int64],
    printer: Printer,
    limits: tuple[int, NDArray[np.float64]] | None,
) -> float:
    """Return the seconds of a few rows, places (3, m), see `_given`; the first is where they begin."""
    rule, limit = limits or limits_of(printer)
    for column in (kind, places, e, given):  # as a toolpath's are: one kernel serves both
        column.flags.writeable = False
    (x, y, z), (feeds, lengths, own, still) = places, given
    distance, speed2, accel, entry2, smooth, smooth2 = np.empty((6, len(kind)), np.float32)
    seconds = np.empty(len(kind))
    lookahead.corner_limits(
        kind, x, y, z, e, feeds, lengths, own, still, _NO_ARC_ROWS, _NO_ARCS, _NO_ROWS, _NO_KINDS,
        _NO_VALUES, rests, limit.copy(), rule, printer.accel_mm_s2, distance, speed2, accel, smooth, entry2,
        seconds, np.zeros((6, 4)),
    )  # fmt: skip
    _run_passes(rule, distance, speed2, accel, smooth, entry2, smooth2, seconds)
    _follow_measured(printer, seconds, kind)
    return float(seconds.sum())


def _follow_measured(printer: Printer, seconds: NDArray[np.float64], kind: NDArray[np.uint8]) -> None:
    """Let what moves last as long as was measured on the machine (`twinlapse rig timing`)."""
    if printer.limits.travel_factor != 1.0:
        np.multiply(seconds, printer.limits.travel_factor, out=seconds, where=kind != Kind.DWELL)


def _run_passes(rule: int, *columns: NDArray[Any]) -> None:
    """Run the passes of a corner rule over distance, speed2, accel, smooth, entry2, smooth2, seconds."""
    distance, speed2, accel, smooth, entry2, smooth2, seconds = columns
    if rule == lookahead.SQUARE:
        lookahead.run_smoothed_passes(distance, speed2, accel, smooth, entry2, smooth2, seconds)
    else:
        lookahead.run_passes(distance, speed2, accel, entry2, seconds)


def straight_s(distance_mm: float, speed_mm_s: float, accel_mm_s2: float) -> float:
    """Return the seconds of one move from rest to rest."""
    if distance_mm <= 0:
        return 0.0
    peak = min(speed_mm_s, math.sqrt(accel_mm_s2 * distance_mm))
    return peak / accel_mm_s2 + distance_mm / peak


def limits_of(printer: Printer) -> tuple[int, NDArray[np.float64]]:
    """Return the corner rule of a printer and its limits by Setting, before the file changes any."""
    limit = np.full(lookahead.LIMITS, np.inf)
    rule, values = _corner(printer)
    own = printer.limits
    named = {
        Setting.MAX_SPEED: own.speed_mm_s,
        Setting.MAX_FEED_X: own.x_mm_s,
        Setting.MAX_FEED_Y: own.y_mm_s,
        Setting.MAX_FEED_Z: own.z_mm_s,
        Setting.MAX_ACCEL_X: own.x_mm_s2,
        Setting.MAX_ACCEL_Y: own.y_mm_s2,
        Setting.TRAVEL_ACCEL: own.travel_mm_s2,
        Setting.RETRACT_ACCEL: own.retract_mm_s2,
    }
    for kind, value in named.items():
        limit[kind] = math.inf if value is None else value
    limit[Setting.MAX_ACCEL_Z] = printer.accel_z_mm_s2
    limit[Setting.SPEED_FACTOR] = 1.0
    limit[Setting.RETRACT_LENGTH] = printer.retract_mm
    limit[Setting.RETRACT_SPEED] = printer.retract_mm_s
    limit[Setting.MIN_CRUISE_RATIO] = _or(own.min_cruise_ratio, 0.0)
    if printer.firmware == "klipper":
        _set_klipper(printer, limit)
    else:
        limit[Setting.MAX_FEED_E] = _or(own.e_mm_s, math.inf)
        limit[Setting.MAX_ACCEL_E] = _or(own.e_mm_s2, math.inf)
    for kind, value in values.items():
        limit[kind] = value
    return rule, limit


def _set_klipper(printer: Printer, limit: NDArray[np.float64]) -> None:
    """Set what Klipper takes where its configuration says nothing (docs/Config_Reference.md, [extruder])."""
    own = printer.limits
    share = KLIPPER_CROSS_SECTION * printer.nozzle_mm**2 / (math.pi / 4 * printer.filament_mm**2)
    limit[Setting.MIN_CRUISE_RATIO] = _or(own.min_cruise_ratio, KLIPPER_CRUISE_RATIO)
    limit[lookahead.E_ONLY_SPEED] = _or(own.e_mm_s, _or(own.speed_mm_s, math.inf) * share)
    limit[lookahead.E_ONLY_ACCEL] = _or(own.e_mm_s2, printer.accel_mm_s2 * share)
    limit[lookahead.E_CORNER] = _or(own.e_corner_mm_s, KLIPPER_E_CORNER_MM_S)


def _or(value: float | None, default: float) -> float:
    return default if value is None else value


def limits_at(toolpath: Toolpath, printer: Printer, row: int) -> tuple[int, NDArray[np.float64]]:
    """Return the corner rule and the limits in force after a row."""
    rule, limit = limits_of(printer)
    for kind in toolpath.by_setting():
        if kind not in _UNHEARD[toolpath.firmware == "klipper"]:
            limit[kind] = setting_after(toolpath, row, kind, float(limit[kind]))
    return rule, limit


def _heard(firmware: str, kinds: NDArray[np.uint8]) -> NDArray[np.bool_]:
    """Return which settings change how the machine moves."""
    return np.isin(kinds, list(_UNHEARD[firmware == "klipper"]), invert=True)


def _corner(printer: Printer) -> tuple[int, dict[Setting, float]]:
    corner = printer.cornering
    if corner.jerk_mm_s is not None:
        jerk = {Setting.JERK_X: corner.jerk_mm_s, Setting.JERK_Y: corner.jerk_mm_s}
        z_mm_s = _or(printer.limits.z_jerk_mm_s, min(JERK_Z_MM_S, corner.jerk_mm_s))
        return lookahead.JERK, {**jerk, Setting.JERK_Z: z_mm_s}
    if corner.square_corner_mm_s is not None:
        return lookahead.SQUARE, {Setting.SQUARE_CORNER: corner.square_corner_mm_s}
    return lookahead.JUNCTION, {Setting.JUNCTION_DEVIATION: corner.junction_deviation_mm or 0.02}
