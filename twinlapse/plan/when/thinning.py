"""Shots that a plan leaves out: too near to the one before, or over the most that may be added."""

from __future__ import annotations

from typing import TYPE_CHECKING

from twinlapse.arrays import Float
from twinlapse.plan.left_out import LeftOut
from twinlapse.plan.when.choice import Choice
from twinlapse.rig.notations import amount_s

if TYPE_CHECKING:
    from twinlapse.shots import Shot

__all__ = ["drop_near", "drop_over_cap"]


def drop_near(choices: list[Choice], at_s: Float, min_gap_s: float) -> tuple[list[Choice], list[LeftOut]]:
    """Return the shots that keep the smallest gap from the one before, and those that do not."""
    kept: list[Choice] = []
    near: list[LeftOut] = []
    for choice in choices:
        here_s = float(at_s[choice.gap])
        if not kept or here_s - at_s[kept[-1].gap] >= min_gap_s - 1e-9:
            kept.append(choice)
        else:
            why = f"nearer than min_gap_s = {min_gap_s:g} to the shot before"
            near.append(LeftOut(layer=choice.layer, at_s=here_s, cameras=choice.cameras, why=why))
    return kept, near


def drop_over_cap(
    pairs: list[tuple[Choice, Shot]], losses_s: Float, cap: str, print_s: float
) -> tuple[list[tuple[Choice, Shot]], list[Shot]]:
    """Drop the slowest shots until all together add no more than the cap.

    A mark on a visible outer wall counts by its weight in seconds. Of shots that cost about the same, every
    other one goes first, so that the film is thinned and not cut short; the last shot stays to the end.
    """
    most_s = amount_s(cap, print_s)
    costs_s = [shot.cost_s + float(loss) for (_, shot), loss in zip(pairs, losses_s, strict=True)]
    total_s = sum(costs_s)
    if total_s <= most_s:
        return pairs, []
    last = len(pairs) - 1
    slowest = sorted(
        (k for k in range(len(pairs)) if pairs[k][0].cameras),  # a survey is asked for by itself
        key=lambda k: (k != last, round(2 * (costs_s[k] + pairs[k][0].weight_s)), _evenly(k)),
    )
    dropped: set[int] = set()
    while total_s > most_s and slowest:
        k = slowest.pop()
        dropped.add(k)
        total_s -= costs_s[k]
    kept = [pair for k, pair in enumerate(pairs) if k not in dropped]
    return kept, [pairs[k][1] for k in sorted(dropped)]


def _evenly(k: int) -> float:
    """Return the k-th number of van der Corput's sequence: whatever lies above a bound is spread evenly."""
    value, digit = 0.0, 0.5
    while k:
        value += digit * (k & 1)
        k, digit = k >> 1, digit / 2
    return value
