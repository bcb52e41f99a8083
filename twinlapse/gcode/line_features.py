"""Count the lines of a file that firmwares read differently.

Nearly every line of a sliced file is a plain move or a comment: these are only looked at where their piece of
the file holds a byte that no plain move has. The rest is read word by word.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from enum import IntEnum

import numpy as np

from twinlapse.buffered_bytes import FileBytes

__all__ = ["STEP_BYTES", "Feature", "FeatureCounts", "FeatureScan", "features_of"]


class Feature(IntEnum):
    """What a line has that not every firmware takes."""

    LOWERCASE = 0  # g1 x1
    NO_COMMAND = 1  # X10 Y5: the motion of the line before is meant
    FEED_FIRST = 2  # F1800 G1 X1, or F1800 alone
    GLUED = 3  # M109 S200G1 X5
    PARENTHESES = 4  # G1 X5 (text)
    LEADING_ZERO = 5  # G01
    INCHES = 6  # G20
    ARC = 7  # G2, G3
    ARC_RADIUS = 8  # with R
    ARC_RELATIVE = 9  # while G91 holds
    MACHINE_PLACES = 10  # G53
    ORIGIN_RESET = 11  # G92.1
    G10_WORDS = 12
    FW_RETRACT = 13  # G10 without words, G11
    DWELL_SECONDS = 14  # G4 S
    M204_HALF = 15  # P or T alone
    TOOL = 16  # T1 and higher
    PLACEHOLDER = 17  # Y{depth}
    EXTENDED = 18  # NAME_OF_MACRO KEY=value
    WAIT_FOR_PERSON = 19  # M0, M1, M226, M600
    VOLUMETRIC = 20  # M200
    LIMITS = 21  # M201, M203, M205, M566
    HOST_LINE = 22  # M118
    HOST_LINE_BARE = 23  # M118 without S"
    DISPLAY = 24  # M117, M73
    LONG_82 = 25  # longer than a line number and a checksum leave of 95 characters
    LONG_95 = 26
    LONG_255 = 27
    NOT_UTF8 = 28
    NO_LINE_END = 29  # the last line has none
    OBJECTS = 30  # EXCLUDE_OBJECT...
    PAUSE = 31  # PAUSE


FeatureCounts = dict[Feature, tuple[int, int]]  # how many lines have it, and the first, from 1
STEP_BYTES = 1_048_576  # looked at in one go; no source
_LINE_FEED, _SEMICOLON, _G, _ZERO, _ONE, _BLANK = b"\n;G01 "
_WIRE, _MARLIN, _RRF = 82, 95, 255  # lengths of lines that matter (see `twinlapse.gcode.acceptance`)
_PLAIN = frozenset((b"G1 ", b"G0 "))
_ARCS = frozenset((b"G2 ", b"G3 "))
_COMMAND = re.compile(rb"([GMTgmt])(\d+)(?:\.(\d+))?(.*)", re.DOTALL)
_NUMBER = re.compile(rb"[Nn]\d+[ \t]*")
_AXIS = re.compile(rb"[A-EH-LO-SU-Za-eh-lo-su-z][ \t]*[-+.\d]")
_FEED = re.compile(rb"[Ff][ \t]*[.\d]")
_SECOND = re.compile(rb"[GM]\d")
_STRANGE = re.compile(rb"[({\[]")
# commands whose words are text, in which nothing else is looked for
_TEXT = frozenset((16, 20, 23, 28, 30, 32, 36, 98, 117, 118, 291, 486, 928))
_OF_M = {
    **dict.fromkeys((0, 1, 226, 600), Feature.WAIT_FOR_PERSON),
    **dict.fromkeys((201, 203, 205, 566), Feature.LIMITS),
    **dict.fromkeys((73, 117), Feature.DISPLAY),
    118: Feature.HOST_LINE,
    200: Feature.VOLUMETRIC,
}
_OF_G = {20: Feature.INCHES, 53: Feature.MACHINE_PLACES}


@dataclass(slots=True)
class _Count:
    """What was found so far, and the state that lines depend on."""

    found: FeatureCounts = field(default_factory=dict)
    line: int = 0  # before the piece
    relative: bool = False  # G91 holds

    def note(self, feature: Feature, line: int) -> None:
        count, first = self.found.get(feature, (0, line))
        self.found[feature] = (count + 1, first)


class FeatureScan:
    """Counts features while the whole lines of a file pass by, in pieces of any size."""

    def __init__(self) -> None:
        self._count = _Count()
        self._ended = True

    def take(self, lines: bytes) -> None:
        """Look at the next whole lines; only the last of the file may lack its end."""
        for piece in _pieces(lines):
            _scan(piece, self._count)
            self._ended = piece.endswith(b"\n")

    def finish(self) -> FeatureCounts:
        """Return what was found, when the whole file has passed by."""
        if not self._ended:
            self._count.note(Feature.NO_LINE_END, self._count.line)
        return self._count.found


def features_of(view: FileBytes | bytes) -> FeatureCounts:
    """Return how many lines have each feature, and the number of the first.

    Parameters
    ----------
    view : FileBytes or bytes
        A whole file.

    Returns
    -------
    dict
        Feature -> (count, first line from 1); features that no line has are left out.
    """
    scan = FeatureScan()
    for piece in _pieces(view):
        scan.take(piece)
    return scan.finish()


def _pieces(view: FileBytes | bytes) -> Iterator[bytes]:
    """Yield the file in pieces of whole lines."""
    rest = b""
    for place in range(0, len(view), STEP_BYTES):
        piece = rest + view[place : place + STEP_BYTES]
        cut = piece.rfind(b"\n") + 1
        rest = piece[cut:]
        if cut:
            yield piece[:cut]
    if rest:
        yield rest


def _scan(piece: bytes, count: _Count) -> None:
    if not piece.isascii():
        _check_utf8(piece.removesuffix(b"\n").split(b"\n"), count)
    strange = any(byte in piece for byte in (b"(", b"{", b"["))
    glued = piece.count(b"G") > piece.count(b"\nG") + piece.startswith(
        b"G"
    )  # else no line holds a second one
    line_count, worth_reading = _worth_reading(piece, every_move=strange or glued)
    for number, line in worth_reading:
        number += count.line
        start = line[:3]
        if start in _PLAIN:
            if len(line) > _WIRE:
                _check_length(_bare(line), number, count)
            _check_words(_bare(line)[3:], number, count)
        elif start in _ARCS:
            bare = _bare(line)
            count.note(Feature.ARC, number)
            if b"R" in bare:
                count.note(Feature.ARC_RADIUS, number)
            if count.relative:
                count.note(Feature.ARC_RELATIVE, number)
            _check_words(bare[3:], number, count)
        elif start[:1] != b";" and line and (bare := _bare(line)):
            _check_command(bare, number, count)
    count.line += line_count


def _worth_reading(piece: bytes, *, every_move: bool) -> tuple[int, Iterator[tuple[int, bytes]]]:
    """Return how many lines a piece has, and those that are no comment and no short plain move, from 1.

    `every_move` adds the short plain moves.
    """
    data = np.frombuffer(piece, np.uint8)
    ends = np.flatnonzero(data == _LINE_FEED)
    if not len(ends) or ends[-1] != len(data) - 1:
        ends = np.append(ends, len(data))
    starts = np.concatenate((ends[:1] * 0, ends[:-1] + 1))
    widths = ends - starts
    first, second, third = (data[np.minimum(starts + k, len(data) - 1)] for k in range(3))
    keep = (widths > 0) & (first != _SEMICOLON)
    if not every_move:
        move = (first == _G) & ((second == _ZERO) | (second == _ONE)) & (third == _BLANK)
        keep &= ~(move & (widths >= 3) & (widths <= _WIRE))
    rows = np.flatnonzero(keep)
    spans = zip(rows.tolist(), starts[rows].tolist(), ends[rows].tolist(), strict=True)
    return len(ends), ((row + 1, piece[start:end]) for row, start, end in spans)


def _bare(line: bytes) -> bytes:
    """Return a line without its comment and the blanks around it."""
    return line.split(b";", 1)[0].strip(b" \t\r")


def _check_utf8(lines: list[bytes], count: _Count) -> None:
    for number, line in enumerate(lines, count.line + 1):
        if not line.isascii():
            try:
                line.decode("utf-8")
            except UnicodeDecodeError:
                count.note(Feature.NOT_UTF8, number)


def _check_length(bare: bytes, line: int, count: _Count) -> None:
    sizes = ((_WIRE, Feature.LONG_82), (_MARLIN, Feature.LONG_95), (_RRF, Feature.LONG_255))
    for most, feature in sizes:
        if len(bare) > most:
            count.note(feature, line)


def _check_words(words: bytes, line: int, count: _Count) -> None:
    """Look for what no word of a plain command is."""
    found = _STRANGE.search(words)
    if found is not None:
        count.note(Feature.PARENTHESES if found[0] == b"(" else Feature.PLACEHOLDER, line)
        words = words[: found.start()]
    if _SECOND.search(words):
        count.note(Feature.GLUED, line)


def _check_command(bare: bytes, line: int, count: _Count) -> None:
    """Look at a line that is neither a plain move nor a comment."""
    _check_length(bare, line, count)
    numbered = _NUMBER.match(bare)
    bare = bare[numbered.end() :] if numbered else bare
    found = _COMMAND.match(bare)
    if found is None:
        _check_other(bare, line, count)
        return
    letter, digits, sub, words = found[1], found[2], found[3], found[4]
    if letter.islower():
        count.note(Feature.LOWERCASE, line)
    if len(digits) > 1 and digits[:1] == b"0":
        count.note(Feature.LEADING_ZERO, line)
    code, letter = int(digits), letter.upper()
    if letter == b"T":
        if code > 0:
            count.note(Feature.TOOL, line)
    elif letter == b"M":
        _check_m(code, words, line, count)
    else:
        _check_g(code, sub, words, line, count)


def _check_other(bare: bytes, line: int, count: _Count) -> None:
    if _FEED.match(bare):
        count.note(Feature.FEED_FIRST, line)
    elif _AXIS.match(bare):
        count.note(Feature.NO_COMMAND, line)
    elif bare[:1].isalpha() or bare[:1] == b"_":
        count.note(Feature.EXTENDED, line)
        word = bare.split(b" ", 1)[0].upper()
        if word == b"PAUSE":
            count.note(Feature.PAUSE, line)
        elif word.startswith(b"EXCLUDE_OBJECT"):
            count.note(Feature.OBJECTS, line)


def _check_m(code: int, words: bytes, line: int, count: _Count) -> None:
    if code in _OF_M:
        count.note(_OF_M[code], line)
    if code == 118 and not words.strip().upper().startswith(b'S"'):
        count.note(Feature.HOST_LINE_BARE, line)
    if code == 204 and b"S" not in words and (b"P" in words) != (b"T" in words):
        count.note(Feature.M204_HALF, line)
    if code not in _TEXT:
        _check_words(words, line, count)


def _check_g(code: int, sub: bytes | None, words: bytes, line: int, count: _Count) -> None:
    if code in _OF_G:
        count.note(_OF_G[code], line)
    elif code in (90, 91):
        count.relative = code == 91
    elif code in (2, 3):
        count.note(Feature.ARC, line)
        if b"R" in words.upper():
            count.note(Feature.ARC_RADIUS, line)
        if count.relative:
            count.note(Feature.ARC_RELATIVE, line)
    elif code == 4 and b"S" in words and b"P" not in words:
        count.note(Feature.DWELL_SECONDS, line)
    elif code in (10, 11):
        count.note(Feature.G10_WORDS if code == 10 and words.strip() else Feature.FW_RETRACT, line)
    elif code == 92 and sub:
        count.note(Feature.ORIGIN_RESET, line)
    if code in (0, 1) and any(97 <= byte <= 122 for byte in words):
        count.note(Feature.LOWERCASE, line)
    _check_words(words, line, count)
