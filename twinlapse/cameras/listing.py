"""What USB cameras this machine has: name, formats, sizes, frame rates, and the section that fits them."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

from twinlapse.cameras.sources import v4l2_records as v4l2
from twinlapse.cameras.sources.v4l2 import Device, VideoDevice, list_formats, processes_that_hold
from twinlapse.errors import CaptureError
from twinlapse.rig.schema import toml_value

__all__ = ["BY_PATH", "CameraMode", "UsbCamera", "best_size", "list_cameras", "section_of"]

BY_PATH = Path("/dev/v4l/by-path")
_MOST = 64  # entries of a kind that are asked for
_BEST_PX = (640, 480)  # enough for a film of stills, and little of the bus (common practice, no source)


@dataclass(frozen=True, slots=True, kw_only=True)
class CameraMode:
    """One way in which a camera gives pictures."""

    format: str  # four letters, such as MJPG
    width_px: int
    height_px: int
    fps: tuple[float, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class UsbCamera:
    """One video device that gives pictures."""

    path: str
    name: str
    modes: tuple[CameraMode, ...]
    controls: tuple[str, ...]  # keys of ``controls`` that it knows
    held_by: tuple[str, ...]  # processes that have it open


_CONTROLS = {
    "exposure_ms": v4l2.CID_EXPOSURE_ABSOLUTE,
    "gain": v4l2.CID_GAIN,
    "white_balance_k": v4l2.CID_WHITE_BALANCE_TEMPERATURE,
    "focus": v4l2.CID_FOCUS_ABSOLUTE,
    "power_line_hz": v4l2.CID_POWER_LINE_FREQUENCY,
}


_EXAMPLES = {"exposure_ms": 20, "gain": 0, "white_balance_k": 4600, "focus": 30, "power_line_hz": 50}


def list_cameras(
    folder: Path = BY_PATH, opened: Callable[[str], Device] = VideoDevice
) -> tuple[list[UsbCamera], list[str]]:
    """Return the cameras of this machine, and in words what could not be opened."""
    cameras, faults = [], []
    for path in sorted(folder.glob("*")) if folder.is_dir() else []:
        try:
            device = opened(str(path))
        except CaptureError as error:
            faults.append(str(error))
            continue
        try:
            camera = _describe(str(path), device)
        finally:
            device.close()
        if camera is not None:
            cameras.append(camera)
    return cameras, faults


def section_of(camera: UsbCamera, name: str) -> str:
    """Return the ``[[camera]]`` section of a rig file for a camera."""
    size = best_size(camera)
    lines = [
        "[[camera]]",
        f"name = {toml_value(name)}",
        'mount = "frame"                 # or "toolhead", "gantry", "bed"',
        f"source = {toml_value('v4l2:' + camera.path)}",
        f"lens = {{ width_px = {size[0]}, height_px = {size[1]}, across_deg = 60 }}",
    ]
    if camera.controls:
        lines.append("# lock what it must not choose by itself once you have found good values:")
        lines.append(
            f"# controls = {{ {', '.join(f'{key} = {_EXAMPLES[key]}' for key in camera.controls)} }}"
        )
    return "\n".join(lines) + "\n"


def best_size(camera: UsbCamera) -> tuple[int, int]:
    """Return the MJPEG size nearest to 640 x 480, in pixels."""
    sizes = [(mode.width_px, mode.height_px) for mode in camera.modes if mode.format == "MJPG"]

    def difference_px(size: tuple[int, int]) -> int:
        return abs(size[0] - _BEST_PX[0]) + abs(size[1] - _BEST_PX[1])

    return min(sizes, key=difference_px, default=_BEST_PX)


def _describe(path: str, device: Device) -> UsbCamera | None:
    capability = v4l2.Capability()
    try:
        device.ioctl(v4l2.QUERYCAP, capability)
    except OSError:
        return None
    able = (
        capability.device_caps if capability.capabilities & v4l2.HAS_DEVICE_CAPS else capability.capabilities
    )
    if not able & v4l2.CAN_CAPTURE:
        return None  # a node for metadata
    modes = tuple(mode for code in list_formats(device) for mode in _modes(device, code))
    known = tuple(name for name, identity in _CONTROLS.items() if _has(device, identity))
    return UsbCamera(
        path=path,
        name=bytes(capability.card).split(b"\0")[0].decode("utf-8", "replace"),
        modes=modes,
        controls=known,
        held_by=tuple(processes_that_hold(path)),
    )


def _has(device: Device, identity: int) -> bool:
    try:
        device.ioctl(v4l2.G_CTRL, v4l2.Control(id=identity))
    except OSError:
        return False
    return True


def _modes(device: Device, code: str) -> Iterator[CameraMode]:
    pixel_format = int.from_bytes(code.encode("latin-1"), "little")
    for index in range(_MOST):
        size = v4l2.FrameSize(index=index, pixel_format=pixel_format)
        try:
            device.ioctl(v4l2.ENUM_FRAMESIZES, size)
        except OSError:
            return
        if size.type != v4l2.FRAME_DISCRETE:
            return
        width, height = size.u.discrete.width, size.u.discrete.height
        rates = tuple(_rates(device, pixel_format, width, height))
        yield CameraMode(format=code, width_px=width, height_px=height, fps=rates)


def _rates(device: Device, pixel_format: int, width: int, height: int) -> Iterator[float]:
    for index in range(_MOST):
        interval = v4l2.FrameInterval(index=index, pixel_format=pixel_format, width=width, height=height)
        try:
            device.ioctl(v4l2.ENUM_FRAMEINTERVALS, interval)
        except OSError:
            return
        if interval.type != v4l2.FRAME_DISCRETE or not interval.u.discrete.numerator:
            return
        yield round(interval.u.discrete.denominator / interval.u.discrete.numerator, 2)
