"""Which frames stand in where one is missing or damaged."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from dataclasses import dataclass
from typing import Literal

from twinlapse.errors import FrameError
from twinlapse.frames.grouping import Slot
from twinlapse.tracking.stabilise import Track

__all__ = ["Shown", "cover_gaps"]


@dataclass(frozen=True, slots=True)
class Shown:
    """What is seen of a camera at one moment: a frame of its track, or a mixture of two."""

    place: int
    other: int
    mix: float = 0.0  # share of `other`


def cover_gaps(
    slots: tuple[Slot, ...], camera: str, track: Track, gap: Literal["hold", "blend"] = "hold"
) -> tuple[tuple[Shown, ...], int]:
    """Return for each moment what is seen, and at how many of them a frame that was due is covered.

    With "hold" the last good frame stands in, with "blend" a cross-fade from it to the next good one. Before
    the first good frame that one is seen, after the last good one that one.

    Raises
    ------
    FrameError
        when the camera has no frame that can be used.
    """
    usable = track.usable()
    places = {file.path: place for place, file in enumerate(track.files)}
    wanted = [
        places[slot.frames[camera].path]
        if camera in slot.frames and slot.frames[camera].path in usable
        else None
        for slot in slots
    ]
    good = [moment for moment, place in enumerate(wanted) if place is not None]
    if not good:
        raise FrameError(
            f"no frame of {camera} can be used", "check its folder", path=track.files[0].path.parent
        )
    held = sum(place is None and camera in slot.due for place, slot in zip(wanted, slots, strict=True))
    return tuple(_shown(moment, wanted, good, gap) for moment in range(len(slots))), held


def _shown(moment: int, wanted: list[int | None], good: list[int], gap: str) -> Shown:
    before = good[max(0, bisect_right(good, moment) - 1)]
    after = good[min(len(good) - 1, bisect_left(good, moment))]
    place, other = wanted[before], wanted[after]
    assert place is not None and other is not None
    if gap == "hold" or before >= after or before > moment:
        return Shown(place, place)
    return Shown(place, other, (moment - before) / (after - before))
