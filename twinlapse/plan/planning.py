"""A plan from a toolpath and a rig: wishes, moments, places, clearance, added time, caps."""

from __future__ import annotations

from collections.abc import Iterable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace

import numpy as np

from twinlapse.arrays import Float, Int, Progress
from twinlapse.errors import PlanError
from twinlapse.files import mapped
from twinlapse.gcode import Kind, Layers, Mode, Toolpath
from twinlapse.gcode.homing import homes_by_macro, macro_line
from twinlapse.motion import Timeline
from twinlapse.motion.rests import rest_losses_s
from twinlapse.plan.clearance.height_map import Ground
from twinlapse.plan.clearance.routing import Router
from twinlapse.plan.estimate import estimated_shot_s
from twinlapse.plan.left_out import LeftOut, by_reason
from twinlapse.plan.machine_fit import check_fit, refuse_far
from twinlapse.plan.outcome import Planning
from twinlapse.plan.shot_builder import BlockMaker
from twinlapse.plan.warnings import plan_warnings
from twinlapse.plan.when.automatic import AUTO, with_automatic
from twinlapse.plan.when.choice import Choice, Chooser
from twinlapse.plan.when.gaps import find_gaps
from twinlapse.plan.when.insertion_points import NOT_HOMED, ready_from, usual_retraction
from twinlapse.plan.when.look_shots import before_print, with_look_shots
from twinlapse.plan.when.schedule import LayerTimes, Wishes, layer_times, refuse_too_many, wishes_of
from twinlapse.plan.when.thinning import drop_near, drop_over_cap
from twinlapse.plan.where.stop_positions import Places, find_places, stands_for, with_tour
from twinlapse.rig import Rig
from twinlapse.shots import Plan, Shot

__all__ = ["looked_over", "make_plan", "work_out"]


def make_plan(
    toolpath: Toolpath, layers: Layers, timeline: Timeline, rig: Rig, *, progress: Progress | None = None
) -> Plan:
    """Return the shots of a print.

    Parameters
    ----------
    toolpath, layers, timeline
        Of the same file.
    rig : Rig
    progress : callable, optional
        Takes the share done, 0 to 1.

    Raises
    ------
    PlanError
        when no shot can be taken at all, or the rig asks for an impossible place.
    """
    return work_out(toolpath, layers, timeline, rig, progress=progress).plan


def work_out(
    toolpath: Toolpath, layers: Layers, timeline: Timeline, rig: Rig, *, progress: Progress | None = None
) -> Planning:
    """Return the plan and the reasons behind it; see `make_plan`."""
    if not len(layers):
        raise PlanError("no layers were found, so there is nothing to film", "check the file with 'analyse'")
    refuse_far(toolpath, rig.printer)
    times = layer_times(layers, timeline.end_s)
    habit = usual_retraction(toolpath, rig.printer)
    with ThreadPoolExecutor(1) as helper:  # compiled loops release the interpreter
        found = helper.submit(find_places, toolpath, layers, rig)
        beside = check_fit(toolpath, layers, rig)
        refuse_too_many(_scheduled(rig, layers, times))
        gaps, places = find_gaps(toolpath, layers, timeline, habit.length_mm), found.result()
    unscheduled = [camera for camera in rig.cameras if camera.every == AUTO]
    shot_s = estimated_shot_s(unscheduled, toolpath, layers, rig, places)
    rig, automatic = with_automatic(rig, layers, times, timeline.print_s, shot_s)
    wishes = _scheduled(rig, layers, times)
    refuse_too_many(wishes)
    ready_row, guessed = _ready_row(toolpath, layers, rig)
    ready = ready_from(ready_row, toolpath, rig.printer)
    choices, unmet = Chooser(toolpath, layers, times, gaps, habit, ready).choose(wishes)
    if not choices:
        raise _nothing_left(unmet)
    choices, crowded = drop_near(choices, gaps.at_s, rig.plan.min_gap_s)
    looked_at = {*rig.plan.survey_layers, *rig.plan.corner_layers}
    choices = with_look_shots(choices, looked_at, toolpath, layers, gaps, habit, ready)
    bare = (
        before_print(toolpath, timeline.end_s, ready)
        if rig.plan.survey_layers and rig.plan.bare_bed
        else None
    )
    choices = choices if bare is None else [bare, *choices]
    touring = [camera.name for camera in rig.cameras if camera.stance == "tour"]
    tour = [choice for choice in choices if any(name in choice.cameras for name in touring)]
    if tour:
        places = with_tour(places, toolpath, layers, np.array([choice.layer for choice in tour], np.int64))
    ground = Ground(toolpath, rig.printer)
    toured = frozenset(c.gap for c in choices if c.layer in looked_at and gaps.ends_layer[c.gap])
    maker = BlockMaker(toolpath, layers, rig, habit, ground, Router(ground), toured)
    touring_at = {choice.gap: k for k, choice in enumerate(tour)}
    pairs, refusals = _make(maker, choices, places, gaps.at_s, touring_at, progress)
    losses_s = rest_losses_s(toolpath, rig.printer, _rows(choice for choice, _ in pairs), timeline.end_s)
    pairs, slow = drop_over_cap(pairs, losses_s, rig.plan.max_added, timeline.print_s)
    if slow:  # the print around the shots that are left loses less
        losses_s = rest_losses_s(toolpath, rig.printer, _rows(choice for choice, _ in pairs), timeline.end_s)
    pairs = _finished(pairs, losses_s, toolpath, timeline)
    if not pairs:
        raise _nothing_left([*refusals, *unmet])
    shots = tuple(shot for _, shot in pairs)
    plan = Plan(
        original_sha256=toolpath.sha256,
        rig=rig.raw,
        shots=shots,
        print_s=round(timeline.print_s, 3),
        cost_s=round(sum(shot.cost_s for shot in shots), 3),
        film_s=round(rig.film.length_s or sum(bool(shot.stops) for shot in shots) / float(rig.film.fps), 3),
        layer_count=len(layers),
    )
    planning = Planning(
        plan=plan,
        choices=tuple(choice for choice, _ in pairs),
        refusals=tuple(refusals),
        dropped=(*slow,),
        unmet=(*unmet, *crowded),
        places=places,
        automatic=automatic,
    )
    said = [*guessed, *beside, *plan_warnings(planning, layers, times, rig, gaps.outer_said)]
    plan = looked_over(replace(plan, warnings=tuple(said)), toolpath, layers, rig)
    return replace(planning, plan=plan)


