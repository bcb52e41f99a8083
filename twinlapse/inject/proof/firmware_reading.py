"""Check that the named firmware reads every line that prints the way it is read here.

What each firmware does is from its sources: Marlin 2.1 (queue.cpp, parser.cpp; GCODE_CASE_INSENSITIVE,
PAREN_COMMENTS and GCODE_MOTION_MODES are off by default), Klipper (gcode.py, virtual_sdcard.py),
RepRapFirmware 3.5 (StringParser.cpp).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np

from twinlapse.buffered_bytes import FileBytes
from twinlapse.gcode.toolpath import Kind, Mode, Toolpath
from twinlapse.inject.proof.arc_reading import OwnArcs
from twinlapse.inject.proof.report import Check, Fault, first, verdict
from twinlapse.jit import kernel

__all__ = [
    "BYTE_ORDER_MARK",
    "HIGH",
    "LEADING",
    "LONG",
    "PAREN",
    "RETURN",
    "RULES",
    "SECOND",
    "SMALL",
    "STAR",
    "TWICE",
    "ZERO",
    "LineRules",
    "check_reading",
    "checksum_is_right",
    "find_odd_lines",
    "reads_otherwise",
    "windows",
]

_WINDOW_BYTES = 4_194_304  # of the file at a time
_MOST_LINES = 4096  # lines of a window that are looked at closely; the first that matters ends the search
_MOST_FAULTS = 20
BYTE_ORDER_MARK = b"\xef\xbb\xbf"

# what a line has that firmwares read differently
SMALL, PAREN, RETURN, STAR, LONG, TWICE, SECOND, LEADING, ZERO, HIGH = (1 << k for k in range(10))


@dataclass(frozen=True, slots=True, kw_only=True)
class LineRules:
    """How a firmware reads a line, as far as others do otherwise."""

    name: str
    most_bytes: int | None  # of a command, its comment apart; the rest is cut off or refused
    return_ends: bool  # a carriage return ends a line
    any_case: bool  # small letters are letters
    checksums: bool  # a wrong one refuses the line
    paren_letters: str  # which letters in parentheses are words of the command; "" : the line is an error
    first_of_two: bool  # of a word said twice the first holds; here, and elsewhere, it is the last
    second_command: bool  # a second command in a line is run
    leading_zeros: bool  # G01 is G1
    needs_line_end: bool  # a last line without an end is never run
    needs_utf8: bool  # another byte stops the print


RULES = {
    "marlin": LineRules(
        name="Marlin", most_bytes=95, return_ends=True, any_case=False, checksums=True,
        paren_letters="ABCDEFGHIJKLMNOPQRSTUVWXYZ", first_of_two=False, second_command=False,
        leading_zeros=True, needs_line_end=False, needs_utf8=False,
    ),
    "klipper": LineRules(
        name="Klipper", most_bytes=None, return_ends=False, any_case=True, checksums=False, paren_letters="",
        first_of_two=False, second_command=False, leading_zeros=False, needs_line_end=True, needs_utf8=True,
    ),
    "reprapfirmware": LineRules(
        name="RepRapFirmware", most_bytes=255, return_ends=True, any_case=True, checksums=True,
        paren_letters="ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz", first_of_two=True,
        second_command=True, leading_zeros=True, needs_line_end=False, needs_utf8=False,
    ),
}  # fmt: skip


def check_reading(path: Toolpath, original: FileBytes, arcs: OwnArcs) -> Check:
    """Judge whether what the original prints depends on a line that its firmware reads otherwise."""
    rules = RULES[path.firmware]
    printing = np.flatnonzero(path.kind == Kind.EXTRUDE)
    last_line = int(path.line[printing[-1]]) if len(printing) else 0
    faults: list[Fault] = list(_unknown_to(path, arcs, rules))
    faults += [
        _fault(notice.line, rules, "follows another path than this arc's words describe: they fit no circle")
        for notice in path.warnings
        if notice.code == "bad-arc" and notice.line <= last_line
    ]
    kinder = 0
    for line, text, fault in _kindly_read(original, rules):
        matters = line <= last_line and (text is None or _has_row(path, line))
        kinder += not matters
        if matters:
            faults.append(_fault(line, rules, fault))
            if len(faults) >= _MOST_FAULTS:
                break
    found = first(faults)
    good = f"every line that prints is read as {rules.name} reads it"
    if kinder:
        good += f"; of {kinder} more that it reads otherwise nothing printed depends"
    return verdict("reading", None if found is None else Fault(None, found.text), good)


def _fault(line: int, rules: LineRules, what: str) -> Fault:
    return Fault(line, f"{rules.name} {what} (line {line} of the original)")


def _has_row(path: Toolpath, line: int) -> bool:
    row = int(np.searchsorted(path.line, np.int32(line)))
    return row < len(path) and int(path.line[row]) == line


def _unknown_to(path: Toolpath, arcs: OwnArcs, rules: LineRules) -> Iterator[Fault]:
    """Yield the first of each kind of row that prints here and means something else to the firmware."""
    prints = path.kind == Kind.EXTRUDE
    wrong: list[tuple[np.ndarray, str]] = [
        (
            arcs.unfit[prints[arcs.unfit]],
            "follows another path than this arc's words describe: they fit no circle",
        )
    ]
    if path.firmware == "klipper":
        relative = arcs.row[path.mode[arcs.row] & Mode.RELATIVE_XYZ != 0]
        wrong += [
            (np.flatnonzero(prints & (path.mode & Mode.INCH != 0)), "knows no inches (G20 is an error)"),
            (np.flatnonzero(prints & (path.mode & Mode.VOLUMETRIC != 0)), "knows no volumes (M200)"),
            (arcs.by_radius[prints[arcs.by_radius]], "takes arcs by I and J alone, R is an error"),
            (relative[prints[relative]], "takes arcs in absolute coordinates alone (G90)"),
        ]  # fmt: skip
    for rows, fault in wrong:
        if len(rows):
            yield _fault(int(path.line[rows[0]]), rules, fault)


def _kindly_read(original: FileBytes, rules: LineRules) -> Iterator[tuple[int, bytes | None, str]]:
    """Yield line, text and fault of the lines that the firmware reads otherwise; text None: all behind it."""
    number, place = 1, 0
    for _, data in windows(original):
        lines, flags = np.empty((2, _MOST_LINES), np.int64)
        count = find_odd_lines(np.frombuffer(data, np.uint8), rules.most_bytes or 1 << 40, lines, flags)
        at, seen = number, 0
        for start, flag in zip(lines[:count].tolist(), flags[:count].tolist(), strict=True):
            at, seen = at + data.count(b"\n", seen, start), start
            end = data.find(b"\n", start)
            text = data[start : len(data) if end < 0 else end].removesuffix(b"\r")
            if fault := reads_otherwise(text, flag, rules):
                yield at, None if flag & RETURN and rules.return_ends else text, fault
        if rules.needs_utf8 and (wrong := _bad_utf8(data)) is not None:
            yield number + data.count(b"\n", 0, wrong), None, "stops at a byte that is not UTF-8"
        number += data.count(b"\n")
        place += len(data)
    if rules.needs_line_end and place and original[place - 1 : place] != b"\n":
        yield number, b"", "never runs a last line without a line end"


def windows(view: FileBytes) -> Iterator[tuple[int, bytes]]:
    """Yield the file in pieces of whole lines, each with the offset of its first byte."""
    place = 0
    while place < len(view):
        data = view[place : place + _WINDOW_BYTES]
        cut = data.rfind(b"\n") + 1
        if cut and place + len(data) < len(view):
            data = data[:cut]
        yield place, data
        place += len(data)


def _bad_utf8(data: bytes) -> int | None:
    try:
        data.decode("utf-8")
    except UnicodeDecodeError as error:
        return error.start
    return None


def reads_otherwise(text: bytes, flag: int, rules: LineRules) -> str:
    """Return how a firmware reads a line otherwise than it is read here; empty when it does not."""
    code = text.split(b";", 1)[0]
    if flag & RETURN and rules.return_ends:
        pieces = [piece.split(b";", 1)[0].strip() for piece in text.split(b"\r")]
        if any(pieces[1:]):
            return "ends the line at its carriage return, and what follows is a command"
    if flag & HIGH and code.lstrip().startswith(BYTE_ORDER_MARK) and code.strip() != BYTE_ORDER_MARK:
        return "takes the byte-order mark for a part of the command"
    if flag & STAR and rules.checksums and not checksum_is_right(code):
        return "refuses the line for its checksum"
    if flag & PAREN:
        letters = {chr(c) for piece in code.split(b"(")[1:] for c in piece.split(b")")[0]}
        if not rules.paren_letters or letters & set(rules.paren_letters):
            return "knows no comments in parentheses"
    faults = (
        (SMALL, not rules.any_case, "reads no small letters"),
        (LONG, True, f"keeps {rules.most_bytes} bytes of a command"),
        (
            TWICE,
            rules.first_of_two and not flag & SECOND,
            "takes the first of two words of one letter",
        ),
        (SECOND, not rules.second_command, "runs the first command of a line alone"),
        (LEADING, True, "needs the command at the beginning of the line"),
        (ZERO, not rules.leading_zeros, "knows no command with a zero before its number"),
    )
    return next((fault for bit, otherwise, fault in faults if flag & bit and otherwise), "")


def checksum_is_right(code: bytes) -> bool:
    """Return whether the number behind ``*`` is the exclusive or of the bytes before it."""
    body, _, said = code.partition(b"*")
    total = 0
    for byte in body:
        total ^= byte
    return said.strip().isdigit() and int(said) == total


@kernel
def find_odd_lines(data: Any, most_bytes: int, lines: Any, flags: Any) -> int:
    """Find lines that firmwares read differently.

    ``lines`` gets the first byte of each, ``flags`` what it has, as far as they have room. Returns how many.
    """
    size = len(data)
    i, count = 0, 0
    while i < size:
        start, flag, seen, first = i, 0, 0, 0
        while i < size and data[i] != 10 and data[i] != 59:
            c = data[i]
            u = c & 0xDF
            if 46 <= c <= 64:  # digits and points, most of a file, say nothing
                pass
            elif 65 <= u <= 90:
                follows = data[i + 1] if i + 1 < size else 10
                number = 48 <= follows <= 57 or follows == 45 or follows == 46 or follows == 43
                if c >= 97 and (number or first == 0 or first == 71):
                    flag |= SMALL
                if first == 0 and not (u == 78 and number):
                    first = u
                    if u != 71 and u != 77 and u != 84:
                        flag |= LEADING
                    elif follows == 48 and i + 2 < size and 48 <= data[i + 2] <= 57:
                        flag |= ZERO
                elif (u == 71 or u == 77) and number and first != 0:
                    flag |= SECOND
                if number:
                    if seen & (1 << (u - 65)):
                        flag |= TWICE
                    seen |= 1 << (u - 65)
            elif c == 40:
                flag |= PAREN
                while i + 1 < size and data[i + 1] != 10 and data[i + 1] != 41 and data[i + 1] != 59:
                    i += 1
                    if data[i] == 13 and data[min(i + 1, size - 1)] != 10:
                        flag |= RETURN
            elif c == 42:
                flag |= STAR
            elif c == 13 and i + 1 < size and data[i + 1] != 10:
                flag |= RETURN
            elif c >= 128:
                flag |= HIGH
            i += 1
        if i - start > most_bytes:
            flag |= LONG
        while i < size and data[i] != 10:
            if data[i] == 13 and i + 1 < size and data[i + 1] != 10:
                flag |= RETURN
            i += 1
        i += 1
        if flag != 0 and count < len(lines):
            lines[count], flags[count] = start, flag
            count += 1
    return count
