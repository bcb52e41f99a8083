"""The camera on the network and the printer on a serial line."""

from __future__ import annotations

import os
import re
import socket
import threading
import time
import urllib.request
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from twinlapse.rehearsal.barcode import _check, read_stamp, stamp
from twinlapse.rehearsal.execution import encode
from twinlapse.rehearsal.http_camera import HttpCamera
from twinlapse.rehearsal.virtual_printer import VirtualPrinter
from twinlapse.shots import find_cue


def decoded(data: bytes) -> np.ndarray:
    return cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR)


@settings(derandomize=True, max_examples=30, deadline=None)
@given(st.integers(0, (1 << 40) - 1), st.integers(0, 2**32 - 1))
def test_a_time_survives_jpeg(milliseconds: int, seed: int) -> None:
    picture = np.random.default_rng(seed).integers(0, 256, (48, 432, 3)).astype(np.uint8)
    assert read_stamp(picture) is None
    stamp(picture, milliseconds / 1000)
    assert read_stamp(decoded(encode(picture, 60))) == pytest.approx(milliseconds / 1000, abs=1e-4)


def test_the_checksum_is_the_published_one() -> None:
    # CRC-8 with polynomial 07 gives F4 for the ASCII digits 1 to 9 (check value of the usual catalogues, from
    # memory); leading zero bytes change nothing, so five bytes at a time can be compared by linearity
    crc = 0
    for digit in b"123456789":
        crc = _check(crc ^ digit)
    assert crc == 0xF4


def test_a_broken_stamp_is_no_time() -> None:
    picture = np.full((48, 432, 3), 90, np.uint8)
    stamp(picture, 123.456)
    picture[:8, 200:208] = 255 - picture[:8, 200:208]
    assert read_stamp(picture) is None
    with pytest.raises(ValueError, match="400 pixels"):
        stamp(np.zeros((48, 100, 3), np.uint8), 1.0)


def test_stills_and_stream_tell_their_exposure() -> None:
    with HttpCamera(fps=30, pipeline_s=0.08) as camera:
        camera.newest(after=3)
        with urllib.request.urlopen(camera.still.removeprefix("still:"), timeout=5) as answer:
            data, arrived_s = answer.read(), time.monotonic()
        exposed = read_stamp(decoded(data))
        assert exposed is not None and 0.075 < arrived_s - exposed < 1.0
        with socket.create_connection(("127.0.0.1", camera.port), timeout=5) as client:
            client.sendall(b"GET /stream HTTP/1.1\r\nHost: localhost\r\n\r\n")
            received = b""
            while received.count(b"--gardenclub") < 4:
                received += client.recv(65536)
    parts = received.split(b"--gardenclub\r\n")[1:3]
    times = [read_stamp(decoded(part.split(b"\r\n\r\n", 1)[1])) for part in parts]
    assert times[0] is not None and times[1] is not None and times[0] < times[1]


def test_a_camera_that_freezes_and_one_that_hangs() -> None:
    with HttpCamera(fps=50, pipeline_s=0.0) as camera:
        number, _ = camera.newest(after=1)
        camera.frozen = True
        number, frozen = camera.newest(after=number + 2)
        assert camera.newest(after=number + 2)[1] == frozen
        camera.hangs = True
        with pytest.raises(OSError), urllib.request.urlopen(camera.still.removeprefix("still:"), timeout=0.3):
            pass


class JumpingClock:
    """A clock that jumps over every wait: what follows from it is exact, however busy the computer is."""

    began_s = 1000.0

    def __init__(self) -> None:
        self._now_s = self.began_s

    def mono_s(self) -> float:
        return self._now_s

    def wait(self, stopped: threading.Event, seconds: float) -> bool:
        self._now_s += seconds
        return stopped.is_set()


@pytest.mark.skipif(os.name != "posix", reason="a pseudo-terminal needs POSIX")
def test_the_printer_says_every_cue_in_time_and_stands_as_long_as_the_file_says(
    rehearsed: tuple, small_rig: Callable
) -> None:
    job, done = rehearsed
    text, clock = b"", JumpingClock()
    waits_s = sum(int(ms) for ms in re.findall(r"(?m)^G4 P(\d+)", job.filmed.read_text())) / 1000
    with VirtualPrinter(job.filmed, small_rig(), speed=400, clock=clock) as printer:
        assert printer.lasts_s == pytest.approx(waits_s + (done.print_s - waits_s) / 400, rel=1e-3)
        handle = os.open(printer.port, os.O_RDONLY | os.O_NOCTTY)
        os.set_blocking(printer._master, True)  # the reader is there: not a byte may be left out
        printer.start()
        while b"echo:done" not in text:  # waits as long as it takes: no time of this computer counts
            text += os.read(handle, 65536)
        os.close(handle)
        assert printer.done.wait(60)
        assert printer.ended_s == pytest.approx(clock.began_s + printer.lasts_s, abs=1e-6)
        _x, _y, z = printer.place_at(clock.mono_s())
        assert z == pytest.approx(30.0)
        for (said_s, _), stand in zip(printer.said, printer.stands, strict=True):
            moved_s = float(printer._due_s[stand.moved_row])
            assert said_s - clock.began_s == pytest.approx(moved_s + stand.stood_s, abs=1e-6)
            # from the cue to the end of its dwell nothing moves
            assert printer.place_at(said_s + 0.001) == printer.place_at(said_s + 0.9 * stand.stands_s)
    cues = [cue for cue in map(find_cue, text.decode().splitlines()) if cue]
    frames = done.truth.frames
    assert sorted((cue.shot, camera) for cue in cues for camera in cue.cameras) == sorted(
        (frame.shot, camera) for camera, some in frames.items() for frame in some
    )


@pytest.mark.skipif(os.name != "posix", reason="a pseudo-terminal needs POSIX")
@pytest.mark.parametrize(
    ("lines", "settles"),
    [("M400\nG4 P300\n{}", False), ("G4 P300\nM400\nM400\n{}", True)],
    ids=["the old order", "the order of the writer"],
)
def test_on_klipper_a_live_cue_comes_after_settling_only_in_the_right_order(
    lines: str, settles: bool, tmp_path: Path, small_rig: Callable
) -> None:
    gcode = tmp_path / "stop.gcode"
    cue = lines.format("M118 twinlapse cue 1.1 wide")
    gcode.write_text(f"G28\nG90\nM83\nG1 Z5 F600\nG1 X60 Y60 F9000 E1\n{cue}\nG4 P200\nG1 X10 F9000\n")
    rig = small_rig()
    rig = replace(rig, printer=replace(rig.printer, firmware="klipper"))
    with VirtualPrinter(gcode, rig, speed=10, clock=JumpingClock()) as printer:
        printer.start()
        assert printer.done.wait(60)
        (said_s, _), began_s = printer.said[0], printer._began_s
        assert began_s is not None
        stopped_s = float(printer._due_s[printer.stands[0].moved_row])
        stood_s = said_s - began_s - stopped_s
    assert stood_s == pytest.approx(0.3 if settles else 0.0, abs=1e-6)
