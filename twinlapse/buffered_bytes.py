"""The bytes of a file as if they stood in memory, a megabyte of them at a time."""

from __future__ import annotations

import contextlib
import hashlib
from collections.abc import Iterator
from pathlib import Path
from typing import IO

import numpy as np
from numpy.typing import NDArray

from twinlapse.arrays import Int
from twinlapse.errors import FileProblemError, TwinlapseError
from twinlapse.files import require_file

__all__ = ["FileBytes", "file_bytes"]

_STEP_BYTES = 1_048_576
_COMMON = b"0123456789.+- ;:GXYZEF\r\n"  # bytes of plain moves and comments: a search begins at another


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
        return sum(
            int(np.count_nonzero(np.frombuffer(self[place : min(place + _STEP_BYTES, stop)], np.uint8) == 10))
            for place in range(start, stop, _STEP_BYTES)
        )

    def sha256(self) -> str:
        """Return the SHA-256 of the whole file, in hexadecimal digits."""
        digest = hashlib.sha256()
        for place in range(0, self._size, _STEP_BYTES):
            digest.update(self._read(place, _STEP_BYTES))
        return digest.hexdigest()

    def places_of(self, *words: bytes) -> tuple[Int, ...]:
        """Return the offsets of every occurrence of some words, in one pass over the file.

        Other threads run meanwhile, unlike with `find`, and it costs a third.
        """
        found: list[list[Int]] = [[] for _ in words]
        overlap = max(len(word) for word in words) - 1
        for place, data, own in self.pieces(overlap):
            for word, places in zip(words, found, strict=True):
                here = _places_in(data, word)
                places.append(place + here[here < own])
        return tuple(np.concatenate([np.empty(0, np.int64), *places]) for places in found)

    def pieces(self, overlap: int) -> Iterator[tuple[int, NDArray[np.uint8], int]]:
        """Yield the file in pieces: offset, bytes, and how many of them the next piece has not got.

        `overlap` bytes of the next piece are in each.
        """
        for place in range(0, self._size, _STEP_BYTES):
            yield place, np.frombuffer(self._read(place, _STEP_BYTES + overlap), np.uint8), _STEP_BYTES

    def _hold(self, start: int) -> None:
        self._held_at = start
        self._held = self._read(start, max(_STEP_BYTES, 64))

    def _read(self, start: int, length: int) -> bytes:
        self._file.seek(start)
        return self._file.read(length)


def _places_in(data: np.ndarray, word: bytes) -> Int:
    """Return where a word begins: where its rarest byte stands, then where the others do as well."""
    rare = next((k for k, byte in enumerate(word) if byte not in _COMMON), 0)
    count = max(len(data) - len(word) + 1, 0)
    places = np.flatnonzero(data[rare : rare + count] == word[rare])
    for k, byte in enumerate(word):
        if not len(places):
            break
        places = places[data[places + k] == byte]
    return places


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
