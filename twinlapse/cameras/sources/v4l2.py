"""USB cameras through Video4Linux: MJPEG as the camera compressed it, with the driver's own time stamps.

With no free buffer the driver drops the new picture, so an undrained queue holds the oldest ones; buffers are
therefore handed back at once and the stamp decides what a picture is worth. The stamp is taken at the first
bytes of a picture, which is after its exposure began, so the exposure time is subtracted.
"""

from __future__ import annotations

import contextlib
import ctypes
import errno
import fcntl
import mmap
import os
import select
import stat
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Protocol

from twinlapse.cameras.clock import Clock
from twinlapse.cameras.jpeg import find_end
from twinlapse.cameras.sources import v4l2_records as v4l2
from twinlapse.cameras.sources.base import CameraPicture
from twinlapse.cameras.sources.v4l2_controls import lock_controls
from twinlapse.errors import CaptureError
from twinlapse.rig.camera_controls import Controls

__all__ = ["Device", "V4l2Source", "VideoDevice", "list_formats", "processes_that_hold"]

_BUFFERS = 4  # one filled, one handed over, two spare (common practice, no source)
_LOCK_EVERY = 600  # pictures between two looks at the controls: some cameras forget them
_FAULTS = {
    errno.ENOSPC: (
        "the USB bus has no room left for this camera",
        "plug it into another controller, or choose a smaller picture",
    ),
    errno.EBUSY: ("another program holds the camera", "end that program"),
    errno.EACCES: ("this user may not open the camera", "add the user to the group 'video'"),
    errno.ENOENT: ("there is no such device", "plug the camera in"),
    errno.ENODEV: ("the camera was unplugged", "plug it in again"),
    errno.ENOTTY: ("this is no video device", "correct source in the rig file"),
}


class Device(Protocol):
    """What is asked of the operating system; tests put a device of their own here."""

    def ioctl(self, request: int, record: Any) -> None:
        """Carry out a request on `record`, raising OSError."""

    def map(self, length: int, offset: int) -> Any:
        """Return the memory of a buffer, sliceable."""

    def wait(self, timeout_s: float) -> bool:
        """Return whether a picture is ready within `timeout_s`."""

    def close(self) -> None:
        """Give the device back."""


class VideoDevice:
    """A device file such as ``/dev/v4l/by-path/...``."""

    def __init__(self, path: str) -> None:
        try:
            self._handle = os.open(path, os.O_RDWR | os.O_NONBLOCK | os.O_CLOEXEC)
        except OSError as error:
            raise _fault(error, path) from None
        self._maps: list[mmap.mmap] = []

    def ioctl(self, request: int, record: Any) -> None:
        """Carry out a request on `record`."""
        fcntl.ioctl(self._handle, request, record, True)

    def map(self, length: int, offset: int) -> mmap.mmap:
        """Return the memory of a buffer."""
        mapped = mmap.mmap(self._handle, length, mmap.MAP_SHARED, mmap.PROT_READ, offset=offset)
        self._maps.append(mapped)
        return mapped

    def wait(self, timeout_s: float) -> bool:
        """Return whether a picture is ready within `timeout_s`."""
        return bool(select.select([self._handle], [], [], timeout_s)[0])

    def close(self) -> None:
        """Give the device back."""
        for mapped in self._maps:
            mapped.close()
        os.close(self._handle)