def _scheduled(rig: Rig, layers: Layers, times: LayerTimes) -> list[Wishes]:
    """Return the wishes of all cameras whose schedule is known."""
    return [wishes_of(camera, layers, times) for camera in rig.cameras if camera.every != AUTO]


def _ready_row(toolpath: Toolpath, layers: Layers, rig: Rig) -> tuple[int, list[str]]:
    """Return the row from which a macro has homed the machine, and a warning where that is a guess.

    Where a macro leaves the nozzle is not in the file either; a finished layer has said it.
    """
    if not homes_by_macro(toolpath, rig.printer.homes):
        return len(toolpath), []
    first, stop = layers.first_row[:2].tolist()
    ready_row = first + int(np.flatnonzero(toolpath.kind[first:stop] == Kind.EXTRUDE)[-1])
    if toolpath.mode[ready_row] & Mode.HOMED or rig.printer.homes != "guess":
        return ready_row, []
    return ready_row, [
        f"the file does not home the machine; the command in line {macro_line(toolpath)} is taken to do it. "
        'Write homes = "macro" in [printer] if that is so, homes = "file" if it is not'
    ]


def _nothing_left(left_out: list[LeftOut]) -> PlanError:
    reasons = by_reason(left_out) or ["no camera asks for one"]
    more = f" (and {len(reasons) - 3} more reasons)" if len(reasons) > 3 else ""
    hint = "change the cameras' stance or every"
    if any(shot.why == NOT_HOMED for shot in left_out):
        hint = 'write homes = "macro" in [printer] if a start macro homes the machine; else add G28'
    return PlanError(f"not one shot can be taken; {'; '.join(reasons[:3])}{more}", hint)


def looked_over(plan: Plan, toolpath: Toolpath, layers: Layers, rig: Rig) -> Plan:
    """Return a plan with the surveys, the corner visits and the waits that the rig asks for.

    Raises
    ------
    PlanError
        when one of the layers cannot be looked over.
    """
    if rig.plan.survey_layers:
        from twinlapse.plan.where.survey_grid import with_surveys

        plan = with_surveys(plan, toolpath, layers, rig, rig.plan.survey_layers)
    if rig.plan.corner_layers:
        from twinlapse.plan.where.corner_visits import with_corners

        plan = with_corners(plan, toolpath, layers, rig, rig.plan.corner_layers)
    if rig.plan.hold:
        from twinlapse.plan.waits import with_holds

        plan = with_holds(plan, toolpath, layers, rig)
    return plan


def _make(
    maker: BlockMaker,
    choices: list[Choice],
    places: Places,
    at_s: np.ndarray,
    tour: dict[int, int],
    progress: Progress | None,
) -> tuple[list[tuple[Choice, Shot]], list[LeftOut]]:
    """Work out every shot in the order of the file."""
    pairs: list[tuple[Choice, Shot]] = []
    refusals: list[LeftOut] = []
    rig = maker.rig
    for k, choice in enumerate(choices):
        cameras = [camera for camera in rig.cameras if camera.name in choice.cameras]
        stands = stands_for(cameras, places, rig.printer, choice.layer, tour.get(choice.gap, 0))
        shot, refused = maker.make(choice, stands, float(at_s[choice.gap]))
        refusals += refused
        if shot is not None:
            pairs.append((choice, shot))
        if progress is not None:
            progress((k + 1) / len(choices))
    return pairs, refusals


def _rows(choices: Iterable[Choice]) -> Int:
    return np.array([choice.moment.row for choice in choices], np.int64)


def _finished(
    pairs: list[tuple[Choice, Shot]], losses_s: Float, toolpath: Toolpath, timeline: Timeline
) -> list[tuple[Choice, Shot]]:
    """Number the shots, find the bytes behind their lines, and add what the print around them loses."""
    rows = _rows(choice for choice, _ in pairs)
    lines = [
        int(toolpath.byte[moment.row]) if moment.byte is None else moment.byte
        for moment in (choice.moment for choice, _ in pairs)
    ]
    ends = _ends_of_lines(toolpath, lines)
    return [
        (
            choice,
            replace(
                shot,
                number=k + 1,
                byte=ends[k],
                at_s=round(float(timeline.end_s[rows[k]]), 3),
                cost_s=round(shot.cost_s + float(losses_s[k]), 3),
            ),
        )
        for k, (choice, shot) in enumerate(pairs)
    ]


def _ends_of_lines(toolpath: Toolpath, starts: list[int]) -> list[int]:
    """Return the offset of the first byte behind the lines that begin at some bytes."""
    if not starts:
        return []
    with mapped(toolpath.path, "G-code file") as view:
        found = [view.find(b"\n", start) + 1 for start in starts]
    return [end or toolpath.size for end in found]
