"""The geometry of G2 and G3, from their words: centre, sweep, length, extent. Columns in, columns out."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from twinlapse.arrays import Float, Int
from twinlapse.gcode.toolpath import Notice

__all__ = ["PLANE_AXES", "Arcs", "arc_boxes", "arc_points", "arcs_of"]

# per plane (G17 XY, G18 ZX, G19 YZ): the two axes in right-handed order, then the third
PLANE_AXES = np.array([[0, 1, 2], [2, 0, 1], [1, 2, 0]])
_FITS_MM = 0.5  # the ends of an arc may miss its circle by this, or by 1 % of the radius
_CLOSED = 1e-9  # rad


@dataclass(frozen=True, slots=True, kw_only=True)
class Arcs:
    """Arcs of a toolpath."""

    row: Int  # (m,)
    table: Float  # (m, 4): centre a, centre b, signed sweep in radians, plane
    length_mm: Float  # (m,)
    straight: Int  # rows of arcs whose words fit no circle: they are taken as straight lines

    def notices(self, line: NDArray[np.int32]) -> list[Notice]:
        """Return the notice that arcs fit no circle."""
        if not len(self.straight):
            return []
        text = f"an arc has no centre that fits; read as a straight line ({len(self.straight)} times)"
        return [Notice(line=int(line[self.straight[0]]), code="bad-arc", text=text)]


def arcs_of(events: Float, place_mm: Float) -> Arcs:
    """Work out the arcs.

    Parameters
    ----------
    events : ndarray of shape (m, >= 9)
        Row, what, plane, sense (1 counter-clockwise, -1 clockwise), I, J, K, R, P; lengths in mm.
    place_mm : ndarray of shape (m, 2, 3)
        Where each arc starts and ends.

    Returns
    -------
    Arcs

    Notes
    -----
    Centre form: I, J and K lead from the start to the centre. Radius form: a positive R is the arc of at most
    half a turn, a negative one the other (NIST RS274/NGC, section 3.5.3). P counts the turns.
    """
    plane = events[:, 2].astype(np.int64)
    sense = events[:, 3]
    axes = PLANE_AXES[plane]
    step = place_mm[:, 1] - place_mm[:, 0]
    da, db, dc = (np.take_along_axis(step, axes[:, k : k + 1], 1)[:, 0] for k in range(3))
    to_centre = np.take_along_axis(events[:, 4:7], axes[:, :2], 1)
    by_radius = events[:, 7] != 0
    with np.errstate(invalid="ignore", over="ignore", divide="ignore"):
        to_centre[by_radius] = _centres_by_radius(da, db, events[:, 7], sense)[by_radius]
        radius = np.hypot(to_centre[:, 0], to_centre[:, 1])
        miss = np.abs(np.hypot(da - to_centre[:, 0], db - to_centre[:, 1]) - radius)
        fits = (radius > 0) & np.isfinite(radius) & (miss <= np.maximum(_FITS_MM, 0.01 * radius))
    sweep = _sweeps(to_centre, da, db, sense)
    turns = np.where((events[:, 8] > 1) & (events[:, 8] < 10_000) & ~by_radius, np.floor(events[:, 8]) - 1, 0)
    sweep += sense * turns * 2 * np.pi
    start = np.take_along_axis(place_mm[:, 0], axes[:, :2], 1)
    row = events[:, 0].astype(np.int64)
    return Arcs(
        row=row[fits],
        table=np.column_stack([start + to_centre, sweep, plane])[fits],
        length_mm=np.hypot(sweep * radius, dc)[fits],
        straight=row[~fits],
    )


def _centres_by_radius(da: Float, db: Float, radius: Float, sense: Float) -> Float:
    """Return the vectors from start to centre of arcs given by their radius; NaN where there is none."""
    chord = np.hypot(da, db)
    inside = radius**2 - chord**2 / 4
    inside[(inside < 0) & (inside > -1e-3 * radius**2)] = 0
    height = np.sqrt(inside) / chord * np.where((sense > 0) == (radius > 0), 1.0, -1.0)
    return np.column_stack([da / 2 - height * db, db / 2 + height * da])


def _sweeps(to_centre: Float, da: Float, db: Float, sense: Float) -> Float:
    """Return the signed angle from the start to the end; a full turn when they are the same place."""
    ax, ay = -to_centre[:, 0], -to_centre[:, 1]
    bx, by = da + ax, db + ay
    angle = np.arctan2(ax * by - ay * bx, ax * bx + ay * by) * sense
    return sense * np.where(angle <= _CLOSED, angle + 2 * np.pi, angle)


def arc_points(arc: Float, start_mm: Float, end_mm: Float, count: int) -> Float:
    """Return `count` points along one arc, its end included and its start not.

    Parameters
    ----------
    arc : ndarray of shape (4,)
        A row of ``Toolpath.arc``.
    start_mm, end_mm : ndarray of shape (3,)
    count : int

    Returns
    -------
    ndarray of shape (count, 3), mm
    """
    a, b, c = PLANE_AXES[int(arc[3])]
    share = np.arange(1, count + 1) / count
    from_a, from_b = start_mm[a] - arc[0], start_mm[b] - arc[1]
    angle = np.arctan2(from_b, from_a) + arc[2] * share
    first, last = np.hypot(from_a, from_b), np.hypot(end_mm[a] - arc[0], end_mm[b] - arc[1])
    radius = first + (last - first) * share
    points = np.empty((count, 3))
    points[:, a] = arc[0] + radius * np.cos(angle)
    points[:, b] = arc[1] + radius * np.sin(angle)
    points[:, c] = start_mm[c] + (end_mm[c] - start_mm[c]) * share
    points[-1] = end_mm
    return points


def arc_boxes(table: Float, start_mm: Float, end_mm: Float) -> tuple[Float, Float]:
    """Return the lowest and highest place that each arc reaches.

    Parameters
    ----------
    table : ndarray of shape (m, 4)
    start_mm, end_mm : ndarray of shape (m, 3)

    Returns
    -------
    low, high : ndarray of shape (m, 3), mm
    """
    low, high = np.minimum(start_mm, end_mm), np.maximum(start_mm, end_mm)
    axes = PLANE_AXES[table[:, 3].astype(np.int64)]
    each = np.arange(len(table))
    a, b = start_mm[each, axes[:, 0]] - table[:, 0], start_mm[each, axes[:, 1]] - table[:, 1]
    radius, first = np.hypot(a, b), np.arctan2(b, a)
    for quarter in range(4):  # the sides of the circle that the sweep passes
        passed = _passes(first, table[:, 2], quarter * np.pi / 2)
        axis, sign = quarter % 2, 1 if quarter < 2 else -1
        reach = table[:, axis] + sign * radius
        side = high if sign > 0 else low
        best = np.maximum if sign > 0 else np.minimum
        now = side[each, axes[:, axis]]
        side[each, axes[:, axis]] = np.where(passed, best(now, reach), now)
    return low, high


def _passes(first: Float, sweep: Float, angle: float) -> NDArray[np.bool_]:
    way = np.where(sweep > 0, angle - first, first - angle) % (2 * np.pi)
    return way <= np.abs(sweep)
