"""The plan and the rig inside a written file, as comment lines at its end: the file alone is enough.

``; twinlapse job begin``, lines of base64, ``; sha256`` of what they hold, ``; twinlapse job end``. They hold
the plan's JSON, compressed by zlib; the plan has the rig in it, without secrets.
"""

from __future__ import annotations

import base64
import hashlib
import json
import re
import zlib
from pathlib import Path

from twinlapse.buffered_bytes import FileBytes, file_bytes
from twinlapse.errors import InjectError
from twinlapse.shots import Plan, plan_from_json, plan_to_json

__all__ = ["carried_lines", "carried_plan"]

_BEGIN = b"; twinlapse job begin"
_END = b"; twinlapse job end"
_MOST_BYTES = 300_000  # of the lines, or this share of the file where that is more
_MOST_SHARE = 0.03
_WIDE = 76  # characters of base64 a line: with "; " they stay below every firmware's limit
_LARGEST = 64_000_000  # bytes that the plan may unpack to: a guard against bombs
_LINE = re.compile(rb"; ([A-Za-z0-9+/=]{1,76})\r?$")


def carried_lines(plan: Plan, size: int) -> list[str]:
    """Return the fenced lines that carry a plan; none where they would be too much for the file.

    Parameters
    ----------
    plan : Plan
    size : int
        Bytes of the original.
    """
    text = json.dumps(plan_to_json(plan), separators=(",", ":"), sort_keys=True).encode()
    packed = zlib.compress(text, 9)
    code = base64.b64encode(packed).decode()
    if len(code) > max(_MOST_BYTES, _MOST_SHARE * size):
        return []
    lines = [f"; {code[k : k + _WIDE]}" for k in range(0, len(code), _WIDE)]
    return [_BEGIN.decode(), *lines, f"; sha256 {hashlib.sha256(packed).hexdigest()}", _END.decode()]


def carried_plan(path: Path) -> Plan:
    """Return the plan that a written file carries.

    Raises
    ------
    InjectError
        when it carries none, or a damaged one.
    PlanError
        when what it carries is no plan of this version.
    """
    with file_bytes(path, "G-code file") as view:
        start, stop = _span(view)
        if start < 0:
            raise InjectError(
                "this file carries no plan", "name the file that 'twinlapse inject' wrote", path=path
            )
        lines = view[start:stop].splitlines()[1:]
    *coded, last = lines or [b""]
    found = [_LINE.fullmatch(line) for line in coded]
    said = re.fullmatch(rb"; sha256 ([0-9a-f]{64})\s*", last)
    try:
        packed = base64.b64decode(b"".join(match[1] for match in found if match), validate=True)
    except ValueError:
        packed = b""
    whole = said is not None and all(found) and hashlib.sha256(packed).hexdigest() == said[1].decode()
    if not whole:
        raise InjectError(
            "the plan that this file carries is damaged",
            "write the file again with 'twinlapse inject'",
            path=path,
        )
    return plan_from_json(_unpacked(packed, path), path)


def _span(view: FileBytes) -> tuple[int, int]:
    """Return where the carried lines begin and where their end line begins; -1 where there are none."""
    stop = view.rfind(_END, 0, len(view))
    start = view.rfind(_BEGIN, 0, max(stop, 0))
    good = start >= 0 and (start == 0 or view[start - 1 : start] == b"\n")
    return (start, stop) if good else (-1, -1)


def _unpacked(packed: bytes, path: Path) -> object:
    reader = zlib.decompressobj()
    try:
        text = reader.decompress(packed, _LARGEST)
        if reader.unconsumed_tail:
            raise ValueError("too large")
        return json.loads(text)
    except (zlib.error, ValueError):
        raise InjectError(
            "the plan that this file carries cannot be unpacked", "write the file again", path=path
        ) from None
