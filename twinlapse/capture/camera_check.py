"""Check the real cameras before a print: do they answer, how fast, how old, how sharp, all together."""

from __future__ import annotations

import contextlib
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from twinlapse.cameras.clock import Clock, SystemClock
from twinlapse.cameras.jpeg import JpegSummary, read_size, summarise
from twinlapse.cameras.latest_frame import LatestFrame
from twinlapse.cameras.sources import open_source
from twinlapse.cameras.sources.base import CameraPicture, Source
from twinlapse.cameras.sources.v4l2 import VideoDevice, list_formats
from twinlapse.capture.lease import Runner
from twinlapse.capture.rig_commands import CommandError, run
from twinlapse.errors import CaptureError
from twinlapse.frames.store import free_bytes
from twinlapse.rig.camera import Camera
from twinlapse.rig.capture_settings import Light
from twinlapse.rig.finding import Finding
from twinlapse.rig.model import Rig

__all__ = [
    "CameraMeasurement",
    "Progress",
    "age_by_light",
    "examine",
    "judge",
    "list_devices",
    "measure",
    "measure_age",
    "space",
]

Progress = Callable[[float], None]
_SWITCHES = 10  # of the light; the largest of ten is near the worst (common practice, no source)
_FIRST_S = 8.0  # for a first picture (common practice, no source)
_DARK, _BRIGHT = 12.0, 243.0  # mean of 255: hardly anything, or hardly anything else (common practice)
_FLAT = 4.0  # standard deviation of the luma of a lens cap or of fog (common practice, no source)
_SPARE_S = 0.1  # that a dwell should have left over (common practice, no source)
_FRAMES = 1000  # two cameras through a long print


@dataclass(frozen=True, slots=True, kw_only=True)
class CameraMeasurement:
    """What was measured at one camera."""

    fps: float
    bytes: int
    size_px: tuple[int, int]
    look: JpegSummary
    age_s: float | None  # command to first bright picture, the largest of ten; None without a light


def examine(
    rig: Rig,
    folder: Path,
    *,
    seconds: float = 3.0,
    clock: Clock | None = None,
    runner: Runner = run,
    progress: Progress | None = None,
) -> list[Finding]:
    """Run all cameras of a rig together and say what is wrong with them.

    Parameters
    ----------
    rig : Rig
        Its cameras, as the capture service would open them.
    folder : Path
        Where frames will be kept, for the check of the space.
    seconds : float
        How long the pictures are counted.
    """
    clock = clock or SystemClock()
    progress = progress or (lambda share: None)
    drains = {camera.name: LatestFrame(camera.name, _opener(camera, clock), clock) for camera in rig.cameras}
    for drain in drains.values():
        drain.start()
    try:
        findings: list[Finding] = []
        answering = [camera for camera in rig.cameras if _answers(drains[camera.name], clock)]
        before = {name: drain.health().pictures for name, drain in drains.items()}
        since_s = clock.mono_s()
        _count(since_s + seconds, clock, progress)
        spent_s = clock.mono_s() - since_s
        fps = {name: (drain.health().pictures - before[name]) / spent_s for name, drain in drains.items()}
        for camera in rig.cameras:
            drain = drains[camera.name]
            if camera not in answering:
                findings.append(_silent(camera, drain))
                continue
            findings += judge(camera, measure(camera, drain, fps[camera.name], clock, runner))
        progress(1.0)
        sizes = [len(d.newest.data) for d in drains.values() if d.newest]
    finally:
        for drain in drains.values():
            drain.stop()
    return [*list_devices(), *findings, space(folder, max(sizes, default=150_000))]


def measure(
    camera: Camera, drain: LatestFrame, fps: float, clock: Clock, runner: Runner = run
) -> CameraMeasurement:
    """Return what a running camera shows at this moment."""
    picture = drain.newest
    assert picture is not None
    return CameraMeasurement(
        fps=fps,
        bytes=len(picture.data),
        size_px=read_size(picture.data),
        look=summarise(picture.data, sharpness=True),
        age_s=None if camera.light is None else age_by_light(camera, drain, clock, runner),
    )


