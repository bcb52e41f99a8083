"""What a chart shows, as plain arrays and words: the same for the picture and for the viewer."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from twinlapse.arrays import Float
from twinlapse.gcode import Layers, Toolpath, row_before_line
from twinlapse.motion import Timeline
from twinlapse.plan.chart.printed_paths import (
    FirstLayerMap,
    PrintedPaths,
    first_layer_map,
    printed_paths,
)
from twinlapse.plan.cost import legs_of
from twinlapse.plan.left_out import LeftOut
from twinlapse.plan.outcome import Planning
from twinlapse.plan.when.schedule import layer_times
from twinlapse.rig import Camera, Rig
from twinlapse.shots import Plan

__all__ = [
    "CAMERA_COLOURS",
    "CAMERA_SHAPES",
    "ChartContent",
    "ShotNote",
    "added_s",
    "gather",
    "look_offset_mm",
]

# Okabe and Ito's colours for all kinds of eyes (Color Universal Design, 2008); shapes differ as well
CAMERA_COLOURS = ("#0072B2", "#D55E00", "#009E73", "#CC79A7", "#E69F00", "#56B4E9")
CAMERA_SHAPES = ("circle", "square", "triangle", "diamond", "cross", "star")
_AIR_MM = 2.0  # around the print in the map of what is printed


@dataclass(frozen=True, slots=True, kw_only=True)
class ShotNote:
    """What a chart says of a shot beside its own record."""

    home_mm: tuple[float, float, float]  # where the nozzle leaves the print
    path_mm: Float  # (m, 3) the block's moves
    visible_wall: bool  # it stops at a visible outer wall
    why: str  # its insertion point was chosen; empty where only the plan is known


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ChartContent:
    """Everything a chart needs."""

    plan: Plan
    rig: Rig
    name: str
    notes: tuple[ShotNote, ...]  # one a shot
    left_out: tuple[LeftOut, ...]
    paths: PrintedPaths
    first_layer: FirstLayerMap
    print_box_mm: tuple[float, float, float, float]  # left, right, front, back of what is printed
    layer_z_mm: Float  # (n,)
    layer_end_s: Float  # (n,)
    layer_object: tuple[str, ...]  # (n,) "" where objects are not printed one after the other
    highest_mm: Float  # (n,) of all that is printed up to each layer


def gather(
    plan: Plan,
    toolpath: Toolpath,
    layers: Layers,
    timeline: Timeline,
    rig: Rig,
    planning: Planning | None = None,
) -> ChartContent:
    """Return what is to be drawn; with `planning`, reasons and the shots that are not taken as well."""
    paths = printed_paths(toolpath, layers)
    box = _box_of(paths)
    choices = planning.choices if planning is not None and len(planning.choices) == len(plan.shots) else None
    notes = []
    for k, shot in enumerate(plan.shots):
        row = row_before_line(toolpath, shot.after_line + 1)
        home = (float(toolpath.x_mm[row]), float(toolpath.y_mm[row]), float(toolpath.z_mm[row]))
        notes.append(
            ShotNote(
                home_mm=home,
                path_mm=np.array([point for leg in legs_of(shot, home) for point in leg]),
                visible_wall=choices is not None and choices[k].outer,
                why="; ".join(choices[k].reasons) if choices is not None else "",
            )
        )
    air = (box[0] - _AIR_MM, box[1] + _AIR_MM, box[2] - _AIR_MM, box[3] + _AIR_MM)
    names = layers.objects if layers.sequential else ()
    return ChartContent(
        plan=plan,
        rig=rig,
        name=toolpath.path.name,
        notes=tuple(notes),
        left_out=() if planning is None else planning.left_out,
        paths=paths,
        first_layer=first_layer_map(toolpath, layers, air),
        print_box_mm=box,
        layer_z_mm=layers.z_mm,
        layer_end_s=layer_times(layers, timeline.end_s).end_s,
        layer_object=tuple(names[k] if names else "" for k in layers.object.tolist()),
        highest_mm=np.maximum.accumulate(layers.z_mm),
    )


def added_s(plan: Plan) -> Float:
    """Return the time added by each shot and all before it, (shots,)."""
    return np.cumsum([shot.cost_s for shot in plan.shots])


def look_offset_mm(camera: Camera) -> tuple[float, float] | None:
    """Return how far from the nozzle a camera on the head looks, seen from above; None for other cameras."""
    if camera.mount != "toolhead" or camera.look_mm is None:
        return None
    return camera.look_mm[:2]


def _box_of(paths: PrintedPaths) -> tuple[float, float, float, float]:
    low, high = paths.points_mm.min(axis=0), paths.points_mm.max(axis=0)
    return float(low[0]), float(high[0]), float(low[1]), float(high[1])
