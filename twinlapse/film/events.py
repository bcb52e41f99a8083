"""What happened while it printed, and at which moments of the film."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from twinlapse.film.overlay_values import Facts
from twinlapse.film.print_facts import PrintFacts
from twinlapse.frames.grouping import Slot
from twinlapse.shots import Plan

__all__ = ["Event", "close_up_moments", "events_of_file", "moments_of", "shown_moments"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Event:
    """Something that happened at a layer."""

    layer: int  # from 0
    words: str


def events_of_file(facts: PrintFacts) -> tuple[Event, ...]:
    """Return the filament changes of a sliced file."""
    return tuple(
        Event(layer=layer, words=f"Filament changed: {what}" if what else "Filament changed")
        for layer, what in facts.filament_changes
    )


def moments_of(events: Sequence[Event], slots: Sequence[Slot], plan: Plan | None) -> tuple[int, ...]:
    """Return for each event the moment that shows it: the first shot of its layer or a later one."""
    if plan is None:
        return ()
    layers = {shot.number: shot.layer for shot in plan.shots}
    reached = [layers.get(slot.shot, -1) for slot in slots]
    last = len(slots) - 1
    return tuple(
        next((place for place, layer in enumerate(reached) if layer >= event.layer), last) for event in events
    )


def close_up_moments(facts: Sequence[Facts], moments: Sequence[int]) -> tuple[int, ...]:
    """Return the moments that a close-up shows: layer 1, or the first frame, and those of events."""
    first = {place for place, fact in enumerate(facts) if fact.is_layer and fact.count[0] == 1}
    return tuple(sorted({0, *first, *moments}))


def shown_moments(moments: Sequence[int], slots_shown: Sequence[int]) -> tuple[int, ...]:
    """Return for each moment the next one that the film shows; a short film passes over some."""
    shown = sorted(set(slots_shown))
    return tuple(next((slot for slot in shown if slot >= moment), shown[-1]) for moment in moments)
