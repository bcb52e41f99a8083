"""No stale frame: every picture that is accepted was exposed after its cue, however old the pipeline."""

from __future__ import annotations

import random
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from twinlapse.cameras.clock import SystemClock
from twinlapse.cameras.exposure import Basis, PipelineClock
from twinlapse.cameras.latest_frame import LatestFrame
from twinlapse.cameras.sources import CameraPicture, Source, open_source
from twinlapse.cameras.sources.v4l2 import V4l2Source
from twinlapse.capture.shot_window import ShotWindow
from twinlapse.errors import CaptureError
from twinlapse.rig.camera import Camera

PIPELINES = [(fps, age_s) for fps in (5.0, 15.0, 30.0) for age_s in (0.02, 0.06, 0.2)]


def drained(source: str | Callable[[], Source], age_s: float | None = None) -> LatestFrame:
    connect = (
        source if callable(source) else lambda: open_source(Camera(name="wide", mount="frame", source=source))
    )
    drain = LatestFrame("wide", connect, age_s=age_s)
    drain.start()
    return drain


def ages(drain: LatestFrame, read: Callable[[bytes], float], cues: int, span_s: float) -> list[float]:
    """Exposure minus cue, for cues at random moments of `span_s`, overlapping as they please."""
    found: list[float] = []
    dice = random.Random(cues)

    def cue(at_s: float) -> None:
        time.sleep(at_s)
        cue_s = time.monotonic()
        window = ShotWindow(cue_s, cue_s + 3, drain.patience_s)
        drain.follow(window.offer, window.deadline_s)
        assert window.best is not None
        found.append(read(window.best.picture.data) - cue_s)

    threads = [threading.Thread(target=cue, args=(dice.uniform(0, span_s),)) for _ in range(cues)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    return found


@pytest.mark.parametrize("kind", ["stream", "still"])
@pytest.mark.parametrize(("fps", "pipeline_s"), [(30.0, 0.02)])
def test_no_accepted_picture_is_stale(
    cameras: Any, stamps: Any, kind: str, fps: float, pipeline_s: float
) -> None:
    camera = cameras(fps=fps, pipeline_s=pipeline_s)
    drain = drained(getattr(camera, kind), camera.age_s)
    found = ages(drain, stamps.read, 40, 0.8)
    drain.stop()
    assert len(found) == 40
    assert min(found) >= 0


KINDS = ("stream", "still", "rtsp", "v4l2", "folder")


@pytest.fixture
def makers(
    cameras: Any,
    rtsp_cameras: Any,
    video_devices: Any,
    folder_writers: Any,
    stamps: Any,
    jpeg: Any,
    tmp_path: Path,
) -> Callable[..., tuple[Any, Callable[[bytes], float], float]]:
    """A maker of any kind of camera: what to drain, how its time is read, its ``age_s``."""

    def make(kind: str, fps: float, pipeline_s: float) -> tuple[Any, Callable[[bytes], float], float]:
        budget_s = pipeline_s + 1 / fps + 0.02
        match kind:
            case "rtsp":
                return rtsp_cameras(fps, pipeline_s).address, read_squares, budget_s
            case "v4l2":
                device = video_devices.LiveDevice(lambda at_s: stamps.write(jpeg(), at_s), fps, pipeline_s)
                source = V4l2Source("/dev/video9", SystemClock(), device=device)
                return lambda: source, stamps.read, 0.0  # the stamp decides, not the budget
            case "folder":
                folder_writers(tmp_path, fps)
                return f"folder:{tmp_path}", stamps.read, 1 / fps + 0.03
        camera = cameras(fps=fps, pipeline_s=pipeline_s)
        return getattr(camera, kind), stamps.read, camera.age_s

    return make


def read_squares(data: bytes) -> float:
    cv2 = pytest.importorskip("cv2")
    from twinlapse.rehearsal.barcode import read_stamp

    exposed_s = read_stamp(cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR))
    assert exposed_s is not None
    return exposed_s


@pytest.mark.slow
@pytest.mark.parametrize(
    ("kind", "fps", "pipeline_s"),
    [(kind, *one) for kind in KINDS for one in PIPELINES if kind != "folder" or one[1] == 0.02],
)
def test_none_of_500_is_stale(makers: Any, kind: str, fps: float, pipeline_s: float) -> None:
    source, read, budget_s = makers(kind, fps, pipeline_s)
    drain = drained(source, budget_s)
    assert drain.wait(lambda _: True, time.monotonic() + 10)
    found = ages(drain, read, 500, 2.0)
    drain.stop()
    told = f"{min(found):.3f} {sorted(found)[250]:.3f} {max(found):.3f} s of {len(found)}"
    print(f"{kind} {fps:g} fps {1000 * pipeline_s:g} ms: {sum(age < 0 for age in found)} stale, {told}")
    assert sum(age < 0 for age in found) == 0


