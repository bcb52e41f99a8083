"""What the film says of each moment: layer, height, time."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import accumulate

from twinlapse.frames.grouping import Slot
from twinlapse.shots import Plan

__all__ = ["Facts", "clock", "facts_of"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Facts:
    """Figures of one moment; None where nothing is known."""

    share: float  # of the way through the film's subject: height where known, else frames
    count: tuple[int, int]  # this layer or frame, and how many there are
    is_layer: bool
    height_mm: float | None = None
    elapsed_s: float | None = None
    remaining_s: float | None = None


def facts_of(slots: tuple[Slot, ...], plan: Plan | None) -> tuple[Facts, ...]:
    """Return the figures of every moment; times are the print's with its shots."""
    planned = {} if plan is None else {shot.number: shot for shot in plan.shots}
    if plan is None or not all(slot.shot in planned for slot in slots):
        last = max(1, len(slots) - 1)
        return tuple(
            Facts(share=place / last, count=(place + 1, len(slots)), is_layer=False)
            for place in range(len(slots))
        )
    top = max(shot.z_mm for shot in plan.shots) or 1.0
    total = plan.print_s + plan.cost_s
    costs = [0.0, *accumulate(shot.cost_s for shot in plan.shots)]
    added = {shot.number: cost for shot, cost in zip(plan.shots, costs, strict=False)}  # before each shot
    facts = []
    for slot in slots:
        shot = planned[slot.shot]
        elapsed = shot.at_s + added[slot.shot]
        facts.append(
            Facts(
                share=min(1.0, max(0.0, shot.z_mm / top)),
                count=(shot.layer + 1, plan.layer_count),
                is_layer=True,
                height_mm=shot.z_mm,
                elapsed_s=elapsed,
                remaining_s=max(0.0, total - elapsed),
            )
        )
    return tuple(facts)


def clock(seconds: float) -> str:
    """Return a time as "14:05" or "2:14:05"."""
    whole = int(seconds)
    hours, minutes, rest = whole // 3600, whole // 60 % 60, whole % 60
    return f"{hours}:{minutes:02d}:{rest:02d}" if hours else f"{minutes}:{rest:02d}"
