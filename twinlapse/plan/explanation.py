"""Why a shot is where it is, in words."""

from __future__ import annotations

from twinlapse.errors import PlanError
from twinlapse.gcode import Layers
from twinlapse.plan.outcome import Planning
from twinlapse.plan.summary import clock
from twinlapse.rig import Rig
from twinlapse.shots import Shot, Stop

__all__ = ["explain_layer", "explain_shot"]

_STANCES = {
    "clear": "the head is out of the picture there, and the bed is where it is at every shot",
    "over": "the camera on the head looks at the point of the print that it looks at in every shot",
    "tour": "the camera on the head looks at the next point of the outline",
    "last": "the nozzle stays where it is",
    "still": "nothing moves, the machine only waits",
    "corner": "the camera on the head looks at an outermost corner of the print",
    "survey": "the camera on the head looks at one piece of the finished layer after the other",
}
_PULLS = {
    "already": "The file has retracted by itself.",
    "own": "The shot retracts {mm:g} mm of filament and primes it again.",
    "firmware": "The shot retracts and primes by G10 and G11.",
    "none": "The filament is not retracted.",
}


def explain_shot(planning: Planning, layers: Layers, rig: Rig, number: int) -> list[str]:
    """Return sentences on one shot: its moment, its stops, its added time, and the moments rejected.

    Raises
    ------
    PlanError
        when there is no shot of that number.
    """
    found = [k for k, shot in enumerate(planning.plan.shots) if shot.number == number]
    if not found:
        raise PlanError(
            f"there is no shot {number}",
            f"name one of 1 to {planning.plan.shots[-1].number}, or a layer: --why layer:12",
        )
    shot, choice = planning.plan.shots[found[0]], planning.choices[found[0]]
    lines = [
        f"Shot {number}: after line {shot.after_line:,}, layer {shot.layer + 1} of {len(layers)}, "
        f"z {shot.z_mm:g} mm, {clock(shot.at_s)} into the print.",
        f"The moment: {'; '.join(choice.reasons)}.",
        _PULLS[shot.retract].format(mm=shot.retract_mm),
    ]
    if shot.lift_mm:
        lines.append(f"The nozzle rises {shot.lift_mm:g} mm before it travels{_because(shot)}.")
    lines += [_stop(stop, k) for k, stop in enumerate(shot.stops, 1)]
    lines.append(f"It costs {shot.cost_s:.1f} s.")
    lines += _turned(planning, found[0])
    return lines


def explain_layer(planning: Planning, layers: Layers, rig: Rig, layer: int) -> list[str]:
    """Return sentences on one layer, from 0: its shots, and why those that it should have are not there.

    Raises
    ------
    PlanError
        when there is no such layer.
    """
    if not 0 <= layer < len(layers):
        raise PlanError(f"there is no layer {layer + 1}", f"name one of 1 to {len(layers)}")
    lines: list[str] = []
    for shot in planning.plan.shots:
        if shot.layer == layer:
            lines += explain_shot(planning, layers, rig, shot.number)
    missing = [shot for shot in planning.left_out if shot.layer == layer]
    lines += [
        f"Left out at {clock(shot.at_s)}, for {' and '.join(shot.cameras)}: {shot.why}." for shot in missing
    ]
    return lines or [f"No camera's every asks for a shot at layer {layer + 1}."]


def _because(shot: Shot) -> str:
    ways = sum(len(stop.via_mm) for stop in shot.stops) + len(shot.back_mm)
    if ways:
        return f", and goes around obstacles by {ways} waypoints"
    return ", higher than usual: something printed or a keep-out is in the way" if shot.lift_mm > 2 else ""


def _stop(stop: Stop, number: int) -> str:
    return (
        f"Stop {number}, {' and '.join(stop.cameras)} ({stop.stance}): X{stop.x_mm:g} Y{stop.y_mm:g} "
        f"Z{stop.z_mm:.2f}, {stop.dwell_s:g} s; {_STANCES[stop.stance]}."
    )


def _turned(planning: Planning, k: int) -> list[str]:
    turned = planning.choices[k].turned
    if not turned:
        return ["No other moment was near enough."]
    lines = ["Rejected:"]
    for other in turned:
        price = "" if other.weight_s == float("inf") else f", {other.weight_s:.1f} by weight"
        lines.append(f"  {clock(other.at_s)}: {other.why}{price}")
    lines.append(f"The moment taken weighs {planning.choices[k].weight_s:.1f}.")
    return lines
