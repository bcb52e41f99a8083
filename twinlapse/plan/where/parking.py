"""Where the toolhead goes to be out of a camera's picture of the print."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from twinlapse.arrays import Float
from twinlapse.errors import PlanError
from twinlapse.optics.pose import Pose, pose_along
from twinlapse.optics.view import hidden
from twinlapse.plan.clearance.height_map import BedPlace, crosses, inside_bed
from twinlapse.rig import Camera, Printer, Toolhead

__all__ = ["EDGE_MM", "PrintBox", "hidden_share", "park_for"]

EDGE_MM = 5.0  # kept from the edge of the bed and from keep-outs; common practice, no source
_SPOTS = 41  # places tried along a side, or round a bed
_GRID = 17  # places tried along X and Y inside the bed
_WIDER = 1.2  # the toolhead is taken this much wider than it is, so that it stands beside the print
_HIDDEN_MM = 1000.0  # of path that hiding the whole print weighs
_HEIGHTS = (0.05, 0.5, 1.0)  # shares of the print's height at which the view is judged

PrintBox = tuple[BedPlace, BedPlace]  # lowest and highest corner of the print


def park_for(camera: Camera, printer: Printer, print_box: PrintBox, top_mm: float) -> BedPlace:
    """Return the place of the nozzle for stance ``clear``: the nearest from which the print is seen whole.

    Places on the bed are weighed by how much of the print the toolhead hides from the camera there, then by
    how far they are from the print; of equal ones, where the bed moves along Y, the one that brings the bed
    further forward.

    Parameters
    ----------
    camera : Camera
        Its pose is that of the rig, or the standard one of its mount.
    printer : Printer
    print_box : Box
    top_mm : float
        Height of the finished print.

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
    spots = [
        spot
        for spot in (*_edge_spots(printer), *_inner_spots(printer))
        if not _kept_out(printer, spot, EDGE_MM)
    ]
    if not spots:
        raise PlanError(
            "the keep-outs leave no place on the bed to park the toolhead", "set park_mm for the camera"
        )
    path_mm = {spot: _path_weight_mm(spot, printer, print_box) for spot in spots}
    view = pose_along(camera, printer)
    best, least_mm = spots[0], math.inf
    for spot in sorted(spots, key=path_mm.__getitem__):  # nearest first: few views have to be judged
        if path_mm[spot] >= least_mm:
            break
        hidden_mm = _HIDDEN_MM * hidden_share(spot, view, printer.toolhead, print_box, top_mm)
        if path_mm[spot] + hidden_mm < least_mm:
            best, least_mm = spot, path_mm[spot] + hidden_mm
    return best


def _path_weight_mm(spot: BedPlace, printer: Printer, box: PrintBox) -> float:
    """Weigh a place by its path from the print; one that stands over the print counts as far away."""
    middle = ((box[0][0] + box[1][0]) / 2, (box[0][1] + box[1][1]) / 2)
    near = max(0.0, printer.toolhead.radius_mm + EDGE_MM - _gap(spot, box))
    back = printer.y_range_mm[1] - spot[1] if printer.kinematics == "bed-moves-y" else 0.0
    return 10 * near + math.dist(spot, middle) + 0.05 * back


def hidden_share(
    spot: BedPlace, view: tuple[Pose, Float], toolhead: Toolhead, box: PrintBox, top_mm: float
) -> float:
    """Return how much of the print a toolhead at `spot` hides from a camera, at worst, 0 to 1.

    Parameters
    ----------
    spot : (x, y)
    view : Pose, ndarray
        As `twinlapse.optics.pose.pose_along` gives it.
    toolhead : Toolhead
    box : Box
        Of the print, from above.
    top_mm : float
        Height of the finished print.
    """
    wide = replace(toolhead, radius_mm=_WIDER * toolhead.radius_mm)
    still, along = view
    worst = 0.0
    for share in _HEIGHTS:
        nozzle = (*spot, share * top_mm)
        pose = still.moved(along * nozzle)
        worst = max(worst, float(hidden(_print_points(box, share * top_mm), pose, wide, nozzle).mean()))
    return worst


def _print_points(box: PrintBox, height_mm: float) -> Float:
    """Return points on the sides and the top of the print's box, (n, 3)."""
    (x0, y0), (x1, y1) = box
    along = np.linspace(0, 1, 4)
    grid = np.stack(np.meshgrid(x0 + along * (x1 - x0), y0 + along * (y1 - y0), along * height_mm), -1)
    return grid.reshape(-1, 3)


def _edge_spots(printer: Printer) -> list[BedPlace]:
    (x0, x1), (y0, y1) = printer.x_range_mm, printer.y_range_mm
    if printer.bed_shape == "round":
        radius = min(printer.bed_mm) / 2 - EDGE_MM
        turns = np.linspace(0, 2 * math.pi, 2 * _SPOTS, endpoint=False)
        centre = ((x0 + x1) / 2, (y0 + y1) / 2)
        return [(centre[0] + radius * math.cos(t), centre[1] + radius * math.sin(t)) for t in turns.tolist()]
    x0, x1, y0, y1 = x0 + EDGE_MM, x1 - EDGE_MM, y0 + EDGE_MM, y1 - EDGE_MM
    along_x, along_y = np.linspace(x0, x1, _SPOTS).tolist(), np.linspace(y0, y1, _SPOTS).tolist()
    return [(x, y) for x in along_x for y in (y0, y1)] + [(x, y) for y in along_y for x in (x0, x1)]


def _inner_spots(printer: Printer) -> list[BedPlace]:
    (x0, x1), (y0, y1) = printer.x_range_mm, printer.y_range_mm
    along_x = np.linspace(x0 + EDGE_MM, x1 - EDGE_MM, _GRID).tolist()
    along_y = np.linspace(y0 + EDGE_MM, y1 - EDGE_MM, _GRID).tolist()
    return [(x, y) for x in along_x for y in along_y if inside_bed(printer, (x, y), EDGE_MM)]


def _kept_out(printer: Printer, spot: BedPlace, margin_mm: float) -> bool:
    return any(crosses(box, spot, spot, margin_mm) for box in printer.keep_out)


def _gap(spot: BedPlace, box: PrintBox) -> float:
    dx = max(box[0][0] - spot[0], 0.0, spot[0] - box[1][0])
    dy = max(box[0][1] - spot[1], 0.0, spot[1] - box[1][1])
    return math.hypot(dx, dy)


def _named(place: BedPlace) -> str:
    return f"[{place[0]:g}, {place[1]:g}]"
