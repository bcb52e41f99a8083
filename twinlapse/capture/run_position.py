"""Where the print stands among the planned stops, and which cue does not fit there.

A cue that does not fit is put aside: its picture is taken, and the next cue decides. When that one is a
neighbour of the one put aside, the print really is there: it jumped ahead (cues were lost), or it began
again. When it goes on from the old place, the one put aside was a stray. So no single cue can end a run,
close a gap of hundreds of shots or mix two prints.
"""

from __future__ import annotations

import enum
from collections.abc import Sequence
from dataclasses import dataclass

from twinlapse.shots import Shot

__all__ = ["FIRST_SHOTS", "LEAST_SHARE", "NEAR_SHOTS", "REDELIVERED_S", "Fit", "RunPlace", "RunPosition"]

RunPlace = tuple[int, int]  # shot and stop, from 1

NEAR_SHOTS = 3  # a few lost cues are usual; more need the time that the plan has between them
FIRST_SHOTS = 3  # a print that began again shows one of these first
LEAST_SHARE = 0.3  # of the planned time that really passes, for a print that runs at 300 % speed at most
REDELIVERED_S = 5.0  # a channel may deliver the same cue twice within this time (common practice, no source)


class Fit(enum.Enum):
    """How a cue fits to what came before."""

    NEXT = "next"  # it is taken, and what lies between is missed
    EARLIER = "earlier"  # a shot whose cue had been missed: it is taken, nothing else changes
    REPEATED = "repeated"  # it was answered already
    ASIDE = "aside"  # it does not fit: the next cue decides
    JUMP = "jump"  # it confirms the one put aside: cues between were lost
    NEW_RUN = "new run"  # it confirms the one put aside: the print began again


@dataclass(frozen=True, slots=True, kw_only=True)
class _Aside:
    place: RunPlace
    at_s: float
    answered: bool


class RunPosition:
    """Follows the places of cues; times are monotonic seconds.

    Parameters
    ----------
    shots : sequence of Shot
        The plan.
    last : Place, optional
        The last place that an earlier service answered; its time is unknown.
    """

    def __init__(self, shots: Sequence[Shot], last: RunPlace | None = None) -> None:
        self._index = {shot.number: index for index, shot in enumerate(shots)}
        self._at_s = [shot.at_s for shot in shots]
        self._stops = [len(shot.stops) for shot in shots]
        self.last = last
        self._last_s: float | None = None
        self._aside: _Aside | None = None
        self._ended = self._begun = False

    @property
    def aside(self) -> RunPlace | None:
        """The place whose cue waits for another to confirm it."""
        return None if self._aside is None else self._aside.place

    def end(self) -> None:
        """The run has ended: whatever comes next belongs to another print."""
        self._ended = True

    def begin(self) -> None:
        """The file's first line came: the next cue is of another run if it is one of the first."""
        self._begun = True

    def restart(self) -> None:
        """Begin another run."""
        self.last, self._last_s, self._aside = None, None, None
        self._ended = self._begun = False

    def judge(self, place: RunPlace, at_s: float, *, answered: bool) -> Fit:
        """Say how a cue fits, without changing anything."""
        aside = self._aside
        if aside is not None and self._confirms(aside, place, at_s):
            back = self.last is not None and aside.place <= self.last
            return Fit.NEW_RUN if back or self._ended else Fit.JUMP
        first = self._index[place[0]] < FIRST_SHOTS
        if first and (self._ended or (self._begun and self.last is not None and place <= self.last)):
            return Fit.NEW_RUN
        if self._ended:  # where it goes on right behind, the line that ended it was a stray
            near = self.last is not None and self._follows(self.last, None, place, at_s)
            return Fit.NEXT if near else Fit.ASIDE
        if self._fits(place, at_s):
            return Fit.NEXT
        if self.last is not None and place <= self.last:
            return self._behind(place, at_s, answered)
        return Fit.ASIDE

    def take(self, place: RunPlace, at_s: float, fit: Fit, *, answered: bool) -> None:
        """Take a judged cue in."""
        if fit in (Fit.NEXT, Fit.JUMP, Fit.NEW_RUN):
            self.last, self._last_s, self._aside = place, at_s, None
            self._ended = self._begun = False
            return
        doubtful = fit is Fit.ASIDE or (fit is Fit.REPEATED and self._is_old(at_s))
        if doubtful and self.aside != place:
            self._aside = _Aside(place=place, at_s=at_s, answered=answered)

    def between(self, place: RunPlace) -> tuple[RunPlace | None, RunPlace]:
        """Return the open interval of places that a cue at `place` leaves behind."""
        return self.last, place

    def _confirms(self, aside: _Aside, place: RunPlace, at_s: float) -> bool:
        here = self._ended or not self._fits(place, at_s)
        return here and self._follows(aside.place, aside.at_s, place, at_s)

    def _behind(self, place: RunPlace, at_s: float, answered: bool) -> Fit:
        assert self.last is not None
        behind = self._index[self.last[0]] - self._index[place[0]]
        if self._index[place[0]] < FIRST_SHOTS and behind >= 2 and self._is_old(at_s):
            return Fit.ASIDE
        return Fit.REPEATED if answered else Fit.EARLIER

    def _is_old(self, at_s: float) -> bool:
        return self._last_s is None or at_s - self._last_s > REDELIVERED_S

    def _fits(self, place: RunPlace, at_s: float) -> bool:
        if self.last is None:
            return self._index[place[0]] < NEAR_SHOTS
        return place > self.last and self._follows(self.last, self._last_s, place, at_s)

    def _follows(self, before: RunPlace, before_s: float | None, place: RunPlace, at_s: float) -> bool:
        """Return whether `place` can come next after `before`: near, or the planned time has passed."""
        if place <= before:
            return False
        ahead = self._index[place[0]] - self._index[before[0]]
        if ahead <= NEAR_SHOTS:
            return True
        if before_s is None:
            return False
        planned_s = self._at_s[self._index[place[0]]] - self._at_s[self._index[before[0]]]
        return at_s - before_s >= LEAST_SHARE * planned_s
