"""From bytes to words: one command at a time, with its numbers and its comment. Compiled loops.

Nothing is copied: a comment worth keeping is noted by its place. Numbers are those of firmware, without
exponents, because ``E`` begins a word. Letters are read in upper case. The bytes must end with a line feed:
every loop stops there, and looks for no other end.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from twinlapse.jit import part_of_kernel

__all__ = [
    "BAD_CHECKSUM",
    "BYTE",
    "CODE",
    "FIRST",
    "FLAGS",
    "GLUED",
    "HAS",
    "LETTER",
    "LETTER_G",
    "LETTER_M",
    "LETTER_N",
    "LETTER_NONE",
    "LETTER_O",
    "LETTER_T",
    "LINE",
    "NOTES",
    "NOTE_WIDTH",
    "OBJECT_LABEL",
    "ODD",
    "ODD_COUNT",
    "O_WORD",
    "PLACEHOLDER",
    "STATE",
    "STRAY",
    "VALUE",
    "WORDS",
    "Bytes",
    "as_bytes",
    "check_sum",
    "code_of",
    "count_odd",
    "find_byte",
    "is_text_command",
    "is_worth_keeping",
    "keep_note",
    "pass_over",
    "read_command",
    "read_number",
]

Bytes = NDArray[np.uint8]

# n: places of the integers that one pass carries along; the first are the command just read
LETTER, CODE, HAS, FLAGS, FIRST = range(5)
LINE, BYTE, NOTES, ODD = range(5, 9)
ODD_COUNT = 24  # from ODD on, pairs: how often an oddity was seen, the line of the first
STATE = ODD + 2 * ODD_COUNT  # the interpreter's integers begin here

# oddities that this module counts
GLUED, PLACEHOLDER, STRAY, BAD_CHECKSUM, O_WORD = range(5)

WORDS = 27  # A to Z, then the command's own number
VALUE = 26
OBJECT_LABEL = 4860  # M486, whose label is always kept
LETTER_G, LETTER_M, LETTER_N, LETTER_O, LETTER_T, LETTER_NONE = 71, 77, 78, 79, 84, 0

# a note: first and last byte of the text in this piece, line, whether the line is its own, byte of the line
NOTE_WIDTH = 5

_POWER = np.array([10.0**k for k in range(19)])
_MOST = 1e9  # larger numbers are none that a machine could mean; sums of this one stay finite
_DIGITS = 18  # as many fit an int64


def _word(text: str) -> int:
    return int.from_bytes(text.encode(), "big")


# beginnings, five letters long, of the words by which layers, objects and limits are marked
_MARKS = np.array([_word(w) for w in ("layer", "slice", "mesh:", "objec", "print", "veloc")])
_FIVE, _FOUR, _THREE = (1 << 40) - 1, (1 << 32) - 1, (1 << 24) - 1
_Z_COLON = _word(";z:")
_RAFT = _word("raft")
_REACH = 160  # letters of a comment that are looked at


@part_of_kernel
def read_number(data: Bytes, start: int) -> tuple[float, int, bool]:
    """Return the number at `start`, the place after it, and whether there is one at all."""
    i = start
    first = np.int64(data[i])
    if first == 45 or first == 43:
        i += 1
    digits = i
    mantissa = np.int64(0)
    c = np.int64(data[i]) - 48
    while 0 <= c <= 9 and i - digits < _DIGITS:
        mantissa = mantissa * 10 + c
        i += 1
        c = np.int64(data[i]) - 48
    count = i - digits
    beyond = 0
    while 0 <= c <= 9:  # digits that no int64 holds
        beyond += 1
        i += 1
        c = np.int64(data[i]) - 48
    value = float(mantissa)
    if c == -2:
        i += 1
        point = i
        c = np.int64(data[i]) - 48
        while 0 <= c <= 9 and count + i - point < _DIGITS:
            mantissa = mantissa * 10 + c
            i += 1
            c = np.int64(data[i]) - 48
        value = float(mantissa / _POWER[i - point])
        count += i - point
        while 0 <= c <= 9:  # digits that change nothing
            i += 1
            c = np.int64(data[i]) - 48
    if beyond or value > _MOST:
        value = _MOST
    return (-value if first == 45 else value), i, count > 0


@part_of_kernel
def find_byte(data: Bytes, start: int, one: int, other: int) -> int:
    """Return the place of the next line feed or of one of two bytes."""
    i = start
    while data[i] != 10 and data[i] != one and data[i] != other:
        i += 1
    return i


@part_of_kernel
def count_odd(n: Any, what: int) -> None:
    """Count an oddity and keep the line of the first one."""
    k = ODD + 2 * what
    n[k] += 1
    if n[k] == 1:
        n[k + 1] = n[LINE]


@part_of_kernel
def is_worth_keeping(data: Bytes, start: int, stop: int) -> bool:
    """Tell whether a word that layers, objects or limits are marked by stands between two places."""
    window = np.int64(0)
    for i in range(start, min(stop, start + _REACH)):
        c = np.int64(data[i])
        if c == 32 and (window & 255) == 59:
            continue  # "; Z:" is read as ";Z:"
        if 65 <= c <= 90:
            c += 32
        window = ((window << 8) | c) & _FIVE
        if (c == 58 and (window & _THREE) == _Z_COLON) or (c == 116 and (window & _FOUR) == _RAFT):
            return True
        for k in range(len(_MARKS)):
            if window == _MARKS[k]:
                return True
    return False


@part_of_kernel
def keep_note(data: Bytes, start: int, stop: int, own: bool, n: Any, notes: Any) -> None:
    """Note the place of a text, when it is worth it; two in one line at most."""
    k = n[NOTES]
    if k >= 2 and notes[k - 2, 2] == n[LINE]:
        return
    if n[CODE] == OBJECT_LABEL or is_worth_keeping(data, start, stop):
        notes[k, 0], notes[k, 1], notes[k, 2], notes[k, 3], notes[k, 4] = start, stop, n[LINE], own, n[BYTE]
        n[NOTES] = k + 1


@part_of_kernel
def is_text_command(code: int) -> bool:
    """Tell whether what follows an M number is text, a file name or an object's label."""
    for known in (1170, 1180, 230, 280, 300, 320, 330, 360, 160, 9280, 4860, 2910, 8160, 5500, 5510, 5870):
        if code == known:
            return True
    return False


