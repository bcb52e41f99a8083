"""A plan with the reasons behind it: what the summary, the warnings and ``--why`` read."""

from __future__ import annotations

from dataclasses import dataclass

from twinlapse.plan.shot_builder import Refusal
from twinlapse.plan.when.choice import Choice
from twinlapse.plan.where.stop_positions import Places
from twinlapse.records import ArrayRecord
from twinlapse.shots import Plan, Shot


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class Planning(ArrayRecord):
    """A plan, the insertion point chosen for each shot, and what was left out."""

    plan: Plan
    choices: tuple[Choice, ...]  # of the plan's shots, in their order
    refusals: tuple[Refusal, ...]
    dropped: tuple[Shot, ...]  # by the cap or the smallest gap
    unmet: int  # scheduled shots without an insertion point
    places: Places
