"""Which pictures of a recording were taken while the machine stood at a stop, and how sure that is."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from twinlapse.arrays import Float
from twinlapse.machine_course import MachineCourse
from twinlapse.pairing.clock_ties import ClockTie, offset_tie, same_clock, tie_by_motion
from twinlapse.pairing.course_alignment import CourseAlignment, align_course
from twinlapse.pairing.motion_signal import MotionSignal
from twinlapse.records import ArrayRecord

__all__ = ["SURE", "RecordingStops", "RecordingView", "StopFrames", "find_stop_frames"]

SURE = 0.98  # a frame that is less sure should be looked at
_KEPT = 0.3  # a less likely frame is not kept
_ALIKE = 0.01  # frames that are nearly as sure as the best are as good; the sharpest of them is taken
_TIE_S = 0.1  # by which a tied clock may be off at a stop
_LONGEST_S = 0.6  # of a period: a gap in a recording is not the rate of its camera
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
    tied: str  # "alone"; "motion" or "stamps": how its clock is tied to other recordings
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
    ties = _ties(views)
    results: list[RecordingStops | None] = [None] * len(views)
    while None in results:
        # the recording that most of the others are tied to first
        left = [k for k, result in enumerate(results) if result is None]
        head = max(left, key=lambda k: sum(ties[k][other] is not None for other in left))
        group = [head] + [k for k in left if k != head and ties[head][k] is not None]
        to_head = [tie for k in group if (tie := ties[head][k]) is not None]
        alignment = align_course(course, [views[k].signal for k in group], to_head)
        sources = [tie.source for tie in to_head[1:]]
        for place, k in enumerate(group):
            # the first is tied as the best of the others is tied to it
            tied = "alone" if not sources else sources[place - 1] if place else min(sources)
            results[k] = _stops_of(course, alignment, views[k], to_head[place], place, tied)
    return [result for result in results if result is not None]


def _ties(views: Sequence[RecordingView]) -> list[list[ClockTie | None]]:
    """Return the tie of recording k by the clock of recording h at [h][k]."""
    table: list[list[ClockTie | None]] = [[None] * len(views) for _ in views]
    for h, one in enumerate(views):
        table[h][h] = same_clock(float(one.signal.time_s[-1]))
        for k in range(h + 1, len(views)):
            other = views[k]
            tie = tie_by_motion(other.signal, one.signal)
            if tie is None and one.begun_s is not None and other.begun_s is not None:
                tie = offset_tie(other.begun_s - one.begun_s, float(other.signal.time_s[-1]))
            if tie is not None:
                table[h][k], table[k][h] = tie, tie.reversed()
    return table


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
    odds = np.concatenate([[0.0], np.minimum(0.0, alignment.standing[place]), [0.0]])
    here_s = tie.there(pictures_s)
    period_s = np.minimum(np.diff(here_s, append=here_s[-1] + _LONGEST_S), _LONGEST_S)
    period_s = np.maximum(period_s, np.concatenate([period_s[:1], period_s[:-1]]))
    slack_s = 0.5 * period_s + (0.0 if tied == "alone" else _TIE_S)
    found = []
    for index in range(len(course.stops)):
        span = alignment.span_of(index)
        if span is None:
            continue
        a, b = (int(k) for k in np.searchsorted(here_s, span))
        if b <= a:
            continue
        chance = alignment.chance_at(index, here_s[a:b] - slack_s[a:b], here_s[a:b] + slack_s[a:b])
        # where the camera itself saw something move right before or after, it may not have stood yet
        chance = np.clip(chance, 1e-9, 1 - 1e-9)
        logit = np.log(chance / (1 - chance)) + odds[a:b] + odds[a + 1 : b + 1]
        chance = 1 / (1 + np.exp(-logit))
        best = float(chance.max())
        if best < _KEPT:
            continue
        good = chance >= best - _ALIKE
        found.append(StopFrames(index=index, time_s=pictures_s[a:b][good], confidence=best))
    return RecordingStops(
        stops=tuple(found),
        tied=tied,
        sees=alignment.insight[place] >= _SEES,
        rate=alignment.rate / tie.rate,
    )
