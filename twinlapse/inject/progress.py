"""Remaining-time commands of the file, corrected for the time that the shots add.

M73 P (percent done) and R (minutes left): marlinfw.org/docs/gcode/M073.html; RepRapFirmware has the same two
(from memory). Some firmware takes Q and S for a second, quiet mode (from memory); they are corrected alike.
C (minutes to the next interaction) is left as it is.
"""

from __future__ import annotations

import re
from bisect import bisect_right
from collections.abc import Iterator
from itertools import accumulate

from twinlapse.buffered_bytes import FileBytes
from twinlapse.inject.splice import Insertion
from twinlapse.shots import Plan

__all__ = ["WAS", "progress_insertions"]

WAS = b"; twinlapse progress was "
_LINE = re.compile(rb"[ \t]*M73(?=[\sPRQS])[^;\n]*")
_SHARE = re.compile(rb"(?<=[PQ])\s*(\d+(?:\.\d+)?)")
_MINUTES = re.compile(rb"(?<=[RS])\s*(\d+(?:\.\d+)?)")


def progress_insertions(view: FileBytes, plan: Plan) -> Iterator[Insertion]:
    """Yield the corrected line of every M73, each behind a comment that keeps the original's line."""
    bytes_ = [shot.byte for shot in plan.shots]
    done = [0.0, *accumulate(shot.cost_s for shot in plan.shots)]
    stop = 0
    for place in view.places_of(b"M73")[0].tolist():
        if place < stop:  # of a line that has been looked at
            continue
        start = view.rfind(b"\n", 0, place) + 1
        stop = view.find(b"\n", place) + 1
        if stop == 0:
            return
        line = view[start:stop]
        found = _LINE.match(line)
        if found and plan.shots:
            before_s = done[bisect_right(bytes_, start)]
            fresh = _corrected(found[0], before_s, done[-1], plan.print_s) + line[found.end() :]
            if fresh != line:
                yield Insertion(byte=start, text=WAS + line + fresh, over=stop - start)


def _corrected(command: bytes, before_s: float, added_s: float, print_s: float) -> bytes:
    """Return the command with its shares and minutes as they are with the shots."""

    def share(found: re.Match[bytes]) -> bytes:
        part = float(found[1])
        if not 0 < part < 100 or print_s <= 0:
            return found[0]
        value = 100 * (part / 100 * print_s + before_s) / (print_s + added_s)
        return _like(found[1], min(value, 99.0 if b"." not in found[1] else 99.99))

    def minutes(found: re.Match[bytes]) -> bytes:
        return _like(found[1], float(found[1]) + (added_s - before_s) / 60)

    return _MINUTES.sub(minutes, _SHARE.sub(share, command))


def _like(text: bytes, value: float) -> bytes:
    return (f"{value:.2f}" if b"." in text else f"{round(value)}").encode()