@pytest.mark.parametrize("kind", ["stream", "still"])
def test_without_the_budget_nearly_all_are_stale(cameras: Any, stamps: Any, kind: str) -> None:
    """The control: the test above can fail."""
    drain = drained(getattr(cameras(fps=30, pipeline_s=0.1), kind), 0.0)
    found = ages(drain, stamps.read, 40, 0.8)
    drain.stop()
    assert sum(age < 0 for age in found) > 30


def test_a_folder_gives_no_stale_picture(folder_writers: Any, stamps: Any, tmp_path: Path) -> None:
    folder_writers(tmp_path, fps=15)
    drain = drained(f"folder:{tmp_path}", 1 / 15 + 0.03)
    found = ages(drain, stamps.read, 30, 0.8)
    drain.stop()
    assert min(found) >= 0


def test_a_camera_that_drops_out_comes_back(cameras: Any) -> None:
    camera = cameras()
    drain = drained(camera.stream)
    assert drain.wait(lambda _: True, time.monotonic() + 3)
    camera.drop_clients()
    cue_s = time.monotonic()
    assert drain.wait(lambda picture: picture.arrived_s >= cue_s + camera.age_s, cue_s + 3)
    assert drain.health().reconnects == 1
    assert drain.health().state == "live"
    drain.stop()


def test_a_camera_that_is_gone_says_why(cameras: Any) -> None:
    camera = cameras()
    camera.close()
    drain = drained(camera.stream)
    assert drain.wait(lambda _: True, time.monotonic() + 0.4) is None
    health = drain.health()
    drain.stop()
    assert (health.state, health.fps) == ("gone", 0)
    assert "does not answer" in health.fault


def test_a_frozen_camera_is_recognised(cameras: Any) -> None:
    camera = cameras()
    drain = drained(camera.stream)
    drain.wait(lambda _: True, time.monotonic() + 3)
    assert drain.health().state == "live"
    camera.frozen = True
    time.sleep(0.3)
    assert drain.health().state == "frozen"
    drain.stop()


class Script:
    """A source that yields given pictures and then waits or fails."""

    def __init__(self, pictures: list[CameraPicture], error: Exception | None = None) -> None:
        self._pictures, self._error = pictures, error
        self._end = threading.Event()

    def pictures(self) -> Iterator[CameraPicture]:
        yield from self._pictures
        if self._error:
            raise self._error
        self._end.wait(5)

    def close(self) -> None:
        self._end.set()


class StoppedClock:
    now_s = 100.0

    def mono_s(self) -> float:
        return self.now_s

    def wall_s(self) -> float:
        return 0.0


def judged(pictures: list[CameraPicture]) -> bool:
    """Whether the last of `pictures` is trusted."""
    drain = LatestFrame("wide", lambda: Script(pictures), StoppedClock())
    drain.start()
    for _ in range(200):
        if drain.health().pictures == len(pictures):
            break
        time.sleep(0.005)
    taken = drain.wait(lambda _: True, 100.0)
    drain.stop()
    return taken is pictures[-1]


def timed(arrived_s: float, waited_s: float | None, exposed_s: float | None = None) -> CameraPicture:
    return CameraPicture(data=b"%f" % arrived_s, arrived_s=arrived_s, waited_s=waited_s, exposed_s=exposed_s)


def test_what_lay_ready_while_the_reader_was_held_up_is_not_trusted() -> None:
    steady = [timed(90 + k / 30, 0.03) for k in range(5)]
    assert judged(steady)
    assert not judged(
        [*steady, timed(95.0, 4.8)]
    )  # the first after a stall: it may have come at any time in it
    assert not judged([*steady, timed(95.0, 4.8), timed(95.001, 0.0)])  # lay ready behind it
    assert judged([*steady, timed(95.0, 4.8), timed(95.001, 0.0), timed(95.03, 0.029)])
    assert not judged([timed(90.0, 0.03)])  # the first of a connection may be one that the camera had kept


def test_what_has_a_time_of_its_own_is_trusted() -> None:
    assert judged([timed(90.0, None)])
    assert judged([timed(90.0, 0.0, exposed_s=89.9)])


def test_a_stamp_is_believed_before_an_arrival() -> None:
    clock = PipelineClock(0.2)
    for k in range(30):
        clock.arrived(timed(50 + k / 30, 0.03, exposed_s=49.95 + k / 30))
    bounds = clock.arrived(timed(51.5, 0.03, exposed_s=49.95 + 1))
    assert bounds.basis is Basis.STAMP
    assert bounds.earliest_s < 49.95 + 1  # the camera may hold one back
    assert bounds.latest_s == 51.5


@pytest.mark.parametrize("error", [CaptureError("unplugged"), ZeroDivisionError("bug")])
def test_no_failure_of_a_source_ends_the_thread(error: Exception) -> None:
    opened: list[Script] = []

    def connect() -> Script:
        opened.append(Script([timed(1.0, 0.03), timed(1.1, 0.03)], error if len(opened) < 2 else None))
        return opened[-1]

    drain = LatestFrame("wide", connect)
    drain.start()
    assert drain.wait(lambda _: len(opened) == 3, time.monotonic() + 3)
    drain.stop()
