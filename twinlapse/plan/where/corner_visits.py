"""The outermost corners of a print's footprint, and visits of the nozzle camera to them."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import cv2
import numpy as np

from twinlapse.arrays import Bool, Float
from twinlapse.gcode import Layers, Toolpath
from twinlapse.gcode.segments import layer_segments
from twinlapse.optics.window import RISE_MM, window_of
from twinlapse.plan.where.added_stops import lengthened, shot_of, stops_at, with_shots
from twinlapse.plan.where.stop_positions import into_bed
from twinlapse.plan.where.survey_grid import SAME_MM, head_camera, layer_ends, layer_points, reachable
from twinlapse.rig import Rig
from twinlapse.shots import CORNER, SURVEY, Plan, Shot, Stop

__all__ = [
    "ALONG_MM",
    "FAR_MM",
    "NEAR_MM",
    "TURN_DEG",
    "joined_to",
    "lowest_layer",
    "outermost_corners",
    "outline_of",
    "watched_corners",
    "with_corners",
]

ALONG_MM = 0.25  # between points of the outline
NEAR_MM, FAR_MM = 1.0, 4.0  # along the outline, each way: what lies between gives its direction
_CELL_MM = 0.2
_BESIDE_MM = 1.0  # lines nearer to each other belong together: a brim to its print, a skirt to nothing
TURN_DEG = 50.0  # by which the outline turns within that at a corner; a circle of radius 6 mm turns by less


def outline_of(points_mm: Float) -> Float:
    """Return the convex outline around points (n, 2), points `ALONG_MM` apart, (m, 2)."""
    hull = cv2.convexHull(points_mm.astype(np.float32))[:, 0].astype(np.float64)
    closed = np.concatenate([hull, hull[:1]])
    length = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(closed, axis=0).T))])
    if length[-1] < 4 * FAR_MM:
        return hull
    at = np.linspace(0, length[-1], max(8, round(length[-1] / ALONG_MM)), endpoint=False)
    return np.column_stack([np.interp(at, length, closed[:, i]) for i in (0, 1)])


def outermost_corners(points_mm: Float, count: int = 8) -> list[tuple[float, float]]:
    """Return the sharpest corners of the outline around points, at most `count`, in the outline's order.

    A round print has none: a corner is where the outline turns by `TURN_DEG` within a few millimetres.

    Parameters
    ----------
    points_mm : ndarray of shape (n, 2)
        On a layer: the ends of its lines at least.
    """
    outline = outline_of(points_mm)
    near, far = round(NEAR_MM / ALONG_MM), round(FAR_MM / ALONG_MM)
    if len(outline) < 4 * far:
        return []
    before = np.roll(outline, near, axis=0) - np.roll(outline, far, axis=0)
    after = np.roll(outline, -far, axis=0) - np.roll(outline, -near, axis=0)
    cosine = (before * after).sum(axis=1) / np.maximum(np.hypot(*before.T) * np.hypot(*after.T), 1e-9)
    turn = np.degrees(np.arccos(np.clip(cosine, -1, 1)))
    # the corner itself: of the points that turn, the one furthest from the line through its neighbours
    step = np.roll(outline, -far, axis=0) - np.roll(outline, far, axis=0)
    arm = outline - np.roll(outline, far, axis=0)
    out = np.abs(step[:, 0] * arm[:, 1] - step[:, 1] * arm[:, 0]) / np.maximum(np.hypot(*step.T), 1e-9)
    found: list[int] = []
    for k in np.argsort(-out, kind="stable").tolist():
        gap = [min(abs(k - other), len(outline) - abs(k - other)) for other in found]
        if turn[k] >= TURN_DEG and all(g > far for g in gap):
            found.append(k)
    hull = cv2.convexHull(points_mm.astype(np.float32))[:, 0].astype(np.float64)
    corners = []
    for k in sorted(found[:count]):  # where a vertex of the hull is near, it is the corner itself
        nearest = hull[np.hypot(*(hull - outline[k]).T).argmin()]
        place = nearest if np.hypot(*(nearest - outline[k])) < 2 * ALONG_MM else outline[k]
        corners.append((float(place[0]), float(place[1])))
    return corners


def joined_to(first_mm: Float, last_mm: Float, print_mm: Float) -> Bool:
    """Return which lines of the lowest layer carry the print or are joined to what does, (n,).

    A brim is joined to its print, a skirt or a prime line is not.

    Parameters
    ----------
    first_mm, last_mm : ndarray of shape (n, 2)
        Ends of the lines of the lowest layer.
    print_mm : ndarray of shape (m, 2)
        Places on the lines of the print above it.
    """
    places = np.concatenate([first_mm, last_mm, print_mm])
    low = places.min(axis=0) - 2 * _BESIDE_MM
    parts = (first_mm, last_mm, print_mm)
    first, last, above = (((part - low) / _CELL_MM).astype(np.int32) for part in parts)
    width, height = (((places.max(axis=0) - low + 2 * _BESIDE_MM) / _CELL_MM).astype(int) + 1).tolist()
    ink = np.zeros((height, width), np.uint8)
    for a, b in zip(first.tolist(), last.tolist(), strict=True):
        cv2.line(ink, a, b, 1, round(_BESIDE_MM / _CELL_MM))
    labels = cv2.connectedComponents(ink)[1]
    carrying = np.unique(labels[above[:, 1], above[:, 0]])
    return np.asarray(np.isin(labels[first[:, 1], first[:, 0]], carrying[carrying > 0]))


def watched_corners(toolpath: Toolpath, layers: Layers, layer: int) -> list[tuple[float, float]]:
    """Return where the print's corners meet the bed, in the outline's order: with a brim, at the brim's edge.

    The corners are those of the print itself, as `layer` shows them: a brim adds none and hides none.
    """
    ends = layer_ends(toolpath, layers, layer)
    lowest = layer_segments(toolpath, layers, lowest_layer(layers))
    first, last = lowest.first_mm[:, :2], lowest.last_mm[:, :2]
    on_bed = joined_to(first, last, ends)
    if not on_bed.any():
        return outermost_corners(ends)
    foot, outline = outline_of(np.concatenate([first[on_bed], last[on_bed]])), outline_of(ends)
    return [_at_rim(corner, foot, outline) for corner in outermost_corners(ends)]


def lowest_layer(layers: Layers) -> int:
    """Return the first layer that lays something."""
    return int(np.flatnonzero(layers.extruded_mm > 0)[0])


def _at_rim(corner: tuple[float, float], foot: Float, outline: Float) -> tuple[float, float]:
    """Return the place of the foot's outline (n, 2) beyond a corner of the print's outline (m, 2)."""
    off = foot - np.array(corner)
    if np.hypot(*off.T).min() < _BESIDE_MM:
        return corner
    back = np.array(corner) - outline
    outward = back[np.hypot(*back.T) < FAR_MM].mean(axis=0)
    beyond = off @ outward / np.maximum(np.hypot(*off.T), 1e-9)
    x, y = foot[int(beyond.argmax())]
    return float(x), float(y)


def _surveyed(stop: Stop, shot: Shot) -> bool:
    """Return whether a shot has a survey stop at nearly the same place."""
    return any(
        math.dist((stop.x_mm, stop.y_mm), (other.x_mm, other.y_mm)) < SAME_MM
        for other in shot.stops
        if other.stance == SURVEY
    )


def with_corners(plan: Plan, toolpath: Toolpath, layers: Layers, rig: Rig, wanted: Sequence[int]) -> Plan:
    """Return a plan in which the nozzle camera visits the outermost corners after some layers.

    The corners are those of the highest layer that is looked over, at the rim of their brim if there is one.

    Parameters
    ----------
    plan, toolpath, layers, rig
    wanted : sequence of int
        Layers, from 0.

    Raises
    ------
    PlanError
        as `with_surveys` does.
    """
    camera = head_camera(rig)
    shots, warnings = list(plan.shots), list(plan.warnings)
    at = {layer: shot_of(shots, toolpath, layers, layer) for layer in sorted(set(wanted))}
    if not at:
        return plan
    looked = [shot.layer for shot in shots if any(stop.stance == SURVEY for stop in shot.stops)]
    corners = watched_corners(toolpath, layers, max([*looked, *at]))
    if not corners:
        warnings.append("the outline has no corners, so none are visited")
        return replace(plan, warnings=tuple(warnings))
    middle = window_of(camera, rig.printer, RISE_MM).middle_mm
    for layer, k in at.items():
        places = [into_bed(rig.printer, (x - middle[0], y - middle[1])) for x, y in corners]
        places = reachable(places, layer_points(toolpath, layers, layer), rig.printer)
        stops = stops_at(places, layers, layer, camera, camera.dwell_s, CORNER)
        stops = tuple(stop for stop in stops if not _surveyed(stop, shots[k]))
        shot = lengthened(shots[k], stops, toolpath, rig)
        warnings.append(
            f"corners of layer {layer + 1}: {len(places)} of {len(corners)} visited, "
            f"{shot.cost_s - shots[k].cost_s:.0f} s"
        )
        shots[k] = shot
    return with_shots(plan, shots, warnings)
