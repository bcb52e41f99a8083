"""When the next shot is due, from the plan and the shots that came so far."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from twinlapse.shots import Plan, Shot

_OVERDUE_S = 60.0  # a shot that is later than this waits for a person, not for the next layer


@dataclass(slots=True)
class Forecast:
    """Follows the plan; times are monotonic seconds."""

    plan: Plan
    _next: int = field(default=0)  # index of the next shot in the plan
    _due_s: float | None = field(default=None)

    def answered(self, shot: int, at_s: float) -> None:
        """Note that a shot was answered at `at_s`."""
        index = next((i for i, planned in enumerate(self.plan.shots) if planned.number == shot), None)
        if index is None or index + 1 < self._next:
            return
        self._next = index + 1
        upcoming = self.upcoming
        here = self.plan.shots[index]
        self._due_s = None if upcoming is None else at_s + max(0.0, upcoming.at_s - here.at_s)

    def resume(self, shot: int) -> None:
        """Go on after a shot that was answered at an unknown time."""
        self._next = max(self._next, sum(planned.number <= shot for planned in self.plan.shots))

    @property
    def upcoming(self) -> Shot | None:
        """The next shot, None after the last."""
        return self.plan.shots[self._next] if self._next < len(self.plan.shots) else None

    @property
    def done(self) -> int:
        """Shots behind us."""
        return self._next

    def due_in_s(self, now_s: float) -> float:
        """Seconds to the next shot; endless when unknown, long overdue or there is none."""
        if self._due_s is None or now_s > self._due_s + _OVERDUE_S:
            return math.inf
        return max(0.0, self._due_s - now_s)
