"""The look-ahead planner: plain loops over the columns of a toolpath, compiled.

A corner has a greatest speed. A move cannot start faster than it could brake for the corners behind it
(backward pass), nor than the moves before it could accelerate to (forward pass). Between its corners a move
is a trapezoid. Speeds are kept as squares, in which both passes are straight lines.
"""

from __future__ import annotations

from math import inf, sqrt
from typing import Any

from twinlapse.gcode.toolpath import Kind, Setting
from twinlapse.jit import kernel, part_of_kernel

JUNCTION, SQUARE, JERK = range(3)  # corner rules
LIMITS = len(Setting)  # `limit` holds one value a Setting

_WIPE = int(Kind.WIPE)  # it and all kinds before it move by their words
_FW_RETRACT, _FW_PRIME = int(Kind.FW_RETRACT), int(Kind.FW_PRIME)
_HOME, _DWELL, _TOOL = int(Kind.HOME), int(Kind.DWELL), int(Kind.TOOL)
_ACCEL_X, _FEED_X = int(Setting.MAX_ACCEL_X), int(Setting.MAX_FEED_X)  # y, z, e follow
_JERK_X, _DEVIATION, _SCV = int(Setting.JERK_X), int(Setting.JUNCTION_DEVIATION), int(Setting.SQUARE_CORNER)
_FACTOR, _SPEED = int(Setting.SPEED_FACTOR), int(Setting.MAX_SPEED)
_FW_LENGTH, _FW_SPEED = int(Setting.RETRACT_LENGTH), int(Setting.RETRACT_SPEED)
_SQRT2 = sqrt(2.0)
_EPS = 1e-9


@part_of_kernel
def corner_speed2(rule: int, limit: Any, before: Any, way: Any, room_mm: float, accel: float) -> float:
    """Return the greatest squared speed at the corner between two directions.

    Junction deviation: v^2 = a d s / (1 - s), s the sine of half the angle between the reversed entry and
    the exit (grbl and Marlin, planner.cpp). The square-corner speed (Klipper, docs/Kinematics.md) is the
    same with d = v90^2 (sqrt(2) - 1) / a. Both also keep the turn below the centripetal acceleration of an
    arc that fits into half of the shorter move (Klipper, toolhead.py; Marlin, JD_HANDLE_SMALL_SEGMENTS).
    Jerk: no axis changes its speed by more than its jerk.
    """
    if rule == JERK:
        most = inf
        for k in range(3):
            change = abs(way[k] - before[k])
            if change > _EPS:
                most = min(most, limit[_JERK_X + k] / change)
        return most * most
    cosine = before[0] * way[0] + before[1] * way[1] + before[2] * way[2]
    if cosine > 1.0 - _EPS:
        return inf
    sine = sqrt(max(0.0, (1.0 + cosine) / 2.0))
    deviation = limit[_SCV] * limit[_SCV] * (_SQRT2 - 1.0) / accel if rule == SQUARE else limit[_DEVIATION]
    by_rule = accel * deviation * sine / (1.0 - sine)
    tangent = sine / sqrt(max(_EPS, (1.0 - cosine) / 2.0))
    by_room = 0.5 * room_mm * tangent * accel
    return by_rule if by_rule < by_room else by_room


@part_of_kernel
def arc_tangents(arc: Any, start: Any, end: Any, way: Any, out: Any) -> float:
    """Set the directions in which an arc begins and ends, and return its radius."""
    plane = int(arc[3])
    a = 0 if plane == 0 else (2 if plane == 1 else 1)
    b = 1 if plane == 0 else (0 if plane == 1 else 2)
    c = 3 - a - b
    ra, rb = start[a] - arc[0], start[b] - arc[1]
    qa, qb = end[a] - arc[0], end[b] - arc[1]
    radius = sqrt(ra * ra + rb * rb)
    along = abs(arc[2]) * radius
    rise = end[c] - start[c]
    whole = sqrt(along * along + rise * rise)
    flat = along / whole / max(radius, _EPS) if whole > 0.0 else 0.0
    if arc[2] < 0.0:
        flat = -flat
    way[a], way[b], way[c] = -rb * flat, ra * flat, rise / max(whole, _EPS)
    out[a], out[b], out[c] = -qb * flat, qa * flat, way[c]
    return radius


@part_of_kernel
def axis_limited(value: float, limit: Any, first: int, step: Any, distance: float) -> float:
    """Return a speed or an acceleration along a move, lowered until no axis (x, y, z, e) passes its own."""
    for k in range(4):
        share = abs(step[k]) / distance
        if share * value > limit[first + k]:
            value = limit[first + k] / share
    return value


