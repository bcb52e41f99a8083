"""The second judge of freshness: cameras whose delays are drawn at random, in simulated time.

Nothing here knows how the service reasons. A camera exposes row after row, holds its pictures up, loses some,
changes its pace; the arrival is all that leaves this file, with a brightness that follows from the light that
fell on each row. What is true of a picture stays here and is compared afterwards.
"""

from __future__ import annotations

import heapq
import random
from collections.abc import Iterator
from dataclasses import dataclass, field

KINDS = ("light", "stamp", "sender and light", "asked and light", "nothing")
TROUBLES = ("none", "jitter", "stalls", "growth", "bursts", "rates", "all")


@dataclass(slots=True)
class Exposure:
    """What is true of one picture; seconds."""

    begin_s: float  # first row
    end_s: float  # last row
    arrives_s: float
    stamp_s: float
    sender_s: float
    exposure_s: float  # of a row
    readout_s: float  # from the first row to the last


@dataclass(slots=True)
class Lamp:
    """When light really fell on the scene."""

    intervals: list[list[float]] = field(default_factory=list)

    def share(self, begin_s: float, exposure_s: float, readout_s: float) -> float:
        """Return the share of its light that a picture got, over 16 rows."""
        total = 0.0
        for row in range(16):
            first = begin_s + readout_s * row / 15
            for on, off in self.intervals[-4:]:
                total += max(0.0, min(off, first + exposure_s) - max(on, first))
        return total / (16 * exposure_s)


class Camera:
    """One camera with its own bad habits."""

    def __init__(self, dice: random.Random, trouble: str, span_s: float) -> None:
        self.dice, self.span_s = dice, span_s
        self.fps = dice.choice((5.0, 10.0, 15.0, 25.0, 30.0))
        share = dice.uniform(0.05, 0.9)  # of a period that an exposure takes; the rest may be read-out
        self.exposure_s = share / self.fps
        self.readout_s = dice.uniform(0.0, 1.0 - share) / self.fps
        self.latency_s = dice.choice((0.02, 0.06, 0.15, 0.3, 0.6, 0.9))
        has = lambda name: trouble in (name, "all")  # noqa: E731
        self.jitter_s = dice.choice((0.005, 0.03, 0.08)) if has("jitter") else 0.001
        self.growth = dice.uniform(0.2, 1.0) / span_s if has("growth") else 0.0
        self.stalls = sorted(self._stall() for _ in range(int(span_s / 25))) if has("stalls") else []
        self.batch = dice.choice((2, 3, 5)) if has("bursts") else 1
        self.rates = sorted((dice.uniform(0, span_s), dice.choice((5.0, 10.0, 15.0, 25.0, 30.0)))
                            for _ in range(int(span_s / 60))) if has("rates") else []  # fmt: skip
        self.clock_rate = 1 + dice.uniform(-1e-4, 1e-4)

    def _stall(self) -> tuple[float, float, str, float]:
        at_s = self.dice.uniform(0, self.span_s)
        kind = self.dice.choice(("paced", "paced", "paced", "dropped", "kept"))
        return at_s, self.dice.uniform(0.3, 3.0), kind, self.dice.choice((1.05, 1.2, 2.0, 5.0, 20.0))

    def exposures(self) -> Iterator[Exposure]:
        """Yield all pictures that arrive, in their order."""
        dice, now_s, last_s, kept_s, held_until_s, pace = self.dice, 0.0, 0.0, 0.0, -1.0, 20.0
        stalls, rates, fps, waiting = list(self.stalls), list(self.rates), self.fps, []
        gap_s = 0.0
        while now_s < self.span_s:
            if rates and now_s > rates[0][0]:
                fps = rates.pop(0)[1]
            begin_s, exposure_s = now_s, min(self.exposure_s, 0.9 / fps)
            readout_s = min(self.readout_s, 1 / fps - exposure_s)
            end_s = begin_s + exposure_s + readout_s
            now_s += 1 / fps
            dropped = False
            if stalls and end_s > stalls[0][0]:
                at_s, lasts_s, kind, pace = stalls[0]
                if end_s > at_s + lasts_s:
                    stalls.pop(0)
                elif kind == "dropped":
                    dropped = True
                elif kind == "kept":  # the queue never shrinks again (until the next such stall at least)
                    kept_s = max(kept_s, min(at_s + lasts_s - end_s, 0.8))
                else:
                    held_until_s = at_s + lasts_s
            if dropped:
                continue
            latency_s = self.latency_s + self.growth * begin_s + kept_s
            due_s = end_s + latency_s + dice.expovariate(1 / self.jitter_s)
            arrives_s = max(due_s, held_until_s)
            held = arrives_s < last_s + gap_s or arrives_s == held_until_s
            gap_s = 1 / (fps * pace) if held else 1e-4  # a backlog comes at its own pace
            last_s = arrives_s = max(arrives_s, last_s + gap_s)
            stamp_s = end_s + dice.uniform(0, 1 / fps) * 0.9 - readout_s
            waiting.append(Exposure(begin_s, end_s, arrives_s, max(stamp_s, begin_s + exposure_s),
                                    7e4 + begin_s * self.clock_rate, exposure_s, readout_s))  # fmt: skip
            if len(waiting) >= self.batch:
                for one in waiting:
                    one.arrives_s = max(one.arrives_s, arrives_s)
                yield from waiting
                waiting = []


@dataclass(slots=True)
class Shot:
    """One standstill."""

    cue_s: float
    dwell_s: float
    foreseen_s: float  # when the service expects it

    @property
    def leave_s(self) -> float:
        return self.cue_s + self.dwell_s


def draw_shots(dice: random.Random, count: int) -> list[Shot]:
    shots, at_s = [], 20.0
    for _ in range(count):
        at_s += dice.uniform(8.0, 30.0)
        shots.append(Shot(at_s, dice.choice((0.8, 1.0, 1.5)), at_s + dice.gauss(0, 0.7)))
        at_s += 1.5
    return shots


class Queue:
    """Events in the order of their time."""

    def __init__(self) -> None:
        self._heap: list[tuple[float, int, object]] = []
        self._count = 0

    def put(self, at_s: float, event: object) -> None:
        self._count += 1
        heapq.heappush(self._heap, (at_s, self._count, event))

    def __iter__(self) -> Iterator[tuple[float, object]]:
        while self._heap:
            at_s, _, event = heapq.heappop(self._heap)
            yield at_s, event
