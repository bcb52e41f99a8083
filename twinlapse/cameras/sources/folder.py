"""A folder into which another program writes pictures.

A picture counts when its writer closed it or moved it here (inotify on Linux). Where there is no inotify the
folder is listed ten times a second and a file counts when it is a whole JPEG. Either way a half-written
picture is never yielded: its end is checked first.

References: inotify(7).
"""

from __future__ import annotations

import contextlib
import ctypes
import os
import select
import struct
import time
from collections.abc import Iterator
from pathlib import Path

from twinlapse.cameras.clock import Clock
from twinlapse.cameras.jpeg import MAX_BYTES, check_whole
from twinlapse.cameras.sources.base import CameraPicture
from twinlapse.errors import CaptureError

__all__ = ["FolderSource"]

# include/uapi/linux/inotify.h
_CLOSE_WRITE, _MOVED_TO = 0x8, 0x80
_CLOEXEC, _NONBLOCK = 0x80000, 0x800
_EVENT = struct.Struct("iIII")
_SUFFIXES = (".jpg", ".jpeg")
_POLL_S = 0.1  # where there is no inotify: ten looks a second


class FolderSource:
    """New JPEG files of a folder, each once, when it is whole."""

    def __init__(
        self, folder: Path, clock: Clock, *, timeout_s: float = 30.0, inotify: bool | None = None
    ) -> None:
        if not folder.is_dir():
            raise CaptureError("there is no such folder", "correct source in the rig file", path=folder)
        self._folder = folder
        self._clock = clock
        self._timeout_s = timeout_s
        self._closed = False
        self._watch = _Watch(folder) if inotify or (inotify is None and _Watch.there()) else None
        self._seen = {path.name: _stamp(path) for path in folder.iterdir() if _wanted(path.name)}

    def pictures(self) -> Iterator[CameraPicture]:
        """Yield a picture when its file is whole; those that were there before are passed over."""
        last_s = self._clock.mono_s()
        while not self._closed:
            for name in self._watch.names(_POLL_S) if self._watch else self._listed():
                arrived_s = self._clock.mono_s()
                data = self._read(name)
                if data is not None:
                    last_s = arrived_s
                    yield CameraPicture(data=data, arrived_s=arrived_s)
            if self._clock.mono_s() - last_s > self._timeout_s:
                raise CaptureError("nothing new came into the folder", "", path=self._folder)

    def close(self) -> None:
        """Stop watching."""
        self._closed = True
        if self._watch:
            self._watch.close()

    def _listed(self) -> Iterator[str]:
        time.sleep(_POLL_S)
        for path in sorted(self._folder.iterdir()):
            if _wanted(path.name) and self._seen.get(path.name) != _stamp(path):
                yield path.name

    def _read(self, name: str) -> bytes | None:
        path = self._folder / name
        try:
            stamp = _stamp(path)
            if path.stat().st_size > MAX_BYTES:
                return None
            data = path.read_bytes()
            check_whole(data)
        except (OSError, CaptureError):
            return None
        self._seen[name] = stamp
        return data


class _Watch:
    """The part of inotify that is needed here, straight from the C library."""

    def __init__(self, folder: Path) -> None:
        library = ctypes.CDLL(None, use_errno=True)
        self._handle: int = library.inotify_init1(_CLOEXEC | _NONBLOCK)
        wanted = _CLOSE_WRITE | _MOVED_TO
        if self._handle < 0 or library.inotify_add_watch(self._handle, os.fsencode(folder), wanted) < 0:
            raise CaptureError(f"cannot watch ({os.strerror(ctypes.get_errno())})", "", path=folder)

    @staticmethod
    def there() -> bool:
        with contextlib.suppress(OSError, TypeError, AttributeError):
            return bool(ctypes.CDLL(None).inotify_init1)
        return False

    def names(self, wait_s: float) -> list[str]:
        """Return the pictures whose writers have finished, waiting up to `wait_s` for the first."""
        try:
            if not select.select([self._handle], [], [], wait_s)[0]:
                return []
            data = os.read(self._handle, 65536)
        except (OSError, ValueError):
            return []
        names, at = [], 0
        while at + _EVENT.size <= len(data):
            length = _EVENT.unpack_from(data, at)[3]
            at += _EVENT.size
            names.append(os.fsdecode(data[at : at + length].rstrip(b"\0")))
            at += length
        return [name for name in names if _wanted(name)]

    def close(self) -> None:
        handle, self._handle = self._handle, -1
        if handle >= 0:
            os.close(handle)


def _wanted(name: str) -> bool:
    return name.lower().endswith(_SUFFIXES) and not name.startswith(".")


def _stamp(path: Path) -> tuple[int, int]:
    with contextlib.suppress(OSError):
        status = path.stat()
        return status.st_mtime_ns, status.st_size
    return 0, 0
