"""What stands outside the shots and concerns them: cues of nobody, and the brackets of objects around a shot.

A firmware that has cancelled an object skips the moves in its brackets, but not a cue: a shot in there would
then wait for its picture above the print. Klipper: docs/Exclude_Object.md; Marlin: docs/gcode/M486.html.
"""

from __future__ import annotations

import re
from bisect import bisect_right
from collections.abc import Iterator

from twinlapse.buffered_bytes import FileBytes
from twinlapse.inject.proof.fences import FencedFile
from twinlapse.inject.proof.report import Fault

__all__ = ["shots_in_objects", "stray_cues"]

_CUE = re.compile(rb"twinlapse cue \d+\.\d+ ")
_LINE_BYTES = 200
_OBJECT = re.compile(rb"(?i)[ \t]*(?:EXCLUDE_OBJECT_(START|END)\b|M486[ \t]*S[ \t]*(-?)\d)")


def stray_cues(view: FileBytes, fenced: FencedFile) -> list[Fault]:
    """Return the cues that no shot holds: a capture service would take pictures of a moving machine."""
    faults = []
    for place in _found(view, b"twinlapse cue "):
        k = bisect_right(fenced.blocks, place, key=lambda block: block.start) - 1
        inside = k >= 0 and place < fenced.blocks[k].stop
        if not inside and _CUE.match(view[place : place + _LINE_BYTES]):
            faults.append(Fault(view.count_lines(0, place) + 1, "a cue stands outside of any shot"))
    return faults


def shots_in_objects(view: FileBytes, fenced: FencedFile) -> int:
    """Return how many shots stand inside the brackets of an object that can be cancelled."""
    marks = sorted([*_found(view, b"EXCLUDE_OBJECT_"), *_found(view, b"M486")])
    places, inside = [], []
    for place in marks:
        start = view.rfind(b"\n", max(place - _LINE_BYTES, 0), place) + 1 if place else 0
        found = _OBJECT.match(view[start : place + _LINE_BYTES])
        if found and start + found.start() <= place:
            places.append(place)
            inside.append(found[1].upper() == b"START" if found[1] else not found[2])
    ends = [bisect_right(places, block.start) - 1 for block in fenced.blocks]
    return sum(k >= 0 and inside[k] for k in ends)


def _found(view: FileBytes, what: bytes) -> Iterator[int]:
    place = view.find(what)
    while place >= 0:
        yield place
        place = view.find(what, place + len(what))