class V4l2Source:
    """An open USB camera."""

    def __init__(
        self,
        path: str,
        clock: Clock,
        *,
        width_px: int = 640,
        height_px: int = 480,
        timeout_s: float = 3.0,
        controls: Controls | None = None,
        device: Device | None = None,
    ) -> None:
        self._path = path
        self._clock = clock
        self._timeout_s = timeout_s
        self._closed = False
        self._controls = controls or Controls()
        self._device = device or VideoDevice(path)
        try:
            self._prepare(width_px, height_px)
            lock_controls(self._device.ioctl, self._controls, path)
        except OSError as error:
            self._device.close()
            raise _fault(error, path) from None
        except CaptureError:
            self._device.close()
            raise

    def pictures(self) -> Iterator[CameraPicture]:
        """Yield whole pictures; damaged buffers are passed over."""
        taken = 0
        try:
            self._device.ioctl(v4l2.STREAMON, ctypes.c_int(v4l2.CAPTURE))
            while not self._closed:
                asked_s = self._clock.mono_s()
                if not self._device.wait(self._timeout_s):
                    raise CaptureError("the camera fell silent", "check cable and supply", path=self._path)
                picture = self._take(asked_s)
                taken += 1
                if taken % _LOCK_EVERY == 0:
                    lock_controls(self._device.ioctl, self._controls, self._path)
                if picture is not None:
                    yield picture
        except OSError as error:
            raise _fault(error, self._path) from None
        finally:
            self._device.close()

    def close(self) -> None:
        """End after the picture at hand."""
        self._closed = True

    def _prepare(self, width_px: int, height_px: int) -> None:
        capability = v4l2.Capability()
        self._device.ioctl(v4l2.QUERYCAP, capability)
        able = capability.device_caps if capability.capabilities & v4l2.HAS_DEVICE_CAPS else 0
        able = able or capability.capabilities
        if not able & v4l2.CAN_CAPTURE or not able & v4l2.CAN_STREAM:
            raise CaptureError("this device gives no pictures", "try its other node", path=self._path)
        wanted = v4l2.Format(type=v4l2.CAPTURE)
        wanted.fmt.pix.width, wanted.fmt.pix.height = width_px, height_px
        wanted.fmt.pix.pixelformat, wanted.fmt.pix.field = v4l2.MJPEG, 1
        self._device.ioctl(v4l2.S_FMT, wanted)
        if wanted.fmt.pix.pixelformat != v4l2.MJPEG:
            raise CaptureError("this camera gives no MJPEG", "use another camera", path=self._path)
        self.size_px = (wanted.fmt.pix.width, wanted.fmt.pix.height)
        request = v4l2.RequestBuffers(count=_BUFFERS, type=v4l2.CAPTURE, memory=v4l2.MMAP)
        self._device.ioctl(v4l2.REQBUFS, request)
        self._memory = [self._map(index) for index in range(request.count)]

    def _map(self, index: int) -> Any:
        buffer = v4l2.Buffer(index=index, type=v4l2.CAPTURE, memory=v4l2.MMAP)
        self._device.ioctl(v4l2.QUERYBUF, buffer)
        memory = self._device.map(buffer.length, buffer.m.offset)
        self._device.ioctl(v4l2.QBUF, buffer)
        return memory

    def _take(self, asked_s: float) -> CameraPicture | None:
        buffer = v4l2.Buffer(type=v4l2.CAPTURE, memory=v4l2.MMAP)
        self._device.ioctl(v4l2.DQBUF, buffer)
        arrived_s = self._clock.mono_s()
        data = bytes(self._memory[buffer.index][: buffer.bytesused])
        flags, stamp = buffer.flags, buffer.timestamp
        self._device.ioctl(v4l2.QBUF, buffer)
        if flags & v4l2.BUFFER_ERROR or not _whole(data):
            return None
        exposed_s = stamped_s = None
        if flags & v4l2.TIMESTAMP_MASK == v4l2.TIMESTAMP_MONOTONIC:
            stamped_s = stamp.tv_sec + stamp.tv_usec * 1e-6
            exposed_s = stamped_s - self._exposure_s()
        return CameraPicture(
            data=data,
            arrived_s=arrived_s,
            exposed_s=exposed_s,
            stamped_s=stamped_s,
            waited_s=arrived_s - asked_s,
        )

    def _exposure_s(self) -> float:
        control = v4l2.Control(id=v4l2.CID_EXPOSURE_ABSOLUTE)
        try:
            self._device.ioctl(v4l2.G_CTRL, control)
        except OSError:
            return 1 / 15  # not told: longest exposure of a camera that keeps 15 pictures a second
        return max(0.0, int(control.value) * 1e-4)


def list_formats(device: Device) -> list[str]:
    """Return the four-letter codes of the formats a device offers."""
    formats: list[str] = []
    while len(formats) < 32:
        description = v4l2.FormatDescription(index=len(formats), type=v4l2.CAPTURE)
        try:
            device.ioctl(v4l2.ENUM_FMT, description)
        except OSError:
            break
        formats.append(int(description.pixelformat).to_bytes(4, "little").decode("latin-1"))
    return formats


def _whole(data: bytes) -> bool:
    try:
        return find_end(data) is not None
    except CaptureError:
        return False


def _fault(error: OSError, path: str) -> CaptureError:
    what, hint = _FAULTS.get(error.errno or 0, (error.strerror or "the camera failed", "plug it in again"))
    if error.errno == errno.EBUSY and (holders := processes_that_hold(path)):
        what, hint = f"{what}: {', '.join(holders)}", "end it"
    return CaptureError(what, hint, path=path)


def processes_that_hold(path: str, proc: Path = Path("/proc")) -> list[str]:
    """Return name and number of the other processes that have a device open, as far as this user may see."""
    try:
        device = Path(path).stat().st_rdev
    except OSError:
        return []
    holders = []
    for folder in sorted(proc.glob("[0-9]*")):
        if folder.name == str(os.getpid()):
            continue
        with contextlib.suppress(OSError):
            opened = (handle.stat() for handle in (folder / "fd").iterdir())
            if any(status.st_rdev == device and stat.S_ISCHR(status.st_mode) for status in opened):
                program = (folder / "comm").read_text("utf-8").strip()
                holders.append(f"{program} (process {folder.name})")
    return holders
