"""A plan with the reasons behind it: what the summary, the warnings and ``--why`` read."""

from __future__ import annotations

from dataclasses import dataclass

from twinlapse.plan.left_out import LeftOut
from twinlapse.plan.when.automatic import AutomaticSchedule
from twinlapse.plan.when.choice import Choice
from twinlapse.plan.where.stop_positions import Places
from twinlapse.records import ArrayRecord
from twinlapse.shots import Plan, Shot

__all__ = ["Planning"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class Planning(ArrayRecord):
    """A plan, the insertion point chosen for each shot, and what was left out."""

    plan: Plan
    choices: tuple[Choice, ...]  # of the plan's shots, in their order
    refusals: tuple[LeftOut, ...]  # whole shots and single stops that cannot be reached
    dropped: tuple[Shot, ...]  # by max_added
    unmet: tuple[LeftOut, ...]  # scheduled shots without an insertion point, or too near to another
    places: Places
    automatic: AutomaticSchedule | None  # picked for cameras that have none of their own

    @property
    def left_out(self) -> tuple[LeftOut, ...]:
        """All that the schedules ask for and the plan does not hold, in the order of the print."""
        dropped = (
            LeftOut(
                layer=shot.layer,
                at_s=shot.at_s,
                cameras=tuple(dict.fromkeys(name for stop in shot.stops for name in stop.cameras)),
                why="dropped to keep max_added",
            )
            for shot in self.dropped
        )
        return tuple(sorted([*self.refusals, *dropped, *self.unmet], key=lambda shot: shot.at_s))
