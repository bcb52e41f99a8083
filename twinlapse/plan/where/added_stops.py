"""Stops that a survey or a visit adds to a shot that is planned already: the first behind the layer."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise

import numpy as np

from twinlapse.errors import PlanError
from twinlapse.gcode import Kind, Layers, Toolpath, row_after_line
from twinlapse.optics.window import RISE_MM
from twinlapse.plan.clearance.height_map import Ground
from twinlapse.plan.cost import block_s, here_at, legs_of
from twinlapse.rig import Camera, Rig
from twinlapse.shots import Plan, Shot, Stop

__all__ = ["bare_bed_shot", "lengthened", "shot_of", "stops_at", "with_shots"]

_SAME_MM = 2e-3  # places are written to a thousandth


def bare_bed_shot(shots: Sequence[Shot], toolpath: Toolpath) -> int | None:
    """Return the index of the shot before anything is extruded, if there is one."""
    laid = np.flatnonzero(toolpath.kind == Kind.EXTRUDE)
    if not len(laid):
        return None
    first_line = int(toolpath.line[laid[0]])
    return next((k for k, shot in enumerate(shots) if shot.after_line < first_line), None)


def shot_of(shots: Sequence[Shot], toolpath: Toolpath, layers: Layers, layer: int) -> int:
    """Return the index of the shot in which a layer can be looked over: the first behind its last line.

    Raises
    ------
    PlanError
        when there is no such layer, no shot follows its last line, or what is printed stands higher.
    """
    if layer >= len(layers):
        raise PlanError(
            f"layer {layer + 1} cannot be looked over: the print has {len(layers)}",
            "name fewer layers under survey_layers and corner_layers in [plan]",
        )
    rows = slice(int(layers.first_row[layer]), int(layers.first_row[layer + 1]))
    laid = np.flatnonzero(toolpath.kind[rows] == Kind.EXTRUDE) + rows.start
    last_line = int(toolpath.line[laid[-1]]) if len(laid) else 0
    at = next(
        (k for k, shot in enumerate(shots) if shot.layer == layer and shot.after_line >= last_line), None
    )
    if at is None:
        raise PlanError(
            f"layer {layer + 1} has no shot to survey in: behind its last line the machine cannot wait",
            "survey another layer",
        )
    if layers.sequential and layers.object[layer] != layers.object[0]:
        raise PlanError(
            f"layer {layer + 1} is printed beside finished objects",
            "survey layers of the first object alone",
        )
    begun = int(layers.first_row[0])  # a purge before the first layer may hang in the air beside the print
    until = row_after_line(toolpath, shots[at].after_line)
    laid = np.flatnonzero(toolpath.kind[begun:until] == Kind.EXTRUDE) + begun
    ends_mm = toolpath.z_mm[np.concatenate([laid, np.maximum(laid - 1, 0)])]
    if len(laid) and ends_mm.max() > layers.z_mm[layer] + RISE_MM / 2:
        higher_mm = ends_mm.max() - layers.z_mm[layer]
        raise PlanError(
            f"layer {layer + 1} is printed beside something {higher_mm:.1f} mm higher", "survey another layer"
        )
    return at


def stops_at(
    places: Sequence[tuple[float, float]],
    layers: Layers,
    layer: int,
    camera: Camera,
    dwell_s: float,
    stance: str,
) -> tuple[Stop, ...]:
    """Return stops a little above a layer."""
    z_mm = round(float(layers.z_mm[layer]) + RISE_MM, 3)
    return tuple(
        Stop(cameras=(camera.name,), x_mm=x, y_mm=y, z_mm=z_mm, dwell_s=dwell_s, stance=stance)
        for x, y in places
    )


def lengthened(shot: Shot, stops: Sequence[Stop], toolpath: Toolpath, rig: Rig) -> Shot:
    """Return the shot with more stops after its own, and what they cost.

    Raises
    ------
    PlanError
        when the toolhead would touch what is printed by then.
    """
    row = row_after_line(toolpath, shot.after_line) - 1
    here = here_at(toolpath, rig, row)
    longer = replace(shot, stops=(*shot.stops, *stops), back_mm=())
    ground = Ground(toolpath, rig.printer)
    ground.advance(row)
    for start, end in (way for leg in legs_of(longer, here.place_mm) for way in pairwise(leg)):
        lowest_mm = min(start[2], end[2])
        needed_mm = 0.0 if here.place_mm in (start, end) else ground.printed_z(start[:2], end[:2], lowest_mm)
        if needed_mm > lowest_mm + _SAME_MM:
            raise PlanError(
                f"layer {shot.layer + 1} cannot be looked over: what is printed by then asks for the nozzle "
                f"at {needed_mm:.1f} mm on the way to a stop, the stops are at {lowest_mm:.1f} mm",
                "look over another layer; survey_layers and corner_layers in [plan] name them",
                path=toolpath.path,
                line=shot.after_line,
            )
    return replace(
        longer, cost_s=round(shot.cost_s + block_s(longer, here, rig) - block_s(shot, here, rig), 3)
    )


def with_shots(plan: Plan, shots: Sequence[Shot], warnings: Sequence[str]) -> Plan:
    """Return a plan with its shots replaced, their cost counted, and their warnings."""
    added = sum(shot.cost_s for shot in shots) - sum(shot.cost_s for shot in plan.shots)
    return replace(plan, shots=tuple(shots), cost_s=round(plan.cost_s + added, 3), warnings=tuple(warnings))
