"""The Video4Linux source against a device of our own, and its records against the kernel's header."""

from __future__ import annotations

import ctypes
import errno
import shutil
import subprocess
import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from twinlapse.cameras.clock import SystemClock
from twinlapse.cameras.listing import list_cameras, section_of
from twinlapse.cameras.sources import v4l2_records as v4l2
from twinlapse.cameras.sources.v4l2 import V4l2Source, VideoDevice, list_formats, processes_that_hold
from twinlapse.errors import CaptureError
from twinlapse.rig import rig_from_mapping
from twinlapse.rig.camera_controls import Controls


@pytest.fixture
def device(jpeg: Callable[..., bytes], video_devices: Any) -> Any:
    return video_devices.FakeDevice(jpeg())


def opened(device: Any) -> V4l2Source:
    return V4l2Source("/dev/video9", SystemClock(), device=device)


def test_pictures_keep_their_bytes_and_carry_the_start_of_their_exposure(device: Any) -> None:
    pictures: Any = opened(device).pictures()
    for number in range(1, 9):
        picture = next(pictures)
        assert picture.data == device.jpeg
        assert picture.exposed_s == pytest.approx(100 + number / 30 - 0.02, abs=2e-6)
    assert sorted(device.queued) == [0, 1, 2]  # every buffer goes back at once
    pictures.close()
    assert device.closed


def test_an_unknown_exposure_is_taken_as_the_longest(device: Any) -> None:
    device.exposure_units = None
    picture = next(opened(device).pictures())
    assert picture.exposed_s == pytest.approx(100 + 1 / 30 - 1 / 15, abs=2e-6)


def test_a_stamp_of_another_clock_is_no_stamp(device: Any) -> None:
    device.flags = 0
    assert next(opened(device).pictures()).exposed_s is None


@pytest.mark.parametrize("fault", ["error flag", "half a picture"])
def test_damaged_buffers_are_passed_over(device: Any, fault: str) -> None:
    source = opened(device)
    if fault == "error flag":
        device.flags |= v4l2.BUFFER_ERROR
    else:
        device.cut = 100
    assert source._take(0.0) is None
    device.flags, device.cut = v4l2.TIMESTAMP_MONOTONIC, 0
    assert source._take(0.0) is not None
    assert sorted(device.queued) == [0, 1, 2]


@pytest.mark.parametrize(
    ("request_number", "code", "words"),
    [
        (v4l2.STREAMON, errno.ENOSPC, "bus has no room"),
        (v4l2.S_FMT, errno.EBUSY, "another program holds"),
        (v4l2.DQBUF, errno.ENODEV, "was unplugged"),
        (v4l2.QUERYCAP, errno.ENOTTY, "no video device"),
    ],
)
def test_faults_say_what_to_do(device: Any, request_number: int, code: int, words: str) -> None:
    device.fail[request_number] = code
    with pytest.raises(CaptureError, match=words):
        next(opened(device).pictures())
    assert device.closed


def test_a_silent_camera_is_noticed(device: Any) -> None:
    device.silent = True
    with pytest.raises(CaptureError, match="fell silent"):
        next(opened(device).pictures())


def test_a_camera_without_mjpeg_is_refused(device: Any) -> None:
    device.formats = [int.from_bytes(b"YUYV", "little")]
    with pytest.raises(CaptureError, match="no MJPEG"):
        opened(device)
    assert list_formats(device) == ["YUYV"]


def test_a_metadata_node_is_refused(device: Any) -> None:
    device.card = 0x0080_0000
    with pytest.raises(CaptureError, match="gives no pictures"):
        opened(device)


def test_a_file_that_is_no_device(tmp_path: Path) -> None:
    with pytest.raises(CaptureError, match="no such device"):
        VideoDevice(str(tmp_path / "video0"))
    (tmp_path / "plain").write_bytes(b"x")
    with pytest.raises(CaptureError, match="no video device"):
        V4l2Source(str(tmp_path / "plain"), SystemClock())


CONTROLS = Controls(exposure_ms=20, gain=4, white_balance_k=4600, focus=30, power_line_hz=50)


def test_controls_are_locked_whenever_the_camera_is_opened(device: Any) -> None:
    for _ in range(2):  # and again after it was unplugged
        device.values.clear(), device.queued.clear()
        V4l2Source("/dev/video9", SystemClock(), device=device, controls=CONTROLS)
        assert device.values == {
            v4l2.CID_EXPOSURE_AUTO: 1,  # V4L2_EXPOSURE_MANUAL
            v4l2.CID_EXPOSURE_ABSOLUTE: 200,
            v4l2.CID_GAIN: 4,
            v4l2.CID_AUTO_WHITE_BALANCE: 0,
            v4l2.CID_WHITE_BALANCE_TEMPERATURE: 4600,
            v4l2.CID_FOCUS_AUTO: 0,
            v4l2.CID_FOCUS_ABSOLUTE: 30,
            v4l2.CID_POWER_LINE_FREQUENCY: 1,  # V4L2_CID_POWER_LINE_FREQUENCY_50HZ
        }