@part_of_kernel
def check_sum(data: Bytes, start: int, star: int, n: Any) -> None:
    """Compare the number after ``*`` with the exclusive or of the bytes before it."""
    said, _, found = read_number(data, star + 1)
    total = np.int64(0)
    for i in range(start, star):
        total ^= np.int64(data[i])
    if found and said != total:
        count_odd(n, BAD_CHECKSUM)


@part_of_kernel
def pass_over(data: Bytes, i: int, start: int, n: Any) -> int:
    """Pass over what is neither a word nor a comment; return the place after it."""
    c = np.int64(data[i])
    one, other = 59, 59
    if c == 42:  # *
        check_sum(data, start, i, n)
    elif c == 34:  # a text in quotes
        one, other = 34, 34
    elif c == 123 or c == 91:  # { or [
        count_odd(n, PLACEHOLDER)
        one, other = 125, 93
    elif c == 239 or c == 187 or c == 191:  # the mark at the head of UTF-8 text
        return i + 1
    elif n[FIRST] and c != 37:  # not a word, and no %
        count_odd(n, STRAY)
    else:
        return i + 1
    end = find_byte(data, i + 1, one, other)
    return end + 1 if one != 59 and data[end] != 10 else end


@part_of_kernel
def code_of(number: float) -> int:
    """Return ten times the number of a command, so that G92.1 is 921."""
    return int(abs(number) * 10.0 + 0.5) if abs(number) < 1e6 else 99999990


@part_of_kernel
def read_command(data: Bytes, begin: int, start: int, words: Any, n: Any, notes: Any) -> int:
    """Read one command of the line that begins at `begin`, from the place `start` on.

    Returns the place of the line feed, or of the next command in the same line. ``n`` then holds
    the command's letter and ten times its number, the letters that came with a number and those without.
    """
    letter = has = flags = np.int64(0)
    code = 0
    first = n[FIRST]
    text, text_end, own = -1, -1, False
    i = start
    while data[i] != 10:
        c = np.int64(data[i])
        if c <= 32:
            i += 1
            continue
        u = c & 0xDF
        if 65 <= u <= 90:
            k = i + 1
            after = np.int64(data[k] & 0xDF)
            if first and (65 <= after <= 90 or (after == 95 and data[k] == 95)):
                count_odd(n, STRAY)
                first = 0
                text, own = i, True
                text_end = i = find_byte(data, i, 59, 59)
                continue
            while data[k] == 32 or data[k] == 9:
                k += 1
            number, k, found = read_number(data, k)
            if u == LETTER_O and first:
                count_odd(n, O_WORD)
            if not found:
                flags |= 1 << (u - 65)
                first = 0
                i += 1
            elif u == LETTER_N and first:
                i = k
            elif u in (LETTER_G, LETTER_M) or (u == LETTER_T and first):
                if letter != LETTER_NONE:
                    count_odd(n, GLUED)
                    break
                letter, code, first = u, code_of(number), 0
                words[VALUE] = number
                if u == LETTER_M and is_text_command(code):
                    text, own = i, True
                    text_end = k = find_byte(data, k, 59, 59)
                i = k
            else:
                words[u - 65] = number
                has |= 1 << (u - 65)
                first = 0
                i = k
        elif c == 59 or c == 40:
            end = find_byte(data, i, 10 if c == 59 else 41, 10)
            if text < 0 or not own:
                text, text_end, own = i, end, first != 0
            i = end + 1 if data[end] != 10 else end
        else:
            n[FIRST] = first
            i = pass_over(data, i, begin, n)
    n[LETTER], n[CODE], n[HAS], n[FLAGS], n[FIRST] = letter, code, has, flags, first
    if text >= 0:
        keep_note(data, text, text_end, own, n, notes)
    return i


def as_bytes(data: bytes) -> Bytes:
    """Return a read-only view of bytes, of the one type that the loops are compiled for."""
    return np.frombuffer(data, np.uint8)
