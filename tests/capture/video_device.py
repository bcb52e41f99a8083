"""Drivers of USB cameras for tests: one that is worked by hand, one that exposes on its own, by the clock."""

from __future__ import annotations

import errno
import time
from collections import deque
from collections.abc import Callable
from typing import Any

from twinlapse.cameras.sources import v4l2_records as v4l2


class FakeDevice:
    """A driver that fills the buffers handed to it."""

    def __init__(self, jpeg: bytes) -> None:
        self.jpeg = jpeg
        self.card = v4l2.CAN_CAPTURE | v4l2.CAN_STREAM
        self.formats = [v4l2.MJPEG]
        self.fail: dict[int, int] = {}
        self.queued: list[int] = []
        self.memory: list[bytearray] = []
        self.flags = v4l2.TIMESTAMP_MONOTONIC
        self.time_s = 100.0
        self.exposure_units: int | None = 200  # of 100 us
        self.streaming = self.closed = self.silent = False
        self.cut = 0
        self.values: dict[int, int] = {}  # of controls
        self.known: set[int] | None = None  # controls that it has; None: all
        self.rounds: dict[int, int] = {}  # what it makes of a value
        self.sizes = [(640, 480), (1280, 720)]
        self.rates = [(1, 30), (1, 15)]

    def ioctl(self, request: int, record: Any) -> None:
        if request in self.fail:
            raise OSError(self.fail[request], "refused")
        match request:
            case v4l2.QUERYCAP:
                record.capabilities = v4l2.HAS_DEVICE_CAPS | 0xFF
                record.device_caps = self.card
                record.card = b"Seed Cam"
            case v4l2.ENUM_FMT:
                if record.index >= len(self.formats):
                    raise OSError(errno.EINVAL, "no more")
                record.pixelformat = self.formats[record.index]
            case v4l2.S_FMT:
                if record.fmt.pix.pixelformat not in self.formats:
                    record.fmt.pix.pixelformat = self.formats[0]
            case v4l2.REQBUFS:
                record.count = 3  # fewer than asked for, as drivers may
                self.memory = [bytearray(65536) for _ in range(3)]
            case v4l2.QUERYBUF:
                record.length, record.m.offset = 65536, record.index * 4096
            case v4l2.QBUF:
                assert record.index not in self.queued, "a buffer was handed over twice"
                self.queued.append(record.index)
            case v4l2.DQBUF:
                self._fill(record)
            case v4l2.STREAMON:
                self.streaming = True
            case v4l2.ENUM_FRAMESIZES:
                if record.index >= len(self.sizes):
                    raise OSError(errno.EINVAL, "no more")
                record.type = v4l2.FRAME_DISCRETE
                record.u.discrete.width, record.u.discrete.height = self.sizes[record.index]
            case v4l2.ENUM_FRAMEINTERVALS:
                if record.index >= len(self.rates):
                    raise OSError(errno.EINVAL, "no more")
                record.type = v4l2.FRAME_DISCRETE
                record.u.discrete.numerator, record.u.discrete.denominator = self.rates[record.index]
            case v4l2.S_CTRL:
                if self.known is not None and record.id not in self.known:
                    raise OSError(errno.EINVAL, "no such control")
                self.values[record.id] = self.rounds.get(record.id, record.value)
            case v4l2.G_CTRL if record.id in self.values:
                record.value = self.values[record.id]
            case v4l2.G_CTRL:
                if self.known is not None and record.id not in self.known:
                    raise OSError(errno.EINVAL, "no such control")
                if self.exposure_units is None:
                    raise OSError(errno.EINVAL, "no such control")
                record.value = self.exposure_units

    def _fill(self, record: Any) -> None:
        record.index = self.queued.pop(0)
        data = self.jpeg[: len(self.jpeg) - self.cut]
        self.memory[record.index][: len(data)] = data
        record.bytesused, record.flags = len(data), self.flags
        self.time_s += 1 / 30
        record.timestamp.tv_sec = int(self.time_s)
        record.timestamp.tv_usec = round(self.time_s % 1 * 1e6)

    def map(self, length: int, offset: int) -> bytearray:
        return self.memory[offset // 4096]

    def wait(self, timeout_s: float) -> bool:
        return not self.silent

    def close(self) -> None:
        self.closed = True


class LiveDevice(FakeDevice):
    """Exposes `fps` pictures a second; with no free buffer the new picture is dropped, as drivers do.

    `stamped` is told when the exposure of a picture began and returns the picture. It is ready `pipeline_s`
    later; the stamp is that of its first bytes, when its exposure of 20 ms had ended (or the whole pipeline,
    when that is shorter).
    """

    def __init__(self, stamped: Callable[[float], bytes], fps: float, pipeline_s: float) -> None:
        super().__init__(stamped(0.0))
        self._stamped, self._period_s, self._pipeline_s = stamped, 1 / fps, pipeline_s
        self.exposure_units = round(min(0.02, pipeline_s) * 1e4)
        self._next_s = time.monotonic()
        self._ready: deque[tuple[float, int]] = deque()
        self.dropped = 0

    def wait(self, timeout_s: float) -> bool:
        until_s = time.monotonic() + timeout_s
        while not self._run() and time.monotonic() < until_s:
            time.sleep(0.001)
        return bool(self._ready)

    def _run(self) -> bool:
        """Do what the camera has done until now."""
        while self._next_s + self._pipeline_s <= time.monotonic():
            if self.queued and self.streaming:
                self._ready.append((self._next_s, self.queued.pop(0)))
            else:
                self.dropped += 1
            self._next_s += self._period_s
        return bool(self._ready)

    def _fill(self, record: Any) -> None:
        if not self._run():
            raise OSError(errno.EAGAIN, "nothing is ready")
        began_s, record.index = self._ready.popleft()
        data = self._stamped(began_s)
        self.memory[record.index][: len(data)] = data
        record.bytesused, record.flags = len(data), self.flags
        microseconds = int((began_s + (self.exposure_units or 0) * 1e-4) * 1e6)  # the kernel cuts, too
        record.timestamp.tv_sec, record.timestamp.tv_usec = divmod(microseconds, 1_000_000)