def test_a_control_that_is_not_kept_or_not_there_is_named(device: Any) -> None:
    device.rounds[v4l2.CID_EXPOSURE_ABSOLUTE] = 333
    with pytest.raises(CaptureError, match="exposure_ms: the camera made 333 of 200"):
        V4l2Source("/dev/video9", SystemClock(), device=device, controls=CONTROLS)
    device.rounds.clear(), device.queued.clear()
    device.known = {v4l2.CID_EXPOSURE_AUTO, v4l2.CID_EXPOSURE_ABSOLUTE}
    with pytest.raises(CaptureError, match="gain: the camera has no such control"):
        V4l2Source("/dev/video9", SystemClock(), device=device, controls=CONTROLS)
    assert device.closed


def test_the_cameras_of_this_machine_are_listed(device: Any, tmp_path: Path) -> None:
    (tmp_path / "usb-0:1.2").touch()
    device.known = {v4l2.CID_EXPOSURE_ABSOLUTE, v4l2.CID_POWER_LINE_FREQUENCY}
    cameras, faults = list_cameras(tmp_path, lambda path: device)
    assert faults == [] and [camera.name for camera in cameras] == ["Seed Cam"]
    modes = [(mode.format, mode.width_px, mode.height_px, mode.fps) for mode in cameras[0].modes]
    assert modes == [("MJPG", 640, 480, (30.0, 15.0)), ("MJPG", 1280, 720, (30.0, 15.0))]
    rig = tomllib.loads("[printer]\nbed_mm = [220, 220]\nheight_mm = 250\n" + section_of(cameras[0], "wide"))
    camera = rig_from_mapping(rig).cameras[0]
    assert camera.source == f"v4l2:{tmp_path}/usb-0:1.2" and camera.lens.width_px == 640
    assert "# controls = { exposure_ms = 20, power_line_hz = 50 }" in section_of(cameras[0], "wide")


def test_busy_says_which_process_has_it() -> None:
    """/dev/null instead of a camera: a child holds it open."""
    child = subprocess.Popen(["/bin/sleep", "30"], stdin=subprocess.DEVNULL)
    try:
        assert f"sleep (process {child.pid})" in processes_that_hold("/dev/null")
    finally:
        child.kill()
        child.wait()


def test_records_are_laid_out_as_the_kernel_has_them(tmp_path: Path) -> None:
    """Sizes, offsets and request numbers against the C compiler and the kernel's own header."""
    if shutil.which("gcc") is None or not Path("/usr/include/linux/videodev2.h").exists():
        pytest.skip("needs gcc and linux/videodev2.h")
    records = {
        "v4l2_capability": v4l2.Capability,
        "v4l2_fmtdesc": v4l2.FormatDescription,
        "v4l2_format": v4l2.Format,
        "v4l2_requestbuffers": v4l2.RequestBuffers,
        "v4l2_buffer": v4l2.Buffer,
        "v4l2_control": v4l2.Control,
        "v4l2_frmsizeenum": v4l2.FrameSize,
        "v4l2_frmivalenum": v4l2.FrameInterval,
    }
    requests = ["QUERYCAP", "ENUM_FMT", "S_FMT", "REQBUFS", "QUERYBUF", "QBUF", "DQBUF"]
    requests += ["S_CTRL", "ENUM_FRAMESIZES", "ENUM_FRAMEINTERVALS"]
    requests += ["STREAMON", "STREAMOFF", "G_CTRL"]
    values = {f"sizeof(struct {name})": ctypes.sizeof(record) for name, record in records.items()}
    values |= {f"(unsigned)VIDIOC_{name}": getattr(v4l2, name) for name in requests}
    values |= {f"offsetof(struct v4l2_buffer, {name})": getattr(v4l2.Buffer, name).offset
               for name in ("bytesused", "flags", "timestamp", "sequence", "m", "length")}  # fmt: skip
    values |= {
        "V4L2_PIX_FMT_MJPEG": v4l2.MJPEG,
        "V4L2_CID_EXPOSURE_ABSOLUTE": v4l2.CID_EXPOSURE_ABSOLUTE,
        "V4L2_BUF_FLAG_ERROR": v4l2.BUFFER_ERROR,
        "V4L2_BUF_FLAG_TIMESTAMP_MONOTONIC": v4l2.TIMESTAMP_MONOTONIC,
        "V4L2_CAP_STREAMING": v4l2.CAN_STREAM,
        "V4L2_CAP_DEVICE_CAPS": v4l2.HAS_DEVICE_CAPS,
    }
    lines = "".join(f'printf("%lu\\n", (unsigned long)({name}));' for name in values)
    source = tmp_path / "sizes.c"
    source.write_text(
        "#include <stdio.h>\n#include <stddef.h>\n#include <linux/videodev2.h>\n"
        f"int main(void) {{ {lines} return 0; }}"
    )
    subprocess.run(["gcc", "-o", tmp_path / "sizes", source], check=True)
    told = subprocess.run([tmp_path / "sizes"], check=True, capture_output=True, text=True).stdout.split()
    assert dict(zip(values, map(int, told), strict=True)) == values
