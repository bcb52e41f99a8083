"""Normalise a line to what the named firmware makes of it, whatever its spelling."""

from __future__ import annotations

import math
import re

from twinlapse.inject.proof.firmware_reading import BYTE_ORDER_MARK, LineRules, checksum_is_right

__all__ = ["meaning"]

_ROUND = re.compile(rb"\(([^)\n]*)\)")
_CHECK = re.compile(rb"\*\d+\s*$")
_NUMBERED = re.compile(rb"^[Nn]\d+\s*")
_WORD = re.compile(rb"([A-Za-z])\s*([-+]?(?:\d+\.?\d*|\.\d+))?")
_PLAIN = re.compile(rb"(?:[A-Za-z]\s*(?:[-+]?(?:\d+\.?\d*|\.\d+))?\s*)+")
_COMMAND = re.compile(rb"[GgMmTt]\s*\d")
# commands whose words are text: they are compared as they stand
_TEXT = re.compile(rb"M(?:117|118|16|23|28|30|32|33|36|98|291|486|550|551|587|816|928)\b")
_TEXT_ANY_CASE = re.compile(_TEXT.pattern, re.IGNORECASE)
_UNREAD = b"(not read) "


def meaning(line: bytes, rules: LineRules) -> bytes:
    """Return the line's commands in one spelling; empty when it says nothing to the machine.

    Comments, blanks, line numbers, right checksums, the spelling of numbers, and what else the firmware makes
    no difference of, go; the words of a plain command are put in the order of their letters.
    """
    if rules.needs_line_end and not line.endswith(b"\n"):
        return b""
    pieces = line.split(b"\r") if rules.return_ends else [line]
    return b"\n".join(filter(None, (_command(piece, rules) for piece in pieces)))


def _command(line: bytes, rules: LineRules) -> bytes:
    bare = line.split(b";", 1)[0].strip()
    if not bare or bare == BYTE_ORDER_MARK:
        return b""
    if rules.most_bytes is not None and len(bare) > rules.most_bytes:
        bare = bare[: rules.most_bytes]
    if b"*" in bare:
        if rules.checksums and not checksum_is_right(bare):
            return _UNREAD + bare
        bare = _CHECK.sub(b"", _NUMBERED.sub(b"", bare)).strip()
    elif not rules.checksums:
        bare = _NUMBERED.sub(b"", bare)
    if (_TEXT_ANY_CASE if rules.any_case else _TEXT).match(bare):
        return b" ".join(bare.split())
    if b"(" in bare:
        inside = b"".join(_ROUND.findall(bare)).decode("latin-1")
        if not rules.paren_letters or set(inside) & set(rules.paren_letters):
            return _UNREAD + bare
        bare = _ROUND.sub(b" ", bare).strip()
    if not _PLAIN.fullmatch(bare):
        return b" ".join(bare.split())
    words = [
        (letter.upper() if rules.any_case else letter) + _number(value)
        for letter, value in _WORD.findall(bare)
    ]
    if not rules.leading_zeros:
        letter, value = _WORD.findall(bare)[0]
        words[0] = letter.upper() + value
    if len(_COMMAND.findall(bare)) > 1:
        return b" ".join(words)
    return b" ".join([*words[:1], *sorted(words[1:], key=lambda word: word[:1])])


def _number(text: bytes) -> bytes:
    if not text:
        return b""
    value = float(text)
    if not math.isfinite(value):  # hundreds of digits
        return text
    return (b"%d" % int(value)) if value == int(value) else repr(value).encode()