def age_by_light(camera: Camera, drain: LatestFrame, clock: Clock, runner: Runner = run) -> float | None:
    """Switch a camera's light ten times and return the longest time to the first bright picture.

    None when the picture does not change with the light. The time of the command itself is in it, so it is on
    the safe side.
    """
    assert camera.light is not None
    try:
        return _longest_to_bright_s(camera.light, drain, clock, runner, _SWITCHES)
    except CommandError:
        return None
    finally:
        with contextlib.suppress(CommandError):
            runner(camera.light.off, camera.light.limit_s)


def measure_age(camera: Camera, frame: LatestFrame, *, switches: int) -> float | None:
    """Return the age of a running camera's pictures by fewer switches than `age_by_light`; None: not seen."""
    assert camera.light is not None
    try:
        return _longest_to_bright_s(camera.light, frame, SystemClock(), run, switches)
    except CommandError:
        return None
    finally:
        with contextlib.suppress(CommandError):
            run(camera.light.off, camera.light.limit_s)


def _longest_to_bright_s(
    light: Light, drain: LatestFrame, clock: Clock, runner: Runner, switches: int
) -> float | None:
    longest_s = 0.0
    for _ in range(switches):
        runner(light.off, light.limit_s)
        dark = _settled(drain, clock)
        began_s = clock.mono_s()
        runner(light.on, light.limit_s)
        level = dark + max(4.0, 0.1 * dark)
        bright = drain.wait(lambda shown: shown.arrived_s >= began_s and _luma(shown) > level, began_s + 3.0)  # noqa: B023
        if bright is None:
            return None
        longest_s = max(longest_s, bright.arrived_s - began_s)
    return longest_s


def judge(camera: Camera, found: CameraMeasurement) -> list[Finding]:
    """Return what a measurement says about a camera, and what to change."""
    name, lens, look = camera.name, camera.lens, found.look
    period_s = 1 / max(found.fps, 0.1)
    rate = f"{found.fps:.1f} pictures a second of {found.bytes / 1000:.0f} kB"
    findings = [
        _finding(name, "rate", found.fps >= 4, rate, "use a smaller picture, MJPEG, or another USB port"),
        _finding(
            name, "size", found.size_px == (lens.width_px, lens.height_px),
            "{} x {} pixels, the rig says {} x {}".format(*found.size_px, lens.width_px, lens.height_px),
            "write lens = { width_px, height_px } as the camera gives it",
        ),
        _finding(
            name, "exposure", _DARK <= look.luma <= _BRIGHT, f"mean brightness {look.luma:.0f} of 255",
            "switch a light on, or fix exposure and gain of the camera",
        ),
        _finding(
            name, "contrast", look.spread >= _FLAT,
            f"contrast {look.spread:.0f}, sharpness {look.sharpness:.0f}",
            "take the lens cap off, clean the lens, focus",
        ),
    ]  # fmt: skip
    age_s = None if found.age_s is None else found.age_s + period_s
    findings += [_age(camera, found, age_s), _dwell(camera, age_s, period_s)]
    return findings


def _age(camera: Camera, found: CameraMeasurement, age_s: float | None) -> Finding:
    stated_s = camera.age_s
    if age_s is not None:
        stated = "not written" if stated_s is None else f"{stated_s:g}"
        return _finding(
            camera.name, "age", stated_s is not None and stated_s >= age_s,
            f"pictures are up to {1000 * (found.age_s or 0):.0f} ms old, age_s is {stated}",
            f"write age_s = {age_s + 0.005:.2f}",
        )  # fmt: skip
    why = (
        "no light to measure it by" if camera.light is None else "its picture does not change with its light"
    )
    taken = "frames are taken but marked" if stated_s is None else f"age_s = {stated_s:g} is believed"
    return _finding(camera.name, "age", None, f"unknown: {why}; {taken}", "")


