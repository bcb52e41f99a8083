"""Which pictures of a recording were taken while the machine stood at a stop, and how sure that is."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from twinlapse.arrays import Float
from twinlapse.machine_course import MachineCourse
from twinlapse.pairing.clock_ties import ClockTie, offset_tie, same_clock, tie_by_motion
from twinlapse.pairing.course_alignment import CourseAlignment, align_course
from twinlapse.pairing.course_ties import tie_by_course
from twinlapse.pairing.motion_signal import MotionSignal
from twinlapse.records import ArrayRecord

__all__ = ["SURE", "RecordingStops", "RecordingView", "StopFrames", "find_stop_frames"]

SURE = 0.98  # a frame that is less sure should be looked at
_KEPT = 0.3  # a less likely frame is not kept
_ALIKE = 0.01  # frames that are nearly as sure as the best are as good; the sharpest of them is taken
_TIE_S = 0.1  # by which a tied clock may be off at a stop
_LONGEST_S = 0.6  # of a period: a gap in a recording is not the rate of its camera
_INNER = 0.25  # of the time between two pictures, at both of its ends, left to the machine to come and go
_UNTIED = 0.9  # at most, of a frame whose recording could not be tied to a better one
# A clock is hardly ever off by as much as it may be: shares of that, and how sure a frame is at most if it
# is right so far.
_TIED = ((1.0, 1.0), (0.5, 0.9), (0.0, 0.8))
_UNSPOILT = 0.9  # of what the recordings of a group say must be left when others are tied to them
_SEES = 0.25  # bits a second: a camera that knows less sees nothing of the machine


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class RecordingView(ArrayRecord):
    """What one recording shows: its motion, and when it began if its files say so."""

    signal: MotionSignal
    begun_s: float | None = None  # since 1970


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class StopFrames(ArrayRecord):
    """The pictures of one recording that belong to a stop."""

    index: int  # of the stop in the course
    time_s: Float  # (k,) of the pictures, by the recording's clock
    confidence: float  # that any of them was taken while the machine stood there


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class RecordingStops(ArrayRecord):
    """What a recording has of a course."""

    stops: tuple[StopFrames, ...]
    tied: str  # "alone"; "motion", "course" or "stamps": how its clock is tied to other recordings
    sees: bool  # whether it shows the machine; else its frames come by the clock of another one
    rate: float  # seconds of the recording for one of the file


def find_stop_frames(course: MachineCourse, views: Sequence[RecordingView]) -> list[RecordingStops]:
    """Return for every recording of a run the pictures that were taken at each stop.

    Parameters
    ----------
    course : MachineCourse
    views : sequence of RecordingView
        One a recording. Those whose clocks can be tied speak for each other.
    """
    groups = _groups(course, views)
    results: dict[int, RecordingStops] = {}
    for group in groups:
        for place, (k, tie) in enumerate(group.ties.items()):
            # the first is tied as the best of the others is tied to it
            sources = sorted(one.source for one in list(group.ties.values())[1:])
            tied = "alone" if not sources else tie.source if place else sources[0]
            stops = _stops_of(course, group.alignment, views[k], tie, place, tied)
            # what cannot be brought together with a better recording of the run is not to be relied on
            # and a tie to the course may be half a second off
            sound = group is groups[0] and (place == 0 or tie.source != "course")
            results[k] = stops if sound else _doubted(stops)
    return [results[k] for k in range(len(views))]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class _Group(ArrayRecord):
    """Recordings whose clocks are tied, and what they say together."""

    ties: dict[int, ClockTie]  # number of the recording: its tie to the first one's clock
    alignment: CourseAlignment

    @property
    def trust(self) -> float:
        """How many stops are found, by their chances, times what is seen of the machine.

        One that sees next to nothing is sure of chance.
        """
        alignment = self.alignment
        found = alignment.stop >= 0
        best = np.zeros(int(alignment.stop.max(initial=0)) + 1)
        np.maximum.at(best, alignment.stop[found], alignment.chance[found])
        return float(best.sum()) * sum(alignment.insight)


def _doubted(stops: RecordingStops) -> RecordingStops:
    doubted = tuple(replace(one, confidence=min(one.confidence, _UNTIED)) for one in stops.stops)
    return replace(stops, stops=doubted)


def _groups(course: MachineCourse, views: Sequence[RecordingView]) -> list[_Group]:
    """Return groups of recordings, the best first.

    They are tied by what both saw, else by what the best group says, else by stamps.
    """

    def aligned(ties: dict[int, ClockTie]) -> _Group:
        alignment = align_course(course, [views[k].signal for k in ties], list(ties.values()))
        return _Group(ties=ties, alignment=alignment)

    groups = sorted((aligned(ties) for ties in _tied_by_motion(views)), key=lambda one: -one.trust)
    best, rest = groups[0], groups[1:]
    head = next(iter(best.ties))
    joined = dict(best.ties)
    for k in (k for group in rest for k in group.ties):
        tie = tie_by_course(views[k].signal, best.alignment)
        if tie is None:
            tie = _by_stamps(views[head], views[k])
        if tie is not None:
            joined[k] = tie
    if len(joined) == len(best.ties):
        return groups
    together = aligned(joined)
    # a wrong tie shows in what the better recordings are understood to say
    own = sum(together.alignment.insight[: len(best.ties)])
    if own < _UNSPOILT * sum(best.alignment.insight):
        return groups
    left = [{k: tie for k, tie in group.ties.items() if k not in joined} for group in rest]
    return [together, *(aligned(ties) for ties in left if ties)]


def _by_stamps(head: RecordingView, other: RecordingView) -> ClockTie | None:
    if head.begun_s is None or other.begun_s is None:
        return None
    return offset_tie(other.begun_s - head.begun_s, float(other.signal.time_s[-1]))


def _tied_by_motion(views: Sequence[RecordingView]) -> list[dict[int, ClockTie]]:
    """Return the recordings in groups, each with its tie to the first of its group."""
    table: list[list[ClockTie | None]] = [[None] * len(views) for _ in views]
    for h, one in enumerate(views):
        table[h][h] = same_clock(float(one.signal.time_s[-1]))
        for k in range(h + 1, len(views)):
            tie = tie_by_motion(views[k].signal, one.signal)
            if tie is not None:
                table[h][k], table[k][h] = tie, tie.reversed()
    groups: list[dict[int, ClockTie]] = []
    left = list(range(len(views)))
    while left:
        # the recording that most of the others are tied to first
        head = max(left, key=lambda k: sum(table[k][other] is not None for other in left))
        order = [head] + [k for k in left if k != head]
        groups.append({k: tie for k in order if (tie := table[head][k]) is not None})
        left = [k for k in left if k not in groups[-1]]
    return groups


def _stops_of(
    course: MachineCourse,
    alignment: CourseAlignment,
    view: RecordingView,
    tie: ClockTie,
    place: int,
    tied: str,
) -> RecordingStops:
    signal = view.signal
    pictures_s = np.concatenate([signal.before_s[:1], signal.time_s])
    stands = alignment.standing[place]
    sees = alignment.insight[place] >= _SEES
    odds = np.concatenate([[0.0], np.minimum(0.0, stands), [0.0]])
    here_s = tie.there(pictures_s)
    period_s = np.minimum(np.diff(here_s, append=here_s[-1] + _LONGEST_S), _LONGEST_S)
    period_s = np.maximum(period_s, np.concatenate([period_s[:1], period_s[:-1]]))
    slack_s = 0.5 * period_s + (0.0 if tied == "alone" else _TIE_S)
    off_s = tie.slack_s(pictures_s)
    found = []
    for index in range(len(course.stops)):
        span = alignment.span_of(index)
        if span is None:
            continue
        a, b = (int(k) for k in np.searchsorted(here_s, span))
        if b <= a:
            continue
        here, slack, off, chance = here_s[a:b], slack_s[a:b], off_s[a:b], np.zeros(b - a)
        for share, most in _TIED:
            beside = slack + share * off
            least = alignment.chance_at(index, here - beside, here + beside)
            chance = np.maximum(chance, np.minimum(most, least))
        # where the camera itself saw something move right before or after, it may not have stood yet
        chance = np.clip(chance, 1e-9, 1 - 1e-9)
        logit = np.log(chance / (1 - chance)) + odds[a:b] + odds[a + 1 : b + 1]
        chance = 1 / (1 + np.exp(-logit))
        if sees:
            # a camera that saw nothing move from one picture to the next stood at both
            early_s, late_s = here_s[a : b - 1], here_s[a + 1 : b]
            middle = alignment.chance_at(
                index, early_s + _INNER * (late_s - early_s), late_s - _INNER * (late_s - early_s)
            )
            still = np.minimum(middle, 1 / (1 + np.exp(-stands[a : b - 1])))
            chance = np.maximum(chance, _between_still(still, 0.5 * sum(span) - here_s[a:b]))
        best = float(chance.max())
        if best < _KEPT:
            continue
        good = chance >= best - _ALIKE
        found.append(StopFrames(index=index, time_s=pictures_s[a:b][good], confidence=best))
    if not sees and tied == "alone":
        found = []  # it knows of nothing, and nobody speaks for it
    return RecordingStops(stops=tuple(found), tied=tied, sees=sees, rate=alignment.rate / tie.rate)


def _between_still(still: Float, before_middle_s: Float) -> Float:
    """Return the chances of pictures between which nothing moved.

    The machine's first hundredths of a second are too little to be seen, so the last picture of a row may
    have been taken when it had just left, and the first before it had quite come. Only pictures with a still
    neighbour on both sides are as sure as the less sure side; of a lone pair it is the one nearer to the
    middle of the stop.

    Parameters
    ----------
    still : ndarray of shape (k - 1,)
        Chance that nothing moved between neighbours.
    before_middle_s : ndarray of shape (k,)
        From each picture to the middle of the stop.
    """
    chance = np.zeros(len(still) + 1)
    chance[1:-1] = np.minimum(still[:-1], still[1:])
    if len(still) and chance.max() < SURE:
        pair = int(np.argmax(still))
        nearer = pair + int(abs(before_middle_s[pair + 1]) < abs(before_middle_s[pair]))
        chance[nearer] = max(chance[nearer], still[pair])
    return chance
