"""What stands outside the shots and concerns them: cues of nobody, and the brackets of objects around a shot.

A firmware that has cancelled an object skips the moves in its brackets, but not a cue: a shot in there would
then wait for its picture above the print. Klipper: docs/Exclude_Object.md; Marlin: docs/gcode/M486.html.
"""

from __future__ import annotations

import re
from bisect import bisect_right
from dataclasses import dataclass

import numpy as np

from twinlapse.arrays import Bool, Int
from twinlapse.buffered_bytes import FileBytes
from twinlapse.inject.proof.fences import FencedFile
from twinlapse.inject.proof.report import Fault

__all__ = ["NAMED", "NOBODY", "ObjectsAround", "look_outside"]

_CUE = re.compile(rb"twinlapse cue \d+\.\d+ ")
_LINE_BYTES = 200
_MARK = re.compile(
    rb"[ \t]*(?:N\d+[ \t]*)?(?:EXCLUDE_OBJECT_(START|END)\b|M486[ \t]*(?:T[ \t]*\d+[ \t]*)?S[ \t]*(-?\d+))"
)
_OBJECT_WORDS = (b"EXCLUDE_OBJECT_", b"M486")
NAMED, NOBODY = -1, -2  # an object without a number is current, none is


@dataclass(frozen=True, slots=True, kw_only=True)
class ObjectsAround:
    """Which object is current where each block begins: its number for M486, `NAMED` or `NOBODY`."""

    current: tuple[int, ...]  # (blocks,)
    any: bool  # the file has brackets


def look_outside(view: FileBytes, fenced: FencedFile) -> tuple[list[Fault], ObjectsAround]:
    """Look at a written file for cues that no shot holds, and for the brackets of objects around shots."""
    cues, *objects = view.places_of(b"twinlapse cue ", *_OBJECT_WORDS)
    return _stray_cues(view, fenced, cues), _objects_around(view, fenced, np.sort(np.concatenate(objects)))


def _stray_cues(view: FileBytes, fenced: FencedFile, places: Int) -> list[Fault]:
    """Return the cues that no shot holds: a capture service would take pictures of a moving machine."""
    faults = []
    for place in places.tolist():
        k = bisect_right(fenced.blocks, place, key=lambda block: block.start) - 1
        inside = k >= 0 and place < fenced.blocks[k].stop
        if not inside and _CUE.match(view[place : place + _LINE_BYTES]):
            faults.append(Fault(view.count_lines(0, place) + 1, "a cue stands outside of any shot"))
    return faults


def _objects_around(view: FileBytes, fenced: FencedFile, words: Int) -> ObjectsAround:
    """Return the objects around the blocks by what stands outside of all blocks."""
    places, current = [], []
    for word in words.tolist():
        start = view.rfind(b"\n", 0, word) + 1
        mark = _MARK.match(view[start : word + _LINE_BYTES])
        if mark and mark.end() > word - start:
            places.append(start)
            current.append(_current(mark))
    outside = ~_inside(fenced, np.array(places, np.int64))
    at = np.array(places, np.int64)[outside]
    named = np.append(np.array(current, np.int64)[outside], NOBODY)
    begins = [block.start for block in fenced.blocks]
    found = named[np.searchsorted(at, begins, "right") - 1]
    return ObjectsAround(current=tuple(found.tolist()), any=bool(len(at)))


def _inside(fenced: FencedFile, places: Int) -> Bool:
    """Return which bytes are of shots."""
    if not fenced.blocks:
        return np.zeros(len(places), bool)
    starts, stops = (np.array([getattr(b, name) for b in fenced.blocks]) for name in ("start", "stop"))
    k = np.searchsorted(starts, places, "right") - 1
    return np.asarray((k >= 0) & (places < stops[k]))


def _current(mark: re.Match[bytes]) -> int:
    if mark[1]:
        return NAMED if mark[1].upper() == b"START" else NOBODY
    return int(mark[2]) if int(mark[2]) >= 0 else NOBODY
