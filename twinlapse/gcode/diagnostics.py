"""Notices for what the interpreter counted."""

from __future__ import annotations

from typing import Any

from twinlapse.gcode import interpreter as machine
from twinlapse.gcode import tokenizer
from twinlapse.gcode.toolpath import Notice

__all__ = ["oddity_notices"]

# what was counted -> code, text
_ODDITIES = {
    tokenizer.GLUED: ("glued-commands", "two commands stand in one line; both were read, in their order"),
    tokenizer.PLACEHOLDER: ("placeholder", "a placeholder was never filled in; its word was passed over"),
    tokenizer.STRAY: ("not-a-command", "not a plain command; passed over (a macro's name, or a stray line)"),
    tokenizer.BAD_CHECKSUM: ("bad-checksum", "a checksum does not fit its line"),
    machine.CROWDED: ("crowded-line", "more commands in one line than are read"),
    machine.INCHES: ("inches", "the file is in inches"),
    machine.VOLUMETRIC: ("volumetric", "E words are volumes; converted by the diameter that M200 names"),
    machine.OFFSET: ("tool-offset", "G10 with words (tool offset or temperature) was passed over"),
    machine.LONG_E: ("long-feed", "one move feeds more than 200 mm of filament"),
    machine.MACRO: ("macro", "M98 runs a macro that is not in the file; what it does is not known"),
    machine.ELSEWHERE: ("unknown-place", "G27 or G61 moves to a place that the file does not name"),
}


def oddity_notices(n: Any) -> list[Notice]:
    """Return one notice for each kind of oddity, at the line of the first."""
    found = []
    for what, (code, text) in _ODDITIES.items():
        count, line = int(n[tokenizer.ODD + 2 * what]), int(n[tokenizer.ODD + 2 * what + 1])
        if count:
            found.append(Notice(line=line, code=code, text=text + (f" ({count} times)" if count > 1 else "")))
    return found
