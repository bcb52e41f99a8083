"""The look-ahead planner: plain loops over the columns of a toolpath, compiled.

A corner has a greatest speed. A move cannot start faster than it could brake for the corners behind it
(backward pass), nor than the moves before it could accelerate to (forward pass). Between its corners a move
is a trapezoid. Speeds are kept as squares, in which both passes are straight lines.

Klipper's rules (klippy/toolhead.py; kinematics/extruder.py) differ in four points, all under the square
corner: the deviation at a corner comes from the acceleration that is commanded, not from what Z leaves of it;
moves of the filament alone have limits of their own and begin and end at rest; a change of the filament's
share at a corner bounds its speed; and of short moves only a share may be spent speeding up and braking
(`minimum_cruise_ratio`), for which a second look-ahead runs at a lower acceleration.
"""

from __future__ import annotations

from math import inf, sqrt
from typing import Any

from twinlapse.gcode.toolpath import Kind, Setting
from twinlapse.jit import kernel, part_of_kernel

__all__ = [
    "E_CORNER",
    "E_ONLY_ACCEL",
    "E_ONLY_SPEED",
    "JERK",
    "JUNCTION",
    "LIMITS",
    "SQUARE",
    "arc_tangents",
    "axis_limited",
    "corner_limits",
    "corner_speed2",
    "default_accel",
    "is_at",
    "move_s",
    "run_passes",
    "run_smoothed_passes",
    "square_corner_speed2",
    "time_waiting",
    "trapezoid_s",
]

JUNCTION, SQUARE, JERK = range(3)  # corner rules
# `limit` holds one value a Setting, and behind them what no file sets
E_ONLY_SPEED, E_ONLY_ACCEL, E_CORNER = (len(Setting) + k for k in range(3))
LIMITS = len(Setting) + 3

_WIPE = int(Kind.WIPE)  # it and all kinds before it move by their words
_FW_RETRACT, _FW_PRIME = int(Kind.FW_RETRACT), int(Kind.FW_PRIME)
_TRAVEL, _RETRACT, _PRIME = int(Kind.TRAVEL), int(Kind.RETRACT), int(Kind.PRIME)
_HOME, _DWELL, _TOOL = int(Kind.HOME), int(Kind.DWELL), int(Kind.TOOL)
_ACCEL_X, _FEED_X = int(Setting.MAX_ACCEL_X), int(Setting.MAX_FEED_X)  # y, z, e follow
_JERK_X, _DEVIATION, _SCV = int(Setting.JERK_X), int(Setting.JUNCTION_DEVIATION), int(Setting.SQUARE_CORNER)
_FACTOR, _SPEED = int(Setting.SPEED_FACTOR), int(Setting.MAX_SPEED)
_RATIO, _RETRACT_ACCEL = int(Setting.MIN_CRUISE_RATIO), int(Setting.RETRACT_ACCEL)
_TRAVEL_ACCEL = int(Setting.TRAVEL_ACCEL)
_FW_LENGTH, _FW_SPEED = int(Setting.RETRACT_LENGTH), int(Setting.RETRACT_SPEED)
_SQRT2 = sqrt(2.0)
_EPS = 1e-9  # mm: shorter is no move (Klipper, toolhead.py)


