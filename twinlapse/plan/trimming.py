"""Shots that a plan leaves out: too near to the one before, or over the most that may be added."""

from __future__ import annotations

from typing import TYPE_CHECKING

from twinlapse.plan.choosing import Choice
from twinlapse.plan.wishes import Float
from twinlapse.rig.schedules import amount_s

if TYPE_CHECKING:
    from twinlapse.shots import Shot


def drop_near(choices: list[Choice], at_s: Float, min_gap_s: float) -> tuple[list[Choice], int]:
    """Return the shots that keep the smallest gap from the one before, and how many do not."""
    kept: list[Choice] = []
    for choice in choices:
        if not kept or at_s[choice.gap] - at_s[kept[-1].gap] >= min_gap_s - 1e-9:
            kept.append(choice)
    return kept, len(choices) - len(kept)


def drop_over_cap(
    pairs: list[tuple[Choice, Shot]], cap: str, print_s: float
) -> tuple[list[tuple[Choice, Shot]], list[Shot]]:
    """Drop the dearest shots until all together cost no more than the cap.

    A mark on a wall that is seen counts as its price in seconds; of equals the later goes first.
    """
    most_s = amount_s(cap, print_s)
    total_s = sum(shot.cost_s for _, shot in pairs)
    dropped: set[int] = set()
    dearest = sorted(range(len(pairs)), key=lambda k: (pairs[k][1].cost_s + pairs[k][0].price_s, k))
    while total_s > most_s and dearest:
        k = dearest.pop()
        dropped.add(k)
        total_s -= pairs[k][1].cost_s
    kept = [pair for k, pair in enumerate(pairs) if k not in dropped]
    return kept, [pairs[k][1] for k in sorted(dropped)]
