"""How long the blocks take, and whether the header and the corrected progress lines say so."""

from __future__ import annotations

import re
from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from twinlapse.inject.proof.block_rows import BlockRows, resting
from twinlapse.inject.proof.fences import FencedFile
from twinlapse.inject.proof.report import Check, Fault, first, verdict
from twinlapse.motion import time_toolpath
from twinlapse.motion.stream import stop_cost_s
from twinlapse.rig.printer import Printer

__all__ = ["block_seconds", "check_progress", "check_time"]

_SHARE = 0.1  # of the time said; stopping and starting again is not counted here
_LEAST_S = 5.0
_CUE = b"twinlapse cue "
_WAS = "; twinlapse progress was "
_M73 = re.compile(r"\s*M73\b([^;]*)(.*)", re.DOTALL)
_WORD = re.compile(r"([A-Z])\s*(-?\d+(?:\.\d+)?)")


def block_seconds(block_rows: BlockRows, fenced: FencedFile, printer: Printer) -> NDArray[np.float64]:
    """Return how long each block takes from rest to rest, waits and what its stops cost included."""
    if not len(block_rows.first):
        return np.empty(0)
    end_s = time_toolpath(resting(block_rows), printer, rest_rows=block_rows.stop - 1).end_s
    stops = np.array([block.text.count(_CUE) for block in fenced.blocks])
    return np.asarray(end_s[block_rows.stop - 1] - end_s[block_rows.first - 1] + stops * stop_cost_s(printer))


def check_time(seconds: NDArray[np.float64], facts: Mapping[str, str]) -> Check:
    """Compare the blocks' time with what the header says they add."""
    added = float(seconds.sum())
    try:
        said = float(facts.get("added_s", ""))
    except ValueError:
        return verdict("time", Fault(None, "the header does not say how long the shots take"), "")
    fault = None
    if abs(added - said) > max(_LEAST_S, _SHARE * said):
        fault = Fault(None, f"the shots take {added:.0f} s, the header says {said:.0f} s")
    return verdict("time", fault, f"the shots take {added:.1f} s, the header says {said:.1f} s")


def check_progress(fenced: FencedFile, seconds: NDArray[np.float64]) -> Check:
    """Corrected progress lines differ from the original's by the time of the shots still to come."""
    starts = np.array([block.start for block in fenced.blocks], np.int64)
    left = np.concatenate([[float(seconds.sum())], float(seconds.sum()) - np.cumsum(seconds)])
    faults, count = [], 0
    for piece in fenced.others:
        if piece.kind == "progress":
            count += 1
            to_come_s = float(left[np.searchsorted(starts, piece.start)])
            text = _line_fault(piece.text.decode("utf-8", "replace"), to_come_s)
            if text:
                faults.append(Fault(piece.line + 1, text))
    good = (
        f"{count} remaining-time lines count the shots still to come" if count else "no remaining-time lines"
    )
    return verdict("progress", first(faults), good)


def _line_fault(text: str, to_come_s: float) -> str:
    was, _, now = text.partition("\n")
    old, new = _M73.fullmatch(was[len(_WAS) :].rstrip("\r")), _M73.fullmatch(now.rstrip("\r\n"))
    if old is None or new is None:
        return "this is no remaining-time command"
    before, after = dict(_WORD.findall(old[1])), dict(_WORD.findall(new[1]))
    if list(before) != list(after) or old[2] != new[2]:
        return "the line has other words than the original's"
    for letter, value in after.items():
        change = float(value) - float(before[letter])
        if letter in "RS" and abs(change - to_come_s / 60) > 1.0 + _SHARE * to_come_s / 60:
            return f"{letter} is {change:g} min later, the shots to come take {to_come_s / 60:.1f} min"
        if letter in "PQ" and not (0 <= float(value) <= 100):
            return f"{letter} is {value} %"
        if letter not in "PQRS" and change:
            return f"{letter} is not the original's"
    return ""
