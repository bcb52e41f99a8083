"""Insert text between the bytes of a file while copying it; every other byte stays as it is."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Protocol

from twinlapse.buffered_bytes import FileBytes

__all__ = ["Insertion", "Sink", "as_bytes", "copy", "line_end", "splice"]

_STEP_BYTES = 4_194_304  # copied at a time: large enough to be fast, small enough to hold; no source


@dataclass(frozen=True, slots=True, kw_only=True)
class Insertion:
    """Replace `over` bytes at `byte` by `text`; with `over` 0 the text is inserted."""

    byte: int
    text: bytes
    over: int = 0


class Sink(Protocol):
    """What bytes can be written to."""

    def write(self, data: bytes, /) -> int:
        """Take bytes."""
        ...


def splice(
    view: FileBytes,
    insertions: Iterable[Insertion],
    out: Sink,
    progress: Callable[[float], None] | None = None,
) -> None:
    """Write the bytes of `view` to `out` with the insertions, which are sorted by their offsets."""
    place = 0
    for insertion in insertions:
        copy(view, place, insertion.byte, out, progress)
        out.write(insertion.text)
        place = insertion.byte + insertion.over
    copy(view, place, len(view), out, progress)


def copy(
    view: FileBytes, start: int, stop: int, out: Sink, progress: Callable[[float], None] | None = None
) -> None:
    """Write the bytes from `start` to `stop`."""
    for place in range(start, stop, _STEP_BYTES):
        out.write(view[place : min(place + _STEP_BYTES, stop)])
        if progress is not None:
            progress(min(place + _STEP_BYTES, stop) / len(view))


def line_end(head: bytes) -> bytes:
    """Return how the lines of a file end, judged by its first."""
    first = head.find(b"\n")
    return b"\r\n" if first > 0 and head[first - 1 : first] == b"\r" else b"\n"


def as_bytes(lines: Iterable[str], eol: bytes) -> bytes:
    """Return whole lines as bytes with the file's own line ends."""
    return b"".join(line.encode("ascii") + eol for line in lines)
