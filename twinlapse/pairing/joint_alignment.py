"""Recordings of one night on one clock, so that what one camera shows speaks for the others too.

The machine stands when no camera sees it move, and a true stop looks like one to all of them. The clocks are
tied where both cameras, each for itself, found the same stop.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from twinlapse.arrays import Float
from twinlapse.pairing.standstills import Watched, looks_of
from twinlapse.pairing.stop_matching import Alignment, Schedule, Standstill, align

_FEWEST, _AGREE = 8, 0.6  # stops that tie two clocks: at least, and which share of them on one line
_ALIKE_S = 0.45  # that the lengths of such a stop differ in two recordings
_NEAR_S = 1.0  # from that line, where a recorder drops pictures
_SMOOTH = 9  # standstills over which it may wander
_MOST_CLOCK = 0.05  # that two clocks differ


@dataclass(frozen=True, slots=True, kw_only=True)
class Tie:
    """The clock of one recording by that of another."""

    here_s: Float  # (k,) rising
    there_s: Float  # (k,) rising
    pace: float  # seconds there for one here

    def there(self, time_s: float) -> float:
        """Return the time there of a time here; beyond both ends the clocks run on at their pace."""
        near = min(max(time_s, float(self.here_s[0])), float(self.here_s[-1]))
        return float(np.interp(near, self.here_s, self.there_s)) + self.pace * (time_s - near)

    def reversed(self) -> Tie:
        """Return the same, looked at from there."""
        return Tie(here_s=self.there_s, there_s=self.here_s, pace=1 / self.pace)

    def bring(self, found: list[Standstill]) -> list[Standstill]:
        """Return standstills of here by the clock there."""
        return [Standstill(start_s=self.there(a.start_s), end_s=self.there(a.end_s)) for a in found]


@dataclass(frozen=True, slots=True, kw_only=True)
class Seen:
    """What one recording shows."""

    watched: Watched
    found: list[Standstill]
    span_s: tuple[float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Paired:
    """What a recording has of the plan."""

    alignment: Alignment
    found: list[Standstill]  # by its own clock, in the order of the alignment's indices
    tied: bool  # to the first recording


@dataclass(frozen=True, slots=True, kw_only=True)
class Joint:
    """Standstills of the machine by the clock of the first of some recordings."""

    found: list[Standstill]
    alone: NDArray[np.bool_]  # (m,) only one camera saw it


def pair(schedule: Schedule, seen: Sequence[Seen], shortest_s: float) -> list[Paired]:
    """Match the standstills of all recordings of a night to the stops of a plan.

    Parameters
    ----------
    schedule : Schedule
    seen : sequence of Seen
        One a recording; those whose clock can be tied to the first one's are paired together with it.
    shortest_s : float
        Shorter standstills are no stops.

    Returns
    -------
    list of Paired
        One a recording, in order.
    """
    own = [align(schedule, one.found, span_s=one.span_s, looks=[looks_of(one.watched, one.found)])
           for one in seen]  # fmt: skip
    paired = [Paired(alignment=by, found=one.found, tied=False) for by, one in zip(own, seen, strict=True)]
    ties = {0: _same(seen[0])} if seen else {}
    for place in range(1, len(seen)):
        found = tie(seen[0].found, seen[place].found, own[0], own[place])
        if found is not None:
            ties[place] = found
    if len(ties) < 2:
        return paired
    back = {place: by.reversed() for place, by in ties.items()}
    spans_s = [(by.there(seen[k].span_s[0]), by.there(seen[k].span_s[1])) for k, by in back.items()]
    joint = join([by.bring(seen[place].found) for place, by in back.items()], spans_s, shortest_s)
    brought = {place: by.bring(joint.found) for place, by in ties.items()}
    alignment = align(
        schedule,
        joint.found,
        span_s=(min(first for first, _ in spans_s), max(last for _, last in spans_s)),
        looks=[looks_of(seen[place].watched, stills) for place, stills in brought.items()],
        alone=joint.alone,
    )
    for place, by in ties.items():
        its = replace(alignment, clock=alignment.clock * by.pace)
        paired[place] = Paired(alignment=its, found=brought[place], tied=True)
    return paired


def _same(seen: Seen) -> Tie:
    ends_s = np.array(seen.span_s)
    return Tie(here_s=ends_s, there_s=ends_s, pace=1.0)


def tie(
    here: list[Standstill], there: list[Standstill], by_here: Alignment, by_there: Alignment
) -> Tie | None:
    """Tie two recordings of one night, each paired for itself; None when they do not agree."""
    of_there = {(match.shot, match.stop): match.index for match in by_there.matches}
    both = [(here[match.index], there[of_there[match.shot, match.stop]]) for match in by_here.matches
            if (match.shot, match.stop) in of_there]  # fmt: skip
    # where one camera does not see the machine leave, its middle is elsewhere
    alike = [(a, b) for a, b in both if abs(a.end_s - a.start_s - b.end_s + b.start_s) < _ALIKE_S]
    if len(alike) < _FEWEST:
        return None
    x, y = (np.array([0.5 * (still.start_s + still.end_s) for still in stills])
            for stills in zip(*alike, strict=True))  # fmt: skip
    pace, offset = _line(x, y)
    near = np.abs(y - offset - pace * x) < _NEAR_S
    if near.mean() < _AGREE or abs(pace - 1) > _MOST_CLOCK:
        return None
    off = _running_median((y - offset - pace * x)[near])
    return Tie(here_s=x[near], there_s=offset + pace * x[near] + off, pace=pace)


def join(
    found: Sequence[list[Standstill]], spans_s: Sequence[tuple[float, float]], shortest_s: float
) -> Joint:
    """Return when no recording shows anything that moves, and when only some show nothing.

    Parameters
    ----------
    found : sequence of lists of Standstill
        Of every recording, all by one clock.
    spans_s : sequence of (start, end)
        What each recording covers; beyond that it gainsays nobody.
    shortest_s : float
    """
    edges = [time_s for span in spans_s for time_s in span]
    edges += [time_s for stills in found for still in stills for time_s in (still.start_s, still.end_s)]
    edge_s = np.unique(edges)
    middle_s = 0.5 * (edge_s[1:] + edge_s[:-1])
    covers = np.array([(first < middle_s) & (middle_s < last) for first, last in spans_s])
    stands = np.array([_inside(middle_s, stills) for stills in found])
    runs = _runs((stands | ~covers).all(axis=0) & covers.any(axis=0))
    both = [Standstill(start_s=float(edge_s[a]), end_s=float(edge_s[b])) for a, b in runs]
    both = [still for still in both if still.end_s - still.start_s >= shortest_s]
    taken = np.array([still.start_s for still in both]), np.array([still.end_s for still in both])
    single = [
        still
        for stills in found
        for still in stills
        if np.searchsorted(taken[1], still.start_s, "right") == np.searchsorted(taken[0], still.end_s)
    ]
    marked = [(still.start_s, still, False) for still in both]
    marked += [(still.start_s, still, True) for still in single]
    marked.sort(key=lambda one: one[0])
    return Joint(found=[still for _, still, _ in marked], alone=np.array([m[2] for m in marked], dtype=bool))


def _inside(time_s: Float, stills: list[Standstill]) -> NDArray[np.bool_]:
    began = np.searchsorted([still.start_s for still in stills], time_s, "right")
    ended = np.searchsorted([still.end_s for still in stills], time_s, "right")
    return np.asarray(began > ended)


def _runs(flags: NDArray[np.bool_]) -> list[tuple[int, int]]:
    change = np.flatnonzero(np.diff(np.concatenate([[0], flags.astype(np.int8), [0]])))
    return list(zip(change[::2].tolist(), change[1::2].tolist(), strict=True))


def _line(x: Float, y: Float) -> tuple[float, float]:
    """Slope and offset that most points share: medians over pairs of points (Theil and Sen)."""
    half = len(x) // 2  # far pairs tell the slope finely
    pace = float(np.median((y[half:] - y[: len(y) - half]) / (x[half:] - x[: len(x) - half])))
    return pace, float(np.median(y - pace * x))


def _running_median(values: Float) -> Float:
    padded = np.pad(values, _SMOOTH // 2, mode="edge")
    smooth: Float = np.median(np.lib.stride_tricks.sliding_window_view(padded, _SMOOTH), axis=1)
    return smooth
