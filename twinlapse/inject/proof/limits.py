"""Where the limits of the machine come from, and whether those of a header are the ones that were written."""

from __future__ import annotations

import re
import zlib

from twinlapse.inject.proof.fences import FencedFile
from twinlapse.inject.proof.report import Check, Fault, verdict
from twinlapse.rig.model import Rig
from twinlapse.rig.printer import Toolhead

__all__ = ["check_limits"]

_SUM = re.compile(rb"; limits_crc32 ([0-9a-f]{8})\s*")
_FIRST = b"; firmware "  # the first line of the limits
# of the toolhead: 1 where more is looser, -1 where less is
_LOOSER = {"radius_mm": -1, "gantry_mm": 1, "nozzle_radius_mm": -1, "nozzle_length_mm": 1}


def check_limits(fenced: FencedFile, rig: Rig, *, named: bool) -> Check:
    """Say whose limits everything is judged by; a header's fail when they were changed after writing.

    Parameters
    ----------
    fenced : FencedFile
        Of the written file.
    rig : Rig
        By which it is judged.
    named : bool
        Whether the rig was named by the caller; else it comes from the header.
    """
    if named:
        return verdict("limits", None, "limits come from the rig that was named")
    looser = _looser(rig.printer.toolhead)
    good = f"limits come from the file's own header{looser}; name your rig with --rig to judge by it"
    header = fenced.header
    if header is None:
        return verdict("limits", None, good)
    said, found = _sums(header.text)
    if said is None:
        return verdict("limits", None, f"{good}; it cannot be checked whether they were changed since")
    text = f"the limits in the header are not those that were written{looser}; name the rig file with --rig"
    return verdict("limits", None if said == found else Fault(header.line, text), good)


def _sums(header: bytes) -> tuple[str | None, str]:
    """Return the sum that a header states of its limits, None when it states none, and the one they have."""
    total, said, counting = 0, None, False
    for raw in header.split(b"\n"):
        line = raw.strip()
        counting = counting or line.startswith(_FIRST)
        if stated := _SUM.fullmatch(line):
            said, counting = stated[1].decode(), False
        elif counting:
            total = zlib.crc32(line + b"\n", total)
    return said, f"{total:08x}"


def _looser(head: Toolhead) -> str:
    usual = Toolhead()
    looser = [
        f"{name} {getattr(head, name):g} (usually {getattr(usual, name):g})"
        for name, sign in _LOOSER.items()
        if (getattr(head, name) - getattr(usual, name)) * sign > 0
    ]
    return f"; looser than usual for the toolhead: {', '.join(looser)}" if looser else ""
