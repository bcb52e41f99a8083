"""What a line says to the machine, freed from the ways of writing it."""

from __future__ import annotations

import re

_ROUND = re.compile(rb"\([^)\n]*\)")
_CHECK = re.compile(rb"\*\d+\s*$")
_NUMBERED = re.compile(rb"^[Nn]\d+\s*")
_WORD = re.compile(rb"([A-Za-z])\s*([-+]?(?:\d+\.?\d*|\.\d+))?")
_PLAIN = re.compile(rb"(?:[A-Za-z]\s*(?:[-+]?(?:\d+\.?\d*|\.\d+))?\s*)+")
_COMMAND = re.compile(rb"[GgMmTt]\s*\d")
# commands whose words are text: they are compared as they stand
_TEXT = re.compile(rb"(?i)M(?:117|118|16|23|28|30|32|33|36|98|291|486|550|551|587|816|928)\b")


def meaning(line: bytes) -> bytes:
    """Return the line's command in one spelling; empty when it says nothing to the machine.

    Comments, blanks, line numbers, checksums, case and the spelling of numbers go, and the words of a plain
    command are put in the order of their letters.
    """
    bare = line.split(b";", 1)[0].strip()
    if not bare:
        return b""
    bare = _CHECK.sub(b"", _NUMBERED.sub(b"", bare)).strip()
    if _TEXT.match(bare):
        return b" ".join(bare.split())
    bare = _ROUND.sub(b" ", bare).strip()
    if not _PLAIN.fullmatch(bare):
        return b" ".join(bare.split())
    words = [letter.upper() + _number(value) for letter, value in _WORD.findall(bare)]
    if len(_COMMAND.findall(bare)) > 1:
        return b" ".join(words)
    return b" ".join(words[:1] + sorted(words[1:]))


def _number(text: bytes) -> bytes:
    if not text:
        return b""
    value = float(text)
    return (b"%d" % int(value)) if value == int(value) else repr(value).encode()