@part_of_kernel
def corner_speed2(rule: int, limit: Any, before: Any, way: Any, room_mm: float, accel: float) -> float:
    """Return the greatest squared speed at the corner between two directions.

    Junction deviation: v^2 = a d s / (1 - s), s the sine of half the angle between the reversed entry and
    the exit (grbl and Marlin, planner.cpp); the turn also stays below the centripetal acceleration of an arc
    that fits into half of the shorter move (Marlin, JD_HANDLE_SMALL_SEGMENTS). Jerk: no axis changes its
    speed by more than its jerk.
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
    by_rule = accel * limit[_DEVIATION] * sine / (1.0 - sine)
    tangent = sine / sqrt(max(_EPS, (1.0 - cosine) / 2.0))
    by_room = 0.5 * room_mm * tangent * accel
    return by_rule if by_rule < by_room else by_room


@part_of_kernel
def square_corner_speed2(
    before: Any, way: Any, deviation_accel: float, room_accel: float, e_change: float, e_corner: float
) -> float:
    """Return the greatest squared speed at a corner by Klipper's rule (toolhead.py, `calc_junction`).

    ``deviation_accel`` is the lower of deviation x acceleration of the two moves, ``room_accel`` the lower of
    length x acceleration; ``e_change`` is how much the filament's share of the path changes.
    """
    cosine = before[0] * way[0] + before[1] * way[1] + before[2] * way[2]
    if cosine < -0.999999:
        return 0.0
    cosine = min(cosine, 0.999999)
    sine = sqrt(0.5 * (1.0 + cosine))
    tangent = sine / sqrt(0.5 * (1.0 - cosine))
    found = min(sine / (1.0 - sine) * deviation_accel, 0.5 * tangent * room_accel)
    if abs(e_change) > _EPS:
        by_e = e_corner / e_change
        found = min(found, by_e * by_e)
    return found


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
    """Return a speed or an acceleration along a move, limited so that no axis (x y z e) exceeds its own."""
    for k in range(4):
        share = abs(step[k]) / distance
        if share * value > limit[first + k]:
            value = limit[first + k] / share
    return value


@kernel
def corner_limits(
    kind: Any, x: Any, y: Any, z: Any, e: Any, feed: Any, length: Any, accel: Any, dwell: Any, arc_row: Any,
    arc: Any, set_row: Any, set_kind: Any, set_value: Any, rest: Any, limit: Any, rule: int,
    accel_mm_s2: float, distance: Any, speed2: Any, accel_out: Any, smooth_out: Any, entry2: Any,
    seconds: Any, room6: Any,
) -> None:  # fmt: skip
    """Fill, a row: its distance, its greatest squared speed, its accelerations, the limit at its start.

    ``rest`` lists rows, rising, after which the machine comes to rest whatever they are. ``seconds`` gets the
    time of what does not move. ``smooth_out`` is filled under the square corner alone: the acceleration of
    the second look-ahead. ``room6`` is room for six directions and places, (6, 4) zeros.
    """
    before, way, out, start, end, step = room6[0], room6[1], room6[2], room6[3], room6[4], room6[5]
    rolling = False  # the machine may arrive here at speed
    room, before_speed2, before_accel = 0.0, 0.0, 0.0
    before_deviation, before_e = 0.0, 0.0
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
            a = accel[i]
            if not a > 0.0:
                a = default_accel(what, limit, accel_mm_s2)
            radius = inf
            is_arc = next_arc < len(arc_row) and arc_row[next_arc] == i
            if is_arc:
                radius = arc_tangents(arc[next_arc], start, end, way, out)
            elif moves:
                for k in range(3):
                    way[k] = step[k] / d
                    out[k] = way[k]
            v = v if v > 0.0 else 1.0
            if rule == SQUARE:
                asked = a
                deviation = limit[_SCV] * limit[_SCV] * (_SQRT2 - 1.0) / asked
                if moves:
                    v = min(v, limit[_SPEED])
                    a = axis_limited(a, limit, _ACCEL_X, step, d)
                    v = axis_limited(v, limit, _FEED_X, step, d)
                else:
                    a = inf
                upright = not moves or (step[0] == 0.0 and step[1] == 0.0)
                if step[3] < 0.0 or (step[3] != 0.0 and upright):
                    share = abs(step[3]) / d
                    a = min(a, limit[E_ONLY_ACCEL] / share)
                    v = min(v, limit[E_ONLY_SPEED] / share)
                if a == inf:
                    a = asked
                smooth_out[i] = min(a, asked * (1.0 - limit[_RATIO]))
            else:
                deviation = 0.0
                a = axis_limited(a, limit, _ACCEL_X, step, d)
                v = axis_limited(min(v, limit[_SPEED]), limit, _FEED_X, step, d)
            v2 = min(v * v, a * radius)
            if moves and rolling:
                if rule == SQUARE:
                    free = square_corner_speed2(
                        before, way, min(deviation * a, before_deviation), min(room * before_accel, d * a),
                        step[3] / d - before_e, limit[E_CORNER],
                    )  # fmt: skip
                else:
                    free = corner_speed2(rule, limit, before, way, min(room, d), min(a, before_accel))
                entry2[i] = min(free, v2, before_speed2)
            distance[i], speed2[i], accel_out[i] = d, v2, a
            rolling, room, before_speed2, before_accel = moves, d, v2, a
            before_deviation, before_e = deviation * a, step[3] / d
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
def default_accel(what: int, limit: Any, accel: float) -> float:
    """Return the acceleration of a kind of row where the file has commanded none."""
    travel = limit[_TRAVEL_ACCEL] if limit[_TRAVEL_ACCEL] < inf else accel
    if what in (_RETRACT, _PRIME, _FW_RETRACT, _FW_PRIME):
        return limit[_RETRACT_ACCEL] if limit[_RETRACT_ACCEL] < inf else travel
    return travel if what == _TRAVEL else accel


@part_of_kernel
def is_at(rows: Any, k: int, i: int) -> bool:
    """Return whether the k-th of some rows is row i."""
    return k < len(rows) and rows[k] == i


@kernel
def run_passes(distance: Any, speed2: Any, accel: Any, entry2: Any, seconds: Any) -> None:
    """Lower the corner speeds until each can be reached and braked for; add the times to ``seconds``."""
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


@kernel
def run_smoothed_passes(
    distance: Any, speed2: Any, accel: Any, smooth_accel: Any, entry2: Any, smooth2: Any, seconds: Any
) -> None:
    """Do what `run_passes` does, with a second look-ahead that bounds the speed within a move.

    Klipper, toolhead.py, `MoveQueue.flush`: the second look-ahead runs at the lower acceleration; the speed
    that it reaches at its peaks bounds the moves around. ``smooth2`` is room for its speeds.
    """
    last = -1
    for i in range(len(distance)):
        if distance[i] > 0.0:
            smooth2[i] = entry2[i]
            if last >= 0:
                entry2[i] = min(entry2[i], entry2[last] + 2.0 * accel[last] * distance[last])
                reached = smooth2[last] + 2.0 * smooth_accel[last] * distance[last]
                smooth2[i] = min(entry2[i], reached)
            last = i
    peak2, end2, smooth_end2 = 0.0, 0.0, 0.0
    waiting = -1  # the last row of those whose peak is not known yet; they follow row i
    for i in range(len(distance) - 1, -1, -1):
        d = distance[i]
        if d <= 0.0:
            continue
        reachable = end2 + 2.0 * accel[i] * d
        start2 = min(entry2[i], reachable)
        entry2[i] = start2
        change = 2.0 * smooth_accel[i] * d
        smooth_reachable = smooth_end2 + change
        smooth_start2 = min(smooth2[i], smooth_reachable)
        if smooth_start2 < smooth_reachable:
            if smooth_start2 + change > smooth_end2 or waiting >= 0:
                peak2 = min(speed2[i], (smooth_start2 + smooth_reachable) / 2.0)
                if waiting >= 0:
                    time_waiting(i + 1, waiting, peak2, distance, accel, entry2, seconds)
                    waiting = -1
            cruise2 = min((start2 + reachable) / 2.0, speed2[i], peak2)
            seconds[i] += move_s(d, accel[i], min(start2, cruise2), cruise2, min(end2, cruise2))
        elif waiting < 0:
            waiting = i
        end2, smooth_end2 = start2, smooth_start2
    if waiting >= 0:
        time_waiting(0, waiting, inf, distance, accel, entry2, seconds)


@part_of_kernel
def time_waiting(
    first: int, last: int, peak2: float, distance: Any, accel: Any, entry2: Any, seconds: Any
) -> None:
    """Add the times of rows that only slow down, now that the peak before them is known."""
    bound2 = peak2
    at = first
    while at <= last:
        if distance[at] > 0.0:
            behind = at + 1
            while behind < len(distance) and distance[behind] <= 0.0:
                behind += 1
            end2 = entry2[behind] if behind < len(distance) else 0.0
            bound2 = min(bound2, entry2[at])
            seconds[at] += move_s(distance[at], accel[at], bound2, bound2, min(end2, bound2))
        at += 1


@part_of_kernel
def move_s(distance: float, accel: float, start2: float, cruise2: float, end2: float) -> float:
    """Return the seconds of a move of known speeds, all squared."""
    start, cruise, end = sqrt(start2), sqrt(cruise2), sqrt(end2)
    steady = distance - (2.0 * cruise2 - start2 - end2) / (2.0 * accel)
    return (2.0 * cruise - start - end) / accel + max(0.0, steady) / cruise


@part_of_kernel
def trapezoid_s(distance: float, speed2: float, accel: float, entry2: float, leave2: float) -> float:
    """Return the seconds of a move that speeds up, cruises and brakes; all speeds squared."""
    peak2 = max(min(speed2, accel * distance + (entry2 + leave2) / 2.0), entry2, leave2)
    peak, entry, leave = sqrt(peak2), sqrt(entry2), sqrt(leave2)
    cruise = distance - (2.0 * peak2 - entry2 - leave2) / (2.0 * accel)
    return (2.0 * peak - entry - leave) / accel + max(0.0, cruise) / peak
