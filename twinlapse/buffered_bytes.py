"""The bytes of a file as if they stood in memory, a megabyte of them at a time."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from pathlib import Path
from typing import IO

from twinlapse.errors import FileProblemError, TwinlapseError
from twinlapse.files import require_file

__all__ = ["FileBytes", "file_bytes"]

_STEP_BYTES = 1_048_576


class FileBytes:
    """Slices and searches like `bytes`, without more of the file in memory than is asked for at once.

    A mapped file would do the same, and every page that was looked at would count as this process's memory.
    """

    def __init__(self, file: IO[bytes], size: int) -> None:
        self._file = file
        self._size = size
        self._held = b""
        self._held_at = 0

    def __len__(self) -> int:
        return self._size

    def __getitem__(self, span: slice) -> bytes:
        start, stop, _ = span.indices(self._size)
        if stop <= start:
            return b""
        if stop - start > _STEP_BYTES:
            return self._read(start, stop - start)
        if start < self._held_at or stop > self._held_at + len(self._held):
            self._hold(start)
        return self._held[start - self._held_at : stop - self._held_at]

    def find(self, what: bytes, start: int = 0, stop: int | None = None) -> int:
        """Return the offset of the first `what` at or behind `start`, -1 when there is none."""
        stop = self._size if stop is None else min(stop, self._size)
        if not self._held_at <= start < self._held_at + len(self._held):
            self._hold(start)
        while True:
            end = min(self._held_at + len(self._held), stop)
            found = self._held.find(what, start - self._held_at, max(end - self._held_at, 0))
            if found >= 0:
                return self._held_at + found
            if end >= stop:
                return -1
            start = max(start, end - len(what) + 1)  # it may lie across the edge
            self._hold(start)

    def rfind(self, what: bytes, start: int = 0, stop: int | None = None) -> int:
        """Return the offset of the last `what` between `start` and `stop`, -1 when there is none."""
        end = self._size if stop is None else min(stop, self._size)
        reach = 4096
        while end > start:
            begin = max(end - reach, start)
            found = self[begin:end].rfind(what)
            if found >= 0:
                return begin + found
            if begin == start:
                return -1
            end, reach = begin + len(what) - 1, min(reach * 4, _STEP_BYTES)
        return -1

    def count_lines(self, start: int, stop: int) -> int:
        """Return how many line ends stand between two offsets."""
        places = range(start, stop, _STEP_BYTES)
        return sum(self[place : min(place + _STEP_BYTES, stop)].count(b"\n") for place in places)

    def _hold(self, start: int) -> None:
        self._held_at = start
        self._held = self._read(start, max(_STEP_BYTES, 64))

    def _read(self, start: int, length: int) -> bytes:
        self._file.seek(start)
        return self._file.read(length)


@contextlib.contextmanager
def file_bytes(path: Path, what: str) -> Iterator[FileBytes]:
    """Open a file for slicing and searching; `what` names its role in an error."""
    require_file(path, what)
    try:
        with path.open("rb") as file:
            yield FileBytes(file, path.stat().st_size)
    except TwinlapseError:  # of the block, with words of its own
        raise
    except OSError as error:
        raise FileProblemError(f"cannot read it ({error.strerror})", path=path) from None
