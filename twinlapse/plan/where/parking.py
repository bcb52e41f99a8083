"""Where the head goes to be out of a camera's picture."""

from __future__ import annotations

import math

import numpy as np

from twinlapse.errors import PlanError
from twinlapse.plan.clearance.height_map import Place, crosses, inside_bed
from twinlapse.rig import Camera, Printer

EDGE_MM = 5.0  # kept from the edge of the bed and from keep-outs; common practice, no source
_SPOTS = 41  # places tried along a side, or round a bed

Box = tuple[Place, Place]  # lowest and highest corner of the print


def park_for(camera: Camera, printer: Printer, print_box: Box) -> Place:
    """Return the place of the nozzle for stance ``clear``.

    Of the places along the bed's edge the one is taken from which the head covers least of the print in the
    camera's picture, then (bed moves along Y) the one that brings the bed furthest forward, then the nearest.

    Raises
    ------
    PlanError
        when the rig's own ``park_mm`` cannot be reached.
    """
    if camera.park_mm is not None:
        if not inside_bed(printer, camera.park_mm):
            raise PlanError(
                f'camera "{camera.name}": park_mm {_named(camera.park_mm)} is outside the bed',
                "name a place on the bed",
            )
        if _kept_out(printer, camera.park_mm, 0.0):
            raise PlanError(
                f'camera "{camera.name}": park_mm {_named(camera.park_mm)} is in a keep-out',
                "name a place outside all keep_out boxes",
            )
        return camera.park_mm
    spots = [spot for spot in _edge_spots(printer) if not _kept_out(printer, spot, EDGE_MM)]
    if not spots:
        raise PlanError(
            "the keep-outs leave no place at the bed's edge to park the head", "set park_mm for the camera"
        )
    eye = _eye(camera, printer)
    return min(spots, key=lambda spot: _price(spot, eye, printer, print_box))


def _price(spot: Place, eye: Place, printer: Printer, box: Box) -> float:
    """Weigh a place: covering the print is worst, then a bed far back, then a long way."""
    middle = ((box[0][0] + box[1][0]) / 2, (box[0][1] + box[1][1]) / 2)
    way = math.dist(spot, middle)
    hidden = _hidden_share(spot, eye, printer.toolhead.radius_mm, box)
    back = printer.y_range_mm[1] - spot[1] if printer.kinematics == "bed-moves-y" else 0.0
    near = max(0.0, printer.toolhead.radius_mm + EDGE_MM - _gap(spot, box))
    return 1000 * hidden + 10 * near + 2 * back + 0.2 * way


def _hidden_share(spot: Place, eye: Place, radius_mm: float, box: Box) -> float:
    """Return how much of the print's width, seen from `eye`, the head covers or stands before, from above."""
    corners = [(x, y) for x in (box[0][0], box[1][0]) for y in (box[0][1], box[1][1])]
    middle = math.atan2(sum(y for _, y in corners) / 4 - eye[1], sum(x for x, _ in corners) / 4 - eye[0])
    turns = [_turn(math.atan2(y - eye[1], x - eye[0]) - middle) for x, y in corners]
    away = math.dist(spot, eye)
    half = math.asin(min(1.0, radius_mm / max(away, radius_mm)))
    centre = _turn(math.atan2(spot[1] - eye[1], spot[0] - eye[0]) - middle)
    low, high = max(min(turns), centre - half), min(max(turns), centre + half)
    share = max(0.0, high - low) / max(max(turns) - min(turns), 1e-9)
    behind = away > max(math.dist(corner, eye) for corner in corners)
    return share * (0.3 if behind else 1.0)


def _eye(camera: Camera, printer: Printer) -> Place:
    """Return where the camera stands, seen from above; where the rig does not say, before the bed."""
    if camera.place_mm is not None and camera.mount in ("frame", "bed"):
        return camera.place_mm[:2]
    (x0, x1), (y0, y1) = printer.x_range_mm, printer.y_range_mm
    return ((x0 + x1) / 2, y0 - 1.5 * (y1 - y0))


def _edge_spots(printer: Printer) -> list[Place]:
    (x0, x1), (y0, y1) = printer.x_range_mm, printer.y_range_mm
    if printer.bed_shape == "round":
        radius = min(printer.bed_mm) / 2 - EDGE_MM
        turns = np.linspace(0, 2 * math.pi, 2 * _SPOTS, endpoint=False)
        centre = ((x0 + x1) / 2, (y0 + y1) / 2)
        return [(centre[0] + radius * math.cos(t), centre[1] + radius * math.sin(t)) for t in turns.tolist()]
    x0, x1, y0, y1 = x0 + EDGE_MM, x1 - EDGE_MM, y0 + EDGE_MM, y1 - EDGE_MM
    along_x, along_y = np.linspace(x0, x1, _SPOTS).tolist(), np.linspace(y0, y1, _SPOTS).tolist()
    return [(x, y) for x in along_x for y in (y0, y1)] + [(x, y) for y in along_y for x in (x0, x1)]


def _kept_out(printer: Printer, spot: Place, margin_mm: float) -> bool:
    return any(crosses(box, spot, spot, margin_mm) for box in printer.keep_out)


def _gap(spot: Place, box: Box) -> float:
    dx = max(box[0][0] - spot[0], 0.0, spot[0] - box[1][0])
    dy = max(box[0][1] - spot[1], 0.0, spot[1] - box[1][1])
    return math.hypot(dx, dy)


def _turn(angle: float) -> float:
    return (angle + math.pi) % (2 * math.pi) - math.pi


def _named(place: Place) -> str:
    return f"[{place[0]:g}, {place[1]:g}]"
