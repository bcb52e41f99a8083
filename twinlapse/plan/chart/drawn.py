"""What a chart shows, as plain arrays: the same for the picture and for the page."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from twinlapse.arrays import Float
from twinlapse.gcode import Kind, Layers, Toolpath, row_before_line
from twinlapse.motion import Timeline
from twinlapse.plan.clearance.height_map import BORDER_MM, Ground
from twinlapse.plan.clearance.height_map_kernels import CELL_MM
from twinlapse.plan.cost import legs_of
from twinlapse.rig import KeepOut, Rig
from twinlapse.shots import Plan, Shot

# Okabe and Ito's colours for all kinds of eyes (Color Universal Design, 2008), told apart by shape as well
COLOURS = ("#0072B2", "#D55E00", "#009E73", "#CC79A7", "#E69F00", "#56B4E9")
SHAPES = ("circle", "square", "triangle", "diamond", "cross", "star")
_MOST_POINTS = 4000


@dataclass(frozen=True, slots=True, kw_only=True)
class Drawn:
    """Everything a chart needs."""

    plan: Plan
    rig: Rig
    name: str
    cameras: tuple[str, ...]
    time_s: Float  # the line of the print: time and height of the nozzle while it lays
    height_mm: Float
    tops: NDArray[np.float32]  # height of the finished print, (x, y) cells, NaN where there is nothing
    extent_mm: tuple[float, float, float, float]  # left, right, front, back of `tops`
    bed_mm: tuple[float, float, float, float]
    round_bed: bool
    keep_outs: tuple[KeepOut, ...]
    ways: tuple[Float, ...]  # of each shot: the points of its way, (m, 3)


def gather(plan: Plan, toolpath: Toolpath, layers: Layers, timeline: Timeline, rig: Rig) -> Drawn:
    """Return what is to be drawn."""
    printer = rig.printer
    ground = Ground(toolpath, printer)
    ground.advance(int(layers.first_row[-1]) - 1)
    tops = np.where(ground.top > 0, ground.top, np.nan).astype(np.float32)
    left, front = ground.left_mm, ground.front_mm
    right, back = left + tops.shape[0] * CELL_MM, front + tops.shape[1] * CELL_MM
    border = round(BORDER_MM / CELL_MM)
    rows = np.flatnonzero(toolpath.kind == Kind.EXTRUDE)
    rows = rows[rows >= layers.first_row[0]]
    rows = rows[:: max(1, len(rows) // _MOST_POINTS)]
    bed = (*printer.x_range_mm, *printer.y_range_mm)
    return Drawn(
        plan=plan,
        rig=rig,
        name=toolpath.path.name,
        cameras=tuple(camera.name for camera in rig.cameras),
        time_s=timeline.end_s[rows],
        height_mm=toolpath.z_mm[rows],
        tops=tops[border:-border, border:-border],
        extent_mm=(left + BORDER_MM, right - BORDER_MM, front + BORDER_MM, back - BORDER_MM),
        bed_mm=bed,
        round_bed=printer.bed_shape == "round",
        keep_outs=printer.keep_out,
        ways=tuple(_way(shot, toolpath) for shot in plan.shots),
    )


def _way(shot: Shot, toolpath: Toolpath) -> Float:
    row = row_before_line(toolpath, shot.after_line + 1)
    home = (float(toolpath.x_mm[row]), float(toolpath.y_mm[row]), float(toolpath.z_mm[row]))
    return np.array([point for leg in legs_of(shot, home) for point in leg])


def added_s(plan: Plan) -> Float:
    """Return the time added by each shot and all before it."""
    return np.cumsum([shot.cost_s for shot in plan.shots])


def places_of(plan: Plan, camera: str) -> Float:
    """Return the stops of one camera: number of the shot, x, y, z; (m, 4)."""
    found = [
        (shot.number, stop.x_mm, stop.y_mm, stop.z_mm)
        for shot in plan.shots
        for stop in shot.stops
        if camera in stop.cameras
    ]
    return np.array(found, float).reshape(-1, 4)


def looks_away(drawn: Drawn, camera: str) -> tuple[float, float] | None:
    """Return how far from the nozzle a camera on the head looks, seen from above; None for other cameras."""
    known = drawn.rig.camera(camera)
    if known is None or known.mount != "toolhead" or known.look_mm is None:
        return None
    return known.look_mm[:2]
