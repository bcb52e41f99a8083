"""Cutting a ``multipart/x-mixed-replace`` stream into its parts as the bytes come in.

References: RFC 2046 section 5.1 (boundaries). Cameras differ: some announce the boundary with its dashes,
some send no length, some end lines with a bare line feed; all of these are read.
"""

from __future__ import annotations

import re

from twinlapse.cameras.jpeg import MAX_BYTES, find_end
from twinlapse.errors import CaptureError

__all__ = ["PartReader", "read_boundary"]

_BOUNDARY = re.compile(r'boundary\s*=\s*(?:"([^"]{1,200})"|([^\s;,]{1,200}))', re.IGNORECASE)
_LENGTH = re.compile(rb"^content-length\s*:\s*(\d{1,9})\s*$", re.IGNORECASE | re.MULTILINE)
_HEAD_END = re.compile(rb"\r?\n\r?\n")
_MAX_HEAD = 8192  # bytes of one part's head; cameras send about 100 (common practice, no source)


def read_boundary(content_type: str) -> bytes:
    """Return the boundary that a Content-Type announces.

    Raises
    ------
    CaptureError
        when it is no multipart stream.
    """
    found = _BOUNDARY.search(content_type)
    if not content_type.lower().startswith("multipart/") or found is None:
        kind = content_type.split(";")[0] or "nothing"
        raise CaptureError(f"the camera sends {kind}, not a stream", 'write "still:" before a still address')
    return b"--" + (found[1] or found[2]).removeprefix("--").encode("latin-1", "replace")


class PartReader:
    """Takes bytes, gives whole parts."""

    def __init__(self, boundary: bytes) -> None:
        self._boundary = boundary
        self._buffer = bytearray()
        self._length: int | None = None
        self._in_body = False
        self._scanned = 0
        self._check_length = 0  # bytes that the camera announced for the part before

    def feed(self, data: bytes) -> list[bytes]:
        """Return the parts that `data` completes.

        Raises
        ------
        CaptureError
            when a part or its head is larger than a camera sends.
        """
        self._buffer += data
        parts: list[bytes] = []
        while True:
            part = self._body() if self._in_body else self._head()
            if part is None:
                return parts
            if part:
                parts.append(part)

    def _head(self) -> bytes | None:
        start = self._buffer.find(self._boundary)
        if self._check_length and (start >= 0 or len(self._buffer) > _MAX_HEAD):
            self._refuse_wrong_length(bytes(self._buffer[: max(0, start) or _MAX_HEAD]))
        if start < 0:
            del self._buffer[: max(0, len(self._buffer) - len(self._boundary) - 4)]
            return None
        found = _HEAD_END.search(self._buffer, start)
        if found is None:
            if len(self._buffer) - start > _MAX_HEAD:
                raise CaptureError("the head of a picture does not end", "check the address of the camera")
            return None
        length = _LENGTH.search(bytes(self._buffer[start : found.start()]).replace(b"\r", b""))
        self._length = None if length is None else int(length[1])
        if self._length is not None and self._length > MAX_BYTES:
            raise CaptureError(f"the camera announces {self._length} bytes", "8 MB are enough")
        del self._buffer[: found.end()]
        self._in_body, self._scanned = True, 0
        return b""

    def _body(self) -> bytes | None:
        end = self._length if self._length is not None else self._end_without_length()
        if end is None or len(self._buffer) < end:
            if len(self._buffer) > MAX_BYTES:
                raise CaptureError("a picture does not end", "check the camera")
            return None
        part = bytes(self._buffer[:end])
        del self._buffer[:end]
        self._check_length = self._length or 0
        self._in_body = False
        return part

    def _refuse_wrong_length(self, between: bytes) -> None:
        announced, self._check_length = self._check_length, 0
        if between.strip(b"\r\n-\0 "):
            raise CaptureError(
                f"the camera announces {announced} bytes, and its picture is longer",
                "its Content-Length is wrong: use another address of it, or new firmware of the camera",
            )

    def _end_without_length(self) -> int | None:
        # a JPEG ends itself: waiting for the next boundary would make every picture one period older
        fresh = max(0, self._scanned - len(self._boundary) - 4)
        self._scanned = len(self._buffer)
        if self._buffer[:2] == b"\xff\xd8":
            return find_end(self._buffer) if self._buffer.find(b"\xff\xd9", fresh) >= 0 else None
        boundary = self._buffer.find(self._boundary, fresh)
        if boundary < 0:
            return None
        return len(self._buffer[:boundary].rstrip(b"\r\n"))
