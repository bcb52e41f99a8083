"""A shot that a camera's schedule asks for and the plan does not hold, with the reason."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

__all__ = ["LeftOut", "by_reason"]

_MOST_RANGES = 10  # of layers that one warning names


@dataclass(frozen=True, slots=True, kw_only=True)
class LeftOut:
    """One shot, or one camera's share of a shot, that is not taken."""

    layer: int
    at_s: float  # into the print
    cameras: tuple[str, ...]
    why: str


def by_reason(left_out: Iterable[LeftOut]) -> list[str]:
    """Return one sentence a reason, the most frequent first: the layers, counted from 1, and why."""
    layers: dict[str, list[int]] = {}
    for shot in left_out:
        layers.setdefault(shot.why, []).append(shot.layer + 1)
    ranked = sorted(layers.items(), key=lambda entry: -len(entry[1]))
    return [f"{_named(numbers)}: {why}" for why, numbers in ranked]


def _named(numbers: Iterable[int]) -> str:
    """Return layers as ranges: "layers 1 to 4, 7"; the first ten ranges of many."""
    ranges: list[list[int]] = []
    for number in sorted(set(numbers)):
        if ranges and number == ranges[-1][1] + 1:
            ranges[-1][1] = number
        else:
            ranges.append([number, number])
    texts = [str(a) if a == b else f"{a} to {b}" for a, b in ranges[:_MOST_RANGES]]
    more = " ..." if len(ranges) > _MOST_RANGES else ""
    single = len(ranges) == 1 and ranges[0][0] == ranges[0][1]
    return f"{'layer' if single else 'layers'} {', '.join(texts)}{more}"
