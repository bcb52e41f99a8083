"""What a person should know of a plan before printing it."""

from __future__ import annotations

from collections.abc import Iterable

from twinlapse.gcode import Layers
from twinlapse.plan.left_out import by_reason
from twinlapse.plan.outcome import Planning
from twinlapse.plan.when.schedule import LayerTimes
from twinlapse.rig import Rig, shift_axes

__all__ = ["DEAR_SHARE", "plan_warnings"]

DEAR_SHARE = 0.10  # of the print time


def plan_warnings(
    planning: Planning, layers: Layers, times: LayerTimes, rig: Rig, outer_said: bool
) -> list[str]:
    """Return one sentence a matter, the gravest first."""
    return [
        *_refused(planning),
        *_price(planning),
        *_cooling(planning, times),
        *_marks(planning, outer_said),
        *_spiral(planning, layers, rig),
        *_unsteady(rig),
        *_left_out(planning),
    ]


def _refused(planning: Planning) -> Iterable[str]:
    if planning.refusals:
        first = planning.refusals[0]
        yield (
            f"{len(planning.refusals)} shots cannot be taken whole; the first, of layer {first.layer + 1}: "
            f"{first.why}"
        )


def _price(planning: Planning) -> Iterable[str]:
    plan = planning.plan
    if plan.cost_s > DEAR_SHARE * plan.print_s:
        yield (
            f"the stops add {100 * plan.cost_s / plan.print_s:.0f} % to the print time; to limit it, set "
            'max_added = "10%" under [plan] in the rig file'
        )


def _cooling(planning: Planning, times: LayerTimes) -> Iterable[str]:
    spent: dict[int, float] = {}
    for shot in planning.plan.shots:
        spent[shot.layer] = spent.get(shot.layer, 0.0) + shot.cost_s
    cold = [layer for layer, cost in spent.items() if cost > times.end_s[layer] - times.start_s[layer]]
    if cold:
        yield f"{len(cold)} layers cool longer than they print, the first is layer {min(cold) + 1}"


def _marks(planning: Planning, outer_said: bool) -> Iterable[str]:
    walls = sum(choice.outer for choice in planning.choices)
    if walls:
        how = "" if outer_said else " (estimated from the outline: the file's comments do not name walls)"
        yield f"{walls} shots stop at a visible outer wall{how}"


def _spiral(planning: Planning, layers: Layers, rig: Rig) -> Iterable[str]:
    moving = [camera.name for camera in rig.cameras if camera.stance != "still"]
    if layers.spiral and moving:
        yield (
            f"this is a spiral print without a break in its wall: every shot leaves a mark; "
            f'set stance = "still" for {" and ".join(moving)}'
        )


def _unsteady(rig: Rig) -> Iterable[str]:
    for camera in rig.cameras:
        axes = shift_axes(rig.printer.kinematics, camera.mount)
        if axes and camera.stance in ("last", "still"):
            yield (
                f'camera "{camera.name}": with stance "{camera.stance}" the print shifts in its picture '
                f"along {' and '.join(sorted(axes))}"
            )


def _left_out(planning: Planning) -> Iterable[str]:
    if planning.dropped:
        which = ", ".join(str(shot.layer + 1) for shot in planning.dropped[:12])
        more = " ..." if len(planning.dropped) > 12 else ""
        yield f"{len(planning.dropped)} shots were dropped to keep max_added: layers {which}{more}"
    if planning.unmet:
        reasons = by_reason(planning.unmet)
        more = f" (and {len(reasons) - 3} more reasons)" if len(reasons) > 3 else ""
        count = len(planning.unmet)
        yield f"{count} {'shot is' if count == 1 else 'shots are'} left out; {'; '.join(reasons[:3])}{more}"
