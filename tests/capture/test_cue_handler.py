"""Identity, repeats, wrong job, late, missed: what a cue gets."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from twinlapse.cameras.latest_frame import LatestFrame
from twinlapse.cameras.sources import open_source
from twinlapse.capture.cue_handler import Answer, CueHandler, UnknownShotError
from twinlapse.errors import FrameError
from twinlapse.frames.job import Job
from twinlapse.frames.store import FrameStore
from twinlapse.rig.model import Camera
from twinlapse.shots import Cue

BOTH = ("wide", "nozzle")


class Shed:
    """Two cameras, a store and a cue handler."""

    def __init__(self, folder: Path, plan: Any, cameras: Any, **options: Any) -> None:
        self.cameras = {name: cameras(fps=30, pipeline_s=0.03) for name in BOTH}
        self.store = FrameStore(Job(folder), plan)
        self.heard: list[Answer] = []
        self.drains = {name: self._drain(name, fake.stream) for name, fake in self.cameras.items()}
        ages = {name: fake.age_s for name, fake in self.cameras.items()}
        self.cues = CueHandler(self.store, self.drains, ages, heard=self.heard.append, **options)
        for drain in self.drains.values():
            drain.start()
            assert drain.wait(lambda _: True, time.monotonic() + 5)

    def _drain(self, name: str, source: str) -> LatestFrame:
        return LatestFrame(name, lambda: open_source(Camera(name=name, mount="frame", source=source)))

    def take(self, shot: int, stop: int = 1, cameras: tuple[str, ...] = (), **options: Any) -> Answer:
        return self.cues.take(Cue(shot=shot, stop=stop, cameras=cameras), **options)

    def states(self) -> dict[tuple[int, str], str]:
        return {(row.key.shot, row.key.camera): row.state for row in self.store.rows()}

    def close(self) -> None:
        for drain in self.drains.values():
            drain.stop()
        self.cues.close()
        self.store.close()


@pytest.fixture
def sheds(tmp_path: Path, cameras: Any, a_plan: Any) -> Iterator[Callable[..., Shed]]:
    made: list[Shed] = []

    def make(plan: Any = None, **options: Any) -> Shed:
        made.append(Shed(tmp_path, plan or a_plan(), cameras, **options))
        return made[-1]

    yield make
    for shed in made:
        shed.close()


def test_a_cue_gets_a_frame_of_each_camera_exposed_after_it(sheds: Any, stamps: Any, tmp_path: Path) -> None:
    shed = sheds()
    cue_s = time.monotonic()
    answer = shed.take(1)
    assert answer.taken and not answer.repeated
    for name in BOTH:
        data = (tmp_path / "frames" / name / "000001.jpg").read_bytes()
        assert cue_s <= stamps.read(data) <= cue_s + 1
        times = answer.frames[name].times
        assert cue_s <= times.cue_mono_s <= times.frame_mono_s
        assert abs(times.frame_wall_s - time.time()) < 2


def test_the_same_cue_is_answered_the_same_and_takes_nothing(sheds: Any) -> None:
    shed = sheds()
    first, again = shed.take(1), shed.take(1)
    assert again.repeated and again.frames == first.frames
    assert len(shed.heard) == 1


def test_one_cue_sent_many_times_at_once_is_one_frame(sheds: Any) -> None:
    shed = sheds()
    answers: list[Answer] = []
    threads = [threading.Thread(target=lambda: answers.append(shed.take(2))) for _ in range(12)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sum(not answer.repeated for answer in answers) == 1
    assert len({answer.frames["wide"].sha256 for answer in answers}) == 1


@pytest.mark.parametrize(
    ("cue", "job"),
    [
        (Cue(shot=6, stop=1, cameras=()), ""),
        (Cue(shot=0, stop=1, cameras=()), ""),
        (Cue(shot=1, stop=2, cameras=()), ""),
        (Cue(shot=1, stop=1, cameras=("attic",)), ""),
        (Cue(shot=1, stop=1, cameras=()), "cd" * 32),
    ],
)
def test_what_is_not_planned_takes_nothing(sheds: Any, cue: Cue, job: str) -> None:
    shed = sheds()
    with pytest.raises(UnknownShotError):
        shed.cues.take(cue, job=job)
    assert shed.store.rows() == []


def test_a_gap_is_missed_and_stays_so(sheds: Any) -> None:
    shed = sheds()
    shed.take(1)
    shed.take(4)
    assert {shot for (shot, _), state in shed.states().items() if state == "missed"} == {2, 3}
    late = shed.take(3)  # comes out of order
    assert late.repeated and late.frames["wide"].note == "no cue came"
    assert [answer.shot for answer in shed.heard] == [1, 2, 3, 4]


def test_a_cue_older_than_its_dwell_is_late(sheds: Any) -> None:
    shed = sheds()
    answer = shed.take(1, late_s=1.2)
    assert {row.state for row in answer.frames.values()} == {"late"}
    assert shed.take(2, late_s=0.4).taken  # the machine still stands for 0.6 s


def test_a_camera_that_hangs_costs_its_own_frame_only(sheds: Any, a_plan: Any) -> None:
    shed = sheds(a_plan(dwell_s=0.5))
    shed.cameras["nozzle"].hanging = True
    time.sleep(0.1)
    began_s = time.monotonic()
    answer = shed.take(1)
    assert time.monotonic() - began_s < 1.0  # the answer does not outlast the dwell by much
    assert (answer.frames["wide"].state, answer.frames["nozzle"].state) == ("taken", "missed")


def test_a_frozen_camera_gives_no_frame(sheds: Any, a_plan: Any) -> None:
    shed = sheds(a_plan(dwell_s=0.5))
    shed.cameras["wide"].frozen = True
    time.sleep(0.3)
    row = shed.take(1).frames["wide"]
    assert (row.state, row.note) == ("missed", "the camera is frozen")


def test_a_dark_picture_is_kept_and_called_dark(sheds: Any, jpeg: Any) -> None:
    shed = sheds()
    shed.cameras["wide"].jpeg = jpeg(grey=2)
    time.sleep(0.3)
    row = shed.take(1).frames["wide"]
    assert (row.state, row.note) == ("taken", "dark")


def test_a_full_disk_is_a_missed_frame_and_the_next_one_is_taken(
    sheds: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    shed = sheds()

    def full(*_: Any, **__: Any) -> None:
        raise FrameError("the frame was not kept: no space left")

    with monkeypatch.context() as patch:
        patch.setattr(shed.store, "put", full)
        assert shed.take(1).frames["wide"].note == "the frame was not kept: no space left"
    assert shed.take(2).taken


def test_the_light_comes_before_the_exposure(sheds: Any, stamps: Any, tmp_path: Path) -> None:
    on_s: list[float] = []

    def light(camera: str, deadline_s: float) -> str:
        time.sleep(0.1)
        on_s.append(time.monotonic())
        return "no light" if camera == "nozzle" else ""

    shed = sheds(light=light)
    answer = shed.take(1)
    assert answer.frames["nozzle"].note == "no light"
    assert answer.taken
    assert stamps.read((tmp_path / "frames/wide/000001.jpg").read_bytes()) >= min(on_s)


def test_a_jump_of_the_wall_clock_harms_nothing(sheds: Any, stamps: Any, tmp_path: Path) -> None:
    class Jumping:
        wall = 1.9e9

        def mono_s(self) -> float:
            return time.monotonic()

        def wall_s(self) -> float:
            self.wall -= 86_400.0  # every look at it finds another day
            return self.wall

    shed = sheds(clock=Jumping())
    for shot in (1, 2, 3):
        cue_s = time.monotonic()
        assert shed.take(shot).taken
        assert stamps.read((tmp_path / f"frames/wide/{shot:06d}.jpg").read_bytes()) >= cue_s


def test_a_restarted_service_goes_on_where_it_was(sheds: Any) -> None:
    first = sheds()
    kept = first.take(2)
    first.close()
    second = sheds()
    assert second.take(2).frames == kept.frames
    second.take(5)
    assert {shot for (shot, _), state in second.states().items() if state == "missed"} == {1, 3, 4}
