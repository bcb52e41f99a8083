"""Take everything that was written into a file out of it again."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from twinlapse.buffered_bytes import FileBytes, file_bytes
from twinlapse.errors import InjectError
from twinlapse.files import replacing
from twinlapse.inject.splice import Insertion, splice

__all__ = ["MARK", "Digesting", "RemoveReport", "Written", "find_written", "remove_shots"]

MARK = b"; twinlapse "
_BEGIN = re.compile(rb"; twinlapse (header|job|(?:shot|arm|run) \d+) begin\b[^\n]*\n?")
_WAS = re.compile(rb"; twinlapse progress was ([^\n]*\n?)[^\n]*\n?")
_FACT = re.compile(rb"(?m)^; (original_sha256|original_bytes) (\w+)")
_LONGEST = 4096  # bytes of a line that twinlapse writes, at the most


@dataclass(frozen=True, slots=True, kw_only=True)
class RemoveReport:
    """What came out."""

    shots: int
    bytes: int  # of the file without them
    sha256: str
    exact: bool | None  # it is the original byte for byte; None: the header with its hash is missing


@dataclass(frozen=True, slots=True, kw_only=True)
class Written:
    """One piece that twinlapse wrote, and what stood there before."""

    kind: str  # "header", "shot", "arm", "run", "job", "progress"
    start: int
    stop: int
    was: bytes = b""


def remove_shots(path: Path, out: Path, *, progress: Callable[[float], None] | None = None) -> RemoveReport:
    """Write `path` without what twinlapse put into it to `out`.

    Raises
    ------
    InjectError
        when there is nothing to take out, or a marker comment has lost its other half.
    """
    with file_bytes(path, "G-code file") as view:
        pieces = list(find_written(view, path))
        if not pieces:
            raise InjectError(
                "there is nothing of twinlapse in this file", "name the written file", path=path
            )
        facts = _facts(view, pieces)
        pieces = _with_line_end(view, pieces, facts)
        cuts = [
            Insertion(byte=piece.start, text=piece.was, over=piece.stop - piece.start) for piece in pieces
        ]
        digest = hashlib.sha256()
        with replacing(out) as file:
            splice(view, cuts, Digesting(file, digest), progress)
            size = file.tell()
    said = facts.get("original_sha256")
    return RemoveReport(
        shots=sum(piece.kind == "shot" for piece in pieces),
        bytes=size,
        sha256=digest.hexdigest(),
        exact=None if said is None else said == digest.hexdigest(),
    )


def find_written(view: FileBytes, path: Path | None = None) -> Iterator[Written]:
    """Yield every piece of ours in the order of the file.

    Raises
    ------
    InjectError
        when a marker comment has lost its other half.
    """
    place = 0
    while (start := view.find(MARK, place)) >= 0:
        place = start + len(MARK)
        if start > 0 and view[start - 1 : start] != b"\n":
            continue
        line = view[start : start + _LONGEST]
        if found := _WAS.match(line):
            yield Written(kind="progress", start=start, stop=start + found.end(), was=found[1])
            place = start + found.end()
        elif found := _BEGIN.match(line):
            stop = _end_of_fence(view, start, found[1], path)
            yield Written(kind=found[1].split()[0].decode(), start=start, stop=stop)
            place = stop
        else:
            raise _broken(view, start, path)


def _end_of_fence(view: FileBytes, start: int, name: bytes, path: Path | None) -> int:
    end = view.find(b"\n" + MARK + name + b" end", start)
    other = view.find(b" begin", view.find(b"\n", start))
    while other >= 0 and other < end:  # a second beginning before the end: one fence of the two is lost
        line = view.rfind(b"\n", 0, other) + 1
        if view[line : line + len(MARK)] == MARK:
            raise _broken(view, start, path)
        other = view.find(b" begin", other + 1)
    if end < 0:
        raise _broken(view, start, path)
    feed = view.find(b"\n", end + 1)
    return len(view) if feed < 0 else int(feed) + 1


def _broken(view: FileBytes, start: int, path: Path | None) -> InjectError:
    return InjectError(
        "a marker comment of twinlapse has lost its other half",
        "take the original file; this one was edited by hand",
        path=path,
        line=view.count_lines(0, start) + 1,
    )


def _facts(view: FileBytes, pieces: list[Written]) -> dict[str, str]:
    for piece in pieces:
        if piece.kind == "header":
            found = _FACT.findall(view[piece.start : piece.stop])
            return {name.decode(): value.decode() for name, value in found}
    return {}


def _with_line_end(view: FileBytes, pieces: list[Written], facts: dict[str, str]) -> list[Written]:
    """Return the pieces; those at the end take the line end along that the original did not have."""
    last = pieces[-1]
    said = facts.get("original_bytes", "")
    if last.stop < len(view) or not said.isdigit():
        return pieces
    first = len(pieces) - 1  # of those that stand behind the original's last line, one after the other
    while first > 0 and pieces[first - 1].stop == pieces[first].start:
        first -= 1
    size = len(view) + sum(len(piece.was) - (piece.stop - piece.start) for piece in pieces)
    excess = size - int(said)
    start = pieces[first].start
    if excess in (1, 2) and view[start - excess : start] in (b"\n", b"\r\n"):
        pieces = [*pieces]
        pieces[first] = replace(pieces[first], start=start - excess)
    return pieces


class Digesting:
    """A file that is digested while it is written."""

    def __init__(self, file: Any, digest: Any) -> None:
        self._file = file
        self._digest = digest

    def write(self, data: bytes) -> int:
        """Write and digest."""
        self._digest.update(data)
        return int(self._file.write(data))
