"""Where the machine should be at which time of a written file: what both halves know about its motion."""

from __future__ import annotations

from dataclasses import dataclass

from twinlapse.arrays import Float
from twinlapse.records import ArrayRecord

__all__ = ["MachineCourse"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class MachineCourse(ArrayRecord):
    """The stops of a written file in order, and the path of the nozzle over the bed between them.

    Times count from the first move, without what a file cannot know (heating, pauses).
    """

    stops: tuple[tuple[int, int], ...]  # (n,) shot, and stop in the shot
    start_s: Float  # (n,) when the machine comes to stand there
    end_s: Float  # (n,) when it leaves
    length_s: float  # of the whole print
    time_s: Float | None = None  # (k,) rising; None where only the plan is known
    place_mm: Float | None = None  # (k, 3) of the nozzle in G-code coordinates at these times
