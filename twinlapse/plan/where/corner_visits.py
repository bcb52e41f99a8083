"""The outermost corners of a print's footprint, and visits of the nozzle camera to them."""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np

from twinlapse.arrays import Float
from twinlapse.gcode import Layers, Toolpath
from twinlapse.optics.window import window_of
from twinlapse.plan.where.stop_positions import into_bed
from twinlapse.plan.where.survey_grid import (
    RISE_MM,
    head_camera,
    layer_ends,
    layer_points,
    lengthened,
    reachable,
    shot_of,
    stops_at,
    with_shots,
)
from twinlapse.rig import Rig
from twinlapse.shots import CORNER, SURVEY, Plan


def outermost_corners(points_mm: Float, count: int = 8) -> list[tuple[float, float]]:
    """Return the sharpest corners of the outline around points, at most `count`, anticlockwise.

    Parameters
    ----------
    points_mm : ndarray of shape (n, 2)
        On a layer: the ends of its lines at least.
    """
    hull = cv2.convexHull(points_mm.astype(np.float32))
    length = cv2.arcLength(hull, True)
    corners = cv2.approxPolyDP(hull, 0.01 * length, True)[:, 0].astype(np.float64)
    if len(corners) <= 2:
        return [(float(x), float(y)) for x, y in corners]
    before, after = np.roll(corners, 1, axis=0) - corners, np.roll(corners, -1, axis=0) - corners
    cosine = (before * after).sum(axis=1) / (np.hypot(*before.T) * np.hypot(*after.T))
    sharpest = np.sort(np.argsort(-cosine, kind="stable")[:count])
    return [(float(x), float(y)) for x, y in corners[sharpest]]


def with_corners(plan: Plan, toolpath: Toolpath, layers: Layers, rig: Rig, wanted: Sequence[int]) -> Plan:
    """Return a plan in which the nozzle camera visits the outermost corners after some layers.

    The corners are those of the highest layer that is looked over: a skirt around the first is none of them.

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
    shots, told = list(plan.shots), list(plan.warnings)
    at = {layer: shot_of(shots, layers, layer) for layer in sorted(set(wanted))}
    if not at:
        return plan
    looked = [shot.layer for shot in shots if any(stop.stance == SURVEY for stop in shot.stops)]
    corners = outermost_corners(layer_ends(toolpath, layers, max([*looked, *at])))
    middle = window_of(camera, rig.printer, RISE_MM).middle_mm
    for layer, k in at.items():
        places = [into_bed(rig.printer, (x - middle[0], y - middle[1])) for x, y in corners]
        places = reachable(places, layer_points(toolpath, layers, layer), rig.printer)
        stops = stops_at(places, layers, layer, camera, camera.dwell_s, CORNER)
        shot = lengthened(shots[k], stops, toolpath, rig)
        told.append(
            f"corners of layer {layer + 1}: {len(stops)} of {len(corners)} visited, "
            f"{shot.cost_s - shots[k].cost_s:.0f} s"
        )
        shots[k] = shot
    return with_shots(plan, shots, told)