@kernel
def corner_limits(
    kind: Any, x: Any, y: Any, z: Any, e: Any, feed: Any, length: Any, accel: Any, dwell: Any, arc_row: Any,
    arc: Any, set_row: Any, set_kind: Any, set_value: Any, rest: Any, limit: Any, rule: int,
    accel_mm_s2: float, distance: Any, speed2: Any, accel_out: Any, entry2: Any, seconds: Any,
) -> None:  # fmt: skip
    """Fill, a row: the way it goes, its greatest squared speed, its acceleration, the limit at its start.

    ``rest`` lists rows, rising, after which the machine comes to rest whatever they are. ``seconds`` gets the
    time of what does not move.
    """
    before, way, out = [0.0, 0.0, 0.0], [0.0, 0.0, 0.0], [0.0, 0.0, 0.0]
    start, end, step = [0.0, 0.0, 0.0], [0.0, 0.0, 0.0], [0.0, 0.0, 0.0, 0.0]
    rolling = False  # the machine may arrive here at speed
    room, before_speed2, before_accel = 0.0, 0.0, 0.0
    next_arc, next_set, next_rest = 0, 0, 0
    for i in range(len(kind)):
        while next_set < len(set_row) and set_row[next_set] <= i:
            limit[set_kind[next_set]] = set_value[next_set]
            next_set += 1
        what = kind[i]
        end[0], end[1], end[2] = x[i], y[i], z[i]
        distance[i], entry2[i], seconds[i] = 0.0, 0.0, 0.0
        v = feed[i] * limit[_FACTOR]
        d = 0.0
        if what <= _WIPE:
            d = length[i]
            for k in range(3):
                step[k] = end[k] - start[k]
            step[3] = e[i]
            if d < _EPS:
                d = abs(e[i])
        elif what in (_FW_RETRACT, _FW_PRIME):
            d, v = limit[_FW_LENGTH], limit[_FW_SPEED]
            step[0], step[1], step[2], step[3] = 0.0, 0.0, 0.0, d
        elif what == _DWELL:
            seconds[i] = dwell[i]
        if d > _EPS:
            moves = what <= _WIPE and length[i] >= _EPS
            a = accel[i] if accel[i] > 0.0 else accel_mm_s2
            radius = inf
            is_arc = next_arc < len(arc_row) and arc_row[next_arc] == i
            if is_arc:
                radius = arc_tangents(arc[next_arc], start, end, way, out)
            elif moves:
                for k in range(3):
                    way[k] = step[k] / d
                    out[k] = way[k]
            a = axis_limited(a, limit, _ACCEL_X, step, d)
            v = axis_limited(min(v if v > 0.0 else 1.0, limit[_SPEED]), limit, _FEED_X, step, d)
            v2 = min(v * v, a * radius)
            if moves and rolling:
                least = min(a, before_accel)
                free = corner_speed2(rule, limit, before, way, min(room, d), least)
                entry2[i] = min(free, v2, before_speed2)
            distance[i], speed2[i], accel_out[i] = d, v2, a
            rolling, room, before_speed2, before_accel = moves, d, v2, a
            before[0], before[1], before[2] = out[0], out[1], out[2]
        elif what in (_DWELL, _HOME, _TOOL):
            rolling = False
        if is_at(arc_row, next_arc, i):
            next_arc += 1
        while next_rest < len(rest) and rest[next_rest] <= i:
            next_rest += 1
            rolling = False
        start[0], start[1], start[2] = end[0], end[1], end[2]


@part_of_kernel
def is_at(rows: Any, k: int, i: int) -> bool:
    """Return whether the k-th of some rows is row i."""
    return k < len(rows) and rows[k] == i


@kernel
def run_passes(distance: Any, speed2: Any, accel: Any, entry2: Any, seconds: Any) -> None:
    """Lower the speeds at the corners until they can be kept, and add each move's time to ``seconds``."""
    leave2 = 0.0
    for i in range(len(distance) - 1, -1, -1):
        if distance[i] > 0.0:
            entry2[i] = min(entry2[i], leave2 + 2.0 * accel[i] * distance[i])
            leave2 = entry2[i]
    last = -1
    for i in range(len(distance)):
        if distance[i] > 0.0:
            if last >= 0:
                entry2[i] = min(entry2[i], entry2[last] + 2.0 * accel[last] * distance[last])
                seconds[last] += trapezoid_s(
                    distance[last], speed2[last], accel[last], entry2[last], entry2[i]
                )
            last = i
    if last >= 0:
        seconds[last] += trapezoid_s(distance[last], speed2[last], accel[last], entry2[last], 0.0)


@part_of_kernel
def trapezoid_s(distance: float, speed2: float, accel: float, entry2: float, leave2: float) -> float:
    """Return the seconds of a move that speeds up, cruises and brakes; all speeds squared."""
    peak2 = max(min(speed2, accel * distance + (entry2 + leave2) / 2.0), entry2, leave2)
    peak, entry, leave = sqrt(peak2), sqrt(entry2), sqrt(leave2)
    cruise = distance - (2.0 * peak2 - entry2 - leave2) / (2.0 * accel)
    return (2.0 * peak - entry - leave) / accel + max(0.0, cruise) / peak
