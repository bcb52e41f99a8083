"""A plan in eleven lines, and what other schedules would cost."""

from __future__ import annotations

from collections import Counter

from twinlapse.plan.cost import stop_s
from twinlapse.plan.outcome import Planning
from twinlapse.plan.when.automatic import schedule_choices
from twinlapse.rig import Rig

__all__ = ["choice_rows", "clock", "summary_rows"]


def summary_rows(planning: Planning, rig: Rig) -> list[tuple[str, str]]:
    """Return the table that ``twinlapse plan`` prints: eleven names with what there is to say of each."""
    plan = planning.plan
    by_camera = Counter(name for shot in plan.shots for stop in shot.stops for name in stop.cameras)
    how = Counter(shot.retract for shot in plan.shots)
    primed_mm = sum(shot.retract_mm for shot in plan.shots)
    standing_s = sum(stop_s(stop, rig) for shot in plan.shots for stop in shot.stops)
    stops = sum(len(shot.stops) for shot in plan.shots)
    dropped = len(planning.dropped) + len(planning.unmet)
    walls = sum(choice.outer for choice in planning.choices)
    return [
        ("Shots", f"{len(plan.shots):,} in {plan.layer_count:,} layers, {stops:,} stops"),
        ("Schedule", _schedule(planning)),
        ("By camera", ", ".join(f"{name} {count:,}" for name, count in by_camera.items())),
        ("Print", clock(plan.print_s)),
        ("Added", f"{clock(plan.cost_s)}, {100 * plan.cost_s / max(plan.print_s, 1e-9):.1f} %"),
        ("A shot costs", _spread([shot.cost_s for shot in plan.shots])),
        ("Standing still", f"{clock(standing_s)} of what is added"),
        ("Retractions", f"{how['own'] + how['firmware']:,} more, {primed_mm:,.1f} mm primed by the blocks"),
        ("Visible walls", f"{walls:,} shots stop at one"),
        ("Left out", f"{len(planning.refusals)} refused, {dropped} dropped"),
        ("Film", f"{plan.film_s:.1f} s; {_lights(planning, rig)}"),
    ]


def choice_rows(planning: Planning, rig: Rig) -> list[tuple[str, str]]:
    """Return what other schedules would cost, about; empty where every camera has a schedule of its own."""
    if planning.automatic is None:
        return []
    plan, step = planning.plan, planning.automatic.layer_step
    choices = schedule_choices(plan.layer_count, len(plan.shots), plan.cost_s, rig, step)
    return [
        (
            choice.name,
            f"{choice.shots:,} shots, {clock(choice.added_s)}, "
            f"{100 * choice.added_s / max(plan.print_s, 1e-9):.1f} %, film {choice.film_s:.1f} s",
        )
        for choice in choices
    ]


def clock(seconds: float) -> str:
    """Return hours, minutes and seconds."""
    whole = round(seconds)
    return f"{whole // 3600}:{whole % 3600 // 60:02}:{whole % 60:02}"


def _schedule(planning: Planning) -> str:
    picked = planning.automatic
    if picked is None:
        return "as the rig says"
    how = "every layer" if picked.layer_step == 1 else f"every {picked.layer_step} layers"
    return f"{how}, picked to add at most {100 * picked.share:g} % ({', '.join(picked.cameras)})"


def _spread(costs_s: list[float]) -> str:
    return f"{min(costs_s):.1f} to {max(costs_s):.1f} s, {sum(costs_s) / len(costs_s):.1f} s on average"


def _lights(planning: Planning, rig: Rig) -> str:
    """Return how long cameras with commands for their light keep it on, at the least."""
    lit = {camera.name for camera in rig.cameras if camera.light is not None}
    spent = sum(
        stop_s(stop, rig) for shot in planning.plan.shots for stop in shot.stops if lit & set(stop.cameras)
    )
    return f"lights on for {spent / 60:.1f} min at least" if lit else "no camera switches a light"
