"""Where the machine waits for a person after a survey, and which shots do."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from twinlapse.arrays import Float
from twinlapse.errors import PlanError
from twinlapse.gcode import Layers, Toolpath, row_after_line
from twinlapse.plan.clearance.height_map import crosses, inside_bed
from twinlapse.plan.cost import block_s, here_at
from twinlapse.plan.where.stop_positions import into_bed
from twinlapse.plan.where.survey_grid import layer_points
from twinlapse.rig import Printer, Rig
from twinlapse.shots import SURVEY, Plan, Shot

__all__ = ["AWAY_MM", "INSET_MM", "hold_place", "with_holds"]

AWAY_MM = 15.0  # from what the layer prints: a hot nozzle drips; common practice, no source
INSET_MM = 5.0  # from the bed's edge

_Place = tuple[float, float]


def with_holds(plan: Plan, toolpath: Toolpath, layers: Layers, rig: Rig) -> Plan:
    """Return a plan whose surveys end with a wait for a person, the nozzle beside the print.

    Raises
    ------
    PlanError
        when there is no place to wait at.
    """
    shots, warnings = list(plan.shots), list(plan.warnings)
    for k, shot in enumerate(shots):
        if not any(stop.stance == SURVEY for stop in shot.stops):
            continue
        here = here_at(toolpath, rig, row_after_line(toolpath, shot.after_line) - 1)
        points = layer_points(toolpath, layers, shot.layer)
        place = hold_place(shot, points, (here.state.x_mm, here.state.y_mm), rig.printer)
        waiting = replace(shot, hold_mm=place)
        more_s = block_s(waiting, here, rig) - block_s(shot, here, rig)
        shots[k] = replace(waiting, cost_s=round(shot.cost_s + more_s, 3))
        warnings.append(
            f"after the survey of layer {shot.layer + 1} the machine waits for you, hot, at "
            f"X{place[0]:g} Y{place[1]:g}, {_until(rig)}; that time is not counted"
        )
    added = sum(shot.cost_s for shot in shots) - sum(shot.cost_s for shot in plan.shots)
    return replace(plan, shots=tuple(shots), cost_s=round(plan.cost_s + added, 3), warnings=tuple(warnings))


def _until(rig: Rig) -> str:
    """Return what ends the wait when nobody does (see `twinlapse.inject.dialects`)."""
    minutes = f"{rig.plan.hold_max_s / 60:.0f} min"
    return {
        "marlin": f"for {minutes} at most, then the print goes on by itself",
        "klipper": f"for {minutes} at most, then heaters and motors are switched off and the print is lost",
        "reprapfirmware": "as long as it takes: this firmware sets no end to it",
    }[rig.printer.firmware]


def hold_place(shot: Shot, points: Float, home: _Place, printer: Printer) -> _Place:
    """Return where a shot waits: where it parks anyway, else the nearest place at the bed's rim.

    Parameters
    ----------
    shot : Shot
    points : ndarray of shape (n, 2)
        Along the lines of its layer.
    home : (x, y)
        Where the shot leaves the print and comes back to.
    printer : Printer

    Raises
    ------
    PlanError
        when every place is too near to the layer or behind a keep-out.
    """
    last = (shot.stops[-1].x_mm, shot.stops[-1].y_mm)
    parked = [(stop.x_mm, stop.y_mm) for stop in shot.stops if stop.stance == "clear"]
    for place in [*parked, *sorted(_rim(printer), key=lambda place: math.dist(place, last))]:
        ways = ((last, place), (place, home))
        away = not len(points) or float(np.hypot(*(points - np.array(place)).T).min()) >= AWAY_MM
        blocked = any(crosses(box, a, b) for box in printer.keep_out for a, b in ways)
        if away and not blocked and inside_bed(printer, place):
            return place
    raise PlanError(
        f"layer {shot.layer + 1} leaves no place on the bed at which the machine could wait",
        "leave out hold in [plan]",
    )


def _rim(printer: Printer) -> list[_Place]:
    (x0, x1), (y0, y1) = printer.x_range_mm, printer.y_range_mm
    xs, ys = (x0 + INSET_MM, (x0 + x1) / 2, x1 - INSET_MM), (y0 + INSET_MM, (y0 + y1) / 2, y1 - INSET_MM)
    places = [(x, y) for x in xs for y in ys if (x, y) != (xs[1], ys[1])]
    rounded = [into_bed(printer, place) for place in places]
    return [(round(x, 3), round(y, 3)) for x, y in rounded]