def _dwell(camera: Camera, age_s: float | None, period_s: float) -> Finding:
    if age_s is None and camera.age_s is None:
        text = f"the machine stands for {camera.dwell_s:g} s; how long a fresh frame takes is unknown"
        return _finding(camera.name, "dwell", None, text, "")
    need_s = max(age_s or 0.0, camera.age_s or 0.0) + period_s + _SPARE_S
    sure = "a sure frame takes" if age_s is not None else "if age_s is right a frame takes"
    return _finding(
        camera.name, "dwell", camera.dwell_s >= need_s,
        f"the machine stands for {camera.dwell_s:g} s, {sure} {need_s:.2f} s",
        f"write dwell_s = {need_s + 0.05:.1f}",
    )  # fmt: skip


def list_devices(folder: Path = Path("/dev/v4l/by-path")) -> list[Finding]:
    """Return one finding for every video device of this machine, with its formats."""
    findings = []
    for path in sorted(folder.glob("*")) if folder.is_dir() else []:
        try:
            device = VideoDevice(str(path))
        except CaptureError as error:
            findings.append(_finding("this machine", "device", None, f"{path}: {error.what}", error.hint))
            continue
        formats = ", ".join(list_formats(device)) or "no pictures"
        device.close()
        findings.append(_finding("this machine", "device", None, f"{path}: {formats}", ""))
    return findings


def space(folder: Path, frame_bytes: int) -> Finding:
    """Return whether the frames of a long print fit."""
    free, need = free_bytes(folder), int(1.1 * _FRAMES * frame_bytes)
    text = f"{free / 1e6:.0f} MB free, {_FRAMES} frames take {need / 1e6:.0f} MB"
    return _finding("this machine", "space", free >= need, text, "free some space")


def _opener(camera: Camera, clock: Clock) -> Callable[[], Source]:
    return lambda: open_source(camera, clock)


def _answers(drain: LatestFrame, clock: Clock) -> bool:
    return drain.wait(lambda _: True, clock.mono_s() + _FIRST_S) is not None


def _silent(camera: Camera, drain: LatestFrame) -> Finding:
    fault = drain.health().fault or "it sends nothing that can be trusted"
    hint = "" if "; " in fault else "check source, cable and supply"
    return _finding(camera.name, "answer", False, fault, hint)


def _count(until_s: float, clock: Clock, progress: Progress) -> None:
    began_s = clock.mono_s()
    while (left_s := until_s - clock.mono_s()) > 0:
        progress(0.8 * (1 - left_s / max(until_s - began_s, 1e-9)))
        time.sleep(min(left_s, 0.1))


def _settled(drain: LatestFrame, clock: Clock) -> float:
    """Return the brightness once three pictures in a row agree, two seconds at most."""
    lumas: list[float] = []
    seen_s = until_s = clock.mono_s()
    until_s += 2.0
    while clock.mono_s() < until_s:
        picture = drain.wait(lambda shown: shown.arrived_s > seen_s, until_s)  # noqa: B023
        if picture is None:
            break
        seen_s = picture.arrived_s
        lumas.append(_luma(picture))
        if len(lumas) >= 3 and _spread(lumas[-3:]) < 2.0 and clock.mono_s() > until_s - 1.5:
            break
    return lumas[-1] if lumas else 0.0


def _spread(values: Sequence[float]) -> float:
    return max(values) - min(values)


def _luma(picture: CameraPicture) -> float:
    try:
        return summarise(picture.data).luma
    except CaptureError:
        return 0.0


def _finding(camera: str, name: str, holds: bool | None, text: str, hint: str) -> Finding:
    return Finding(camera=camera, name=name, holds=holds, text=text, hint="" if holds else hint)
