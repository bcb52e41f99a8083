"""Compare everything outside the marker comments with the original: byte for byte, or else by meaning."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from twinlapse.buffered_bytes import FileBytes
from twinlapse.inject.proof.fences import Fenced, FencedFile
from twinlapse.inject.proof.firmware_reading import RULES, LineRules
from twinlapse.inject.proof.normalise import meaning
from twinlapse.inject.proof.report import Fault

__all__ = ["OutsideDiff", "Span", "compare_outside", "original_line"]

_STEP = 1_048_576
# first byte, byte after the last, the original's line where it was corrected
Span = tuple[int, int, bytes | None]
_Line = tuple[int, bytes]  # its number in the whole file
_WAS = b"; twinlapse progress was "


@dataclass(frozen=True, slots=True, kw_only=True)
class OutsideDiff:
    """How the lines outside the marker comments compare."""

    fault: Fault | None
    rewritten: int  # lines that say the same in other words; 0: byte for byte
    first_line: int  # of the written file, of the first such line

    @property
    def is_none(self) -> bool:
        """Whether every byte is the original's."""
        return self.fault is None and not self.rewritten


def compare_outside(
    original: FileBytes, written: FileBytes, fenced: FencedFile, firmware: str
) -> OutsideDiff:
    """Compare the original with the written file without the lines between marker comments.

    Parameters
    ----------
    original, written : FileBytes
    fenced : FencedFile
        Of the written file.
    firmware : str
        Whose reading decides whether lines that differ say the same.
    """
    rules = RULES[firmware]
    place = 0
    spans = list(_spans(fenced))
    for index, (start, stop, was) in enumerate(spans):
        if was is not None:
            same, length = original[place : place + len(was)] == was, len(was)
        else:
            same, length = _same(original, place, written, start, stop - start), stop - start
        short = index == len(spans) - 1 and place + length < len(original)
        if not same or short:
            return _by_meaning(original, place, written, spans[index:], rules, fenced.lines)
        place += length
    if place < len(original):  # nothing at all stands outside the fences
        return _by_meaning(original, place, written, [], rules, fenced.lines)
    return OutsideDiff(fault=None, rewritten=0, first_line=0)


def _spans(fenced: FencedFile) -> Iterator[Span]:
    """Yield spans of bytes outside, and the original's line of each corrected progress line."""
    spans: list[Span] = [(start, stop, None) for start, stop in fenced.outside if stop > start]
    for piece in fenced.others:
        if piece.kind == "progress":
            spans.append((piece.start, piece.stop, original_line(piece)))
    yield from sorted(spans, key=lambda span: span[0])


def original_line(piece: Fenced) -> bytes:
    """Return the line of the original that a corrected progress line stands for."""
    return piece.text.splitlines(keepends=True)[0][len(_WAS) :]


def _same(a: FileBytes, at: int, b: FileBytes, bt: int, length: int) -> bool:
    rest = len(a) - at
    if 0 <= rest < length:  # the original's last line has no end of its own, the written one has
        return b[bt + rest : bt + length] in (b"\n", b"\r\n") and _same(a, at, b, bt, rest)
    return all(
        a[at + step : at + min(step + _STEP, length)] == b[bt + step : bt + min(step + _STEP, length)]
        for step in range(0, length, _STEP)
    )


def _by_meaning(
    original: FileBytes, place: int, written: FileBytes, spans: list[Span], rules: LineRules, last: int
) -> OutsideDiff:
    """Walk both files line by line; lines that say nothing are passed over on either side.

    ``last`` is the last line of the written file.
    """
    ours = _lines(original, [(place, len(original), None)])
    theirs = _lines(written, spans)
    mine, other = next(ours, None), next(theirs, None)
    rewritten, first_line = 0, 0
    while mine is not None or other is not None:
        if mine is None or other is None or mine[1] != other[1]:
            said = b"" if mine is None else meaning(_ended(mine[1]), rules)
            heard = b"" if other is None else meaning(other[1], rules)
            if said != heard and (said or mine is None) and (heard or other is None):
                return OutsideDiff(fault=_difference(mine, other, last), rewritten=0, first_line=0)
            rewritten += 1
            first_line = first_line or (other[0] if other else 0)
            if mine is not None and not said and heard:
                mine = next(ours, None)
                continue
            if other is not None and not heard and said:
                other = next(theirs, None)
                continue
        mine, other = next(ours, None), next(theirs, None)
    return OutsideDiff(fault=None, rewritten=max(rewritten, 1), first_line=first_line)


def _ended(line: bytes) -> bytes:
    """Return the line with an end: the original's last is taken to be meant, whether it has one or not."""
    return line if line.endswith(b"\n") else line + b"\n"


def _difference(mine: _Line | None, other: _Line | None, last_line: int) -> Fault:
    if mine is None:
        assert other is not None
        return Fault(other[0], f"this line is not in the original: {_shown(other[1])}")
    if other is None:
        return Fault(last_line, f"line {mine[0]} of the original is missing at the end: {_shown(mine[1])}")
    text = f"line {mine[0]} of the original says {_shown(mine[1])}, here stands {_shown(other[1])}"
    return Fault(other[0], text)


def _shown(line: bytes) -> str:
    return repr(line.strip()[:60].decode("utf-8", "replace"))


def _lines(view: FileBytes, spans: list[Span]) -> Iterator[_Line]:
    """Yield the lines of spans, each with its 1-based number in the whole file."""
    place, number = 0, 1
    for start, stop, was in spans:
        number += view.count_lines(place, start)
        if was is not None:
            yield number, was
            place = start
            continue
        while start < stop:
            end = view.find(b"\n", start, stop) + 1 or stop
            yield number, view[start:end]
            number += view[end - 1 : end] == b"\n"
            start = end
        place = stop
