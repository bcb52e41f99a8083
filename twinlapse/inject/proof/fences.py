"""Split a written file at its marker comments: blocks, header, corrected progress lines, and the rest."""

from __future__ import annotations

import re
from dataclasses import dataclass, field

from twinlapse.buffered_bytes import FileBytes
from twinlapse.inject.proof.firmware_reading import BYTE_ORDER_MARK
from twinlapse.inject.proof.report import Fault

__all__ = ["FenceReader", "Fenced", "FencedFile", "read_fences"]

_MARK = b"; twinlapse "
_REACH = 2048  # bytes of a line that are looked at
_BEGIN = re.compile(rb"; twinlapse shot (\d+) begin \(layer (\d+), z (-?\d+\.\d+)\)\s*")
_LINE = re.compile(rb"; twinlapse (arm|run) (\d+) begin\s*")
_JOB = re.compile(rb"; twinlapse job begin\s*")
_HEADER = re.compile(rb"; twinlapse header begin\s*")
_END = re.compile(rb"; twinlapse (?:shot|arm|run) (\d+) end\s*|; twinlapse (?:header|job) end\s*")
_WAS = re.compile(rb"; twinlapse progress was [^\n]*\n?")
_CUE = re.compile(rb"; twinlapse (?:cue|arm|begin|end) ")


@dataclass(frozen=True, slots=True, kw_only=True)
class Fenced:
    """Lines between two marker comments, these included."""

    kind: str  # "shot", "arm", "run", "header", "job", "progress"
    number: int  # of a shot, else 0
    start: int  # byte of the first
    stop: int  # byte after the last
    line: int  # 1-based line of the first
    text: bytes

    @property
    def name(self) -> str:
        """What a person calls it."""
        return f"shot {self.number}" if self.kind == "shot" else self.kind

    @property
    def added_lines(self) -> int:
        """Return how many lines it has more than the original has in its place."""
        return self.text.count(b"\n") - (self.kind == "progress")


@dataclass(slots=True)
class FencedFile:
    """A written file in pieces."""

    blocks: list[Fenced] = field(default_factory=list)  # shots
    others: list[Fenced] = field(default_factory=list)  # header, arming, begin and end, the job, progress
    outside: list[tuple[int, int]] = field(default_factory=list)  # spans of bytes
    faults: list[Fault] = field(default_factory=list)
    lines: int = 0  # of the whole file

    @property
    def header(self) -> Fenced | None:
        """Return the header, if there is one."""
        return next((piece for piece in self.others if piece.kind == "header"), None)

    @property
    def pieces(self) -> list[Fenced]:
        """Everything between marker comments, in file order."""
        return sorted([*self.blocks, *self.others], key=lambda piece: piece.start)

    @property
    def added_lines(self) -> int:
        """Return how many lines the file has more than the original."""
        return sum(piece.added_lines for piece in self.pieces)


class FenceReader:
    """Walks from mark to mark; every mark stands at the start of a line."""

    def __init__(self, view: FileBytes) -> None:
        self.view = view
        self.result = FencedFile()
        self._counted = (0, 1)  # a byte, and its line
        self._open: tuple[str, int, int, int] | None = None  # kind, number, byte, line
        self._last_number = 0
        self._outside_from = 0

    def run(self) -> FencedFile:
        """Cut the whole file."""
        view, place = self.view, 0
        for start in view.places_of(_MARK)[0].tolist():
            if start < place:  # of a line that has been read with another
                continue
            place = start + len(_MARK)
            if start == 0 or view[start - 1 : start] == b"\n" or (start == 3 and view[:3] == BYTE_ORDER_MARK):
                place = self._mark(start)
        if self._open is not None and self._open[0] in ("run", "job"):
            self._close(len(view))  # comments at the end of a file may be cut off: no firmware reads them
        if self._open is not None:
            self._fault(self._open[3], f"the end marker of {self._named()} is missing")
        self.result.outside.append((self._outside_from, len(view)))
        self.result.lines = self._line_of(len(view)) - (view[len(view) - 1 :] == b"\n")
        return self.result

    def _mark(self, start: int) -> int:
        text = self.view[start : start + _REACH]
        line, _, _ = text.partition(b"\n")
        feed = self.view.find(b"\n", start)
        after = len(self.view) if feed < 0 else feed + 1
        if found := _BEGIN.fullmatch(line):
            return self._begin("shot", int(found[1]), start, after)
        if found := _LINE.fullmatch(line):
            return self._begin(found[1].decode(), int(found[2]), start, after)
        if _JOB.fullmatch(line):
            return self._begin("job", 0, start, after)
        if _HEADER.fullmatch(line):
            return self._begin("header", 0, start, after)
        if found := _END.fullmatch(line):
            return self._end(int(found[1] or 0), line.split()[2].decode(), start, after)
        if _WAS.match(text) and self._open is None:
            return self._progress(start, after)
        if not (_CUE.match(line) and self._open is not None):
            self._fault(
                self._line_of(start), f"a line of twinlapse outside any marker comments: {line[:60]!r}"
            )
        return int(after)

    def _begin(self, kind: str, number: int, start: int, after: int) -> int:
        line = self._line_of(start)
        if self._open is not None:
            self._fault(line, f"a begin marker stands inside {self._named()}")
            self._close(start)
        if kind == "shot":
            if number <= self._last_number:
                self._fault(line, f"shot {number} stands behind shot {self._last_number}")
            self._last_number = number
        if kind == "header" and (self.result.header is not None or self.result.blocks):
            self._fault(line, "a second header, or one behind a shot")
        self._open = (kind, number, start, line)
        return after

    def _end(self, number: int, kind: str, start: int, after: int) -> int:
        if self._open is None:
            self._fault(self._line_of(start), f"the begin marker of {kind} {number} is missing")
            return after
        if (kind, number) != self._open[:2]:
            self._fault(self._line_of(start), f"{self._named()} ends with the marker of another")
        self._close(after)
        return after

    def _close(self, stop: int) -> None:
        assert self._open is not None
        kind, number, start, line = self._open
        self._keep(kind, number, start, stop, line)
        self._open = None

    def _progress(self, start: int, after: int) -> int:
        feed = self.view.find(b"\n", after)
        stop = len(self.view) if feed < 0 else feed + 1
        self._keep("progress", 0, start, stop, self._line_of(start))
        return int(stop)

    def _keep(self, kind: str, number: int, start: int, stop: int, line: int) -> None:
        piece = Fenced(
            kind=kind, number=number, start=start, stop=stop, line=line, text=self.view[start:stop]
        )
        (self.result.blocks if kind == "shot" else self.result.others).append(piece)
        self.result.outside.append((self._outside_from, start))
        self._outside_from = stop

    def _named(self) -> str:
        assert self._open is not None
        return f"shot {self._open[1]}" if self._open[0] == "shot" else f"the {self._open[0]}"

    def _fault(self, line: int, text: str) -> None:
        self.result.faults.append(Fault(line, text))

    def _line_of(self, byte: int) -> int:
        place, line = self._counted
        line += self.view.count_lines(place, byte)
        self._counted = (byte, line)
        return line


def read_fences(view: FileBytes) -> FencedFile:
    """Split a written file at its marker comments."""
    return FenceReader(view).run()
