"""When the next shot is due, from the plan and the shots that came so far."""

from __future__ import annotations

import math
from collections import deque
from statistics import median

from twinlapse.shots import Plan, Shot

__all__ = ["Forecast"]

_OVERDUE_S = 60.0  # a shot that is later than this waits for a person, not for the next layer
_LEARNT = 8  # intervals from which the print's real pace is taken
_PACE = (0.3, 3.0)  # real over planned time; beyond it was a pause or a jump
_SILENT_S, _SILENT_SHARE = 120.0, 0.5  # a cue is missing when it is overdue by so long and such a share


class Forecast:
    """Follows the plan; times are monotonic seconds.

    The print's real pace is learnt from the times of its cues: firmware, speed settings and the cost of a
    stop differ from the model.
    """

    def __init__(self, plan: Plan) -> None:
        self.plan = plan
        self._index = {shot.number: index for index, shot in enumerate(plan.shots)}
        self.restart()

    def restart(self) -> None:
        """Forget everything: another print begins."""
        self._next = 0  # index of the next shot in the plan
        self._due_s: float | None = None
        self._interval_s = 0.0
        self._last: tuple[int, float] | None = None
        self._paces: deque[float] = deque(maxlen=_LEARNT)

    def answered(self, shot: int, at_s: float) -> None:
        """Note that a shot was cued at `at_s`."""
        index = self._index.get(shot)
        if index is None or index + 1 < self._next:
            return
        shots = self.plan.shots
        if self._last is not None and index > self._last[0]:
            planned_s = _between_s(shots[self._last[0] : index + 1])
            pace = (at_s - self._last[1]) / planned_s if planned_s > 0 else 0.0
            if _PACE[0] <= pace <= _PACE[1]:
                self._paces.append(pace)
        if self._last is None or index > self._last[0]:
            self._last = (index, at_s)
        self._next = index + 1
        if self.upcoming is None:
            self._due_s = None
            return
        pace = median(self._paces) if self._paces else 1.0
        self._interval_s = pace * _between_s(shots[index : index + 2])
        self._due_s = at_s + self._interval_s

    def resume(self, shot: int) -> None:
        """Go on after a shot that was answered at an unknown time."""
        self._next = max(self._next, sum(planned.number <= shot for planned in self.plan.shots))

    @property
    def upcoming(self) -> Shot | None:
        """The next shot, None after the last."""
        return self.plan.shots[self._next] if self._next < len(self.plan.shots) else None

    @property
    def waits_behind(self) -> Shot | None:
        """The last shot, where the plan lets the machine wait for a person behind it."""
        last = self.plan.shots[self._next - 1] if self._next else None
        return last if last is not None and last.hold_mm is not None else None

    @property
    def done(self) -> int:
        """Shots behind us."""
        return self._next

    def due_in_s(self, now_s: float) -> float:
        """Seconds to the next shot, below 0 when it is overdue; endless when unknown or long overdue."""
        if self._due_s is None or now_s > self._due_s + _OVERDUE_S:
            return math.inf
        return self._due_s - now_s

    def left_s(self, now_s: float) -> float:
        """Seconds to the end of the print at its real pace, stops included; endless when unknown."""
        due_in_s, upcoming = self.due_in_s(now_s), self.upcoming
        if upcoming is None or math.isinf(due_in_s):
            return math.inf
        rest = self.plan.shots[self._next :]
        planned_s = self.plan.print_s - upcoming.at_s + sum(shot.cost_s for shot in rest)
        pace = median(self._paces) if self._paces else 1.0
        return max(0.0, due_in_s) + pace * max(0.0, planned_s)

    def silent_s(self, now_s: float) -> float:
        """Seconds by which the next cue is missing beyond what a slow layer explains, 0 when it is not."""
        if self._due_s is None:
            return 0.0
        overdue_s = now_s - self._due_s
        return overdue_s if overdue_s > max(_SILENT_S, _SILENT_SHARE * self._interval_s) else 0.0


def _between_s(shots: tuple[Shot, ...]) -> float:
    """Return the planned seconds from the first cue of a row of shots to the last one's."""
    return shots[-1].at_s - shots[0].at_s + sum(shot.cost_s for shot in shots[:-1])
