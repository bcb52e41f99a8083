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
from twinlapse.capture.picture_taking import LightError
from twinlapse.errors import FrameError
from twinlapse.frames.job import Job
from twinlapse.frames.journal import FrameFlag
from twinlapse.frames.store import FrameStore
from twinlapse.rig.camera import Camera
from twinlapse.shots import Cue

BOTH = ("wide", "nozzle")


class ShiftedClock:
    """The machine's clock, which a test may put ahead."""

    ahead_s = 0.0

    def mono_s(self) -> float:
        return time.monotonic() + self.ahead_s

    def wall_s(self) -> float:
        return time.time()


class Shed:
    """Two cameras, a store and a cue handler."""

    def __init__(self, folder: Path, plan: Any, cameras: Any, **options: Any) -> None:
        self.cameras = {name: cameras(fps=30, pipeline_s=0.03) for name in BOTH}
        self.clock = options.setdefault("clock", ShiftedClock())
        self.store = FrameStore(Job(folder), plan)
        self.heard: list[Answer] = []
        self.drains = {name: self._drain(name, fake.stream) for name, fake in self.cameras.items()}
        self.cues = CueHandler(self.store, self.drains, heard=self.heard.extend, **options)
        for drain in self.drains.values():
            drain.start()
            assert drain.wait(lambda _: True, time.monotonic() + 5)

    def _drain(self, name: str, source: str) -> LatestFrame:
        age_s = self.cameras[name].age_s
        camera = Camera(name=name, mount="frame", source=source)
        return LatestFrame(name, lambda: open_source(camera, self.clock), self.clock, age_s=age_s)

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


def test_a_gap_is_missed_until_its_cue_comes_after_all(sheds: Any) -> None:
    shed = sheds()
    shed.take(1)
    shed.take(4)
    assert {shot for (shot, _), state in shed.states().items() if state == "missed"} == {2, 3}
    assert [answer.shot for answer in shed.heard] == [1, 2, 3, 4]
    late = shed.take(3)  # comes out of order, and the run has not ended
    assert late.taken and not late.repeated
    assert {shot for (shot, _), state in shed.states().items() if state == "missed"} == {2}


def test_a_stray_cue_before_the_print_costs_nothing(sheds: Any, a_plan: Any) -> None:
    shed = sheds(a_plan(120))
    stray = shed.take(100)
    assert stray.aside and stray.to_json()["frames"]["wide"]["state"] == "aside"
    assert shed.take(100).repeated and shed.store.rows() == []
    answers = [shed.take(shot) for shot in range(1, 6)]
    assert all(answer.taken and not answer.repeated for answer in answers)
    assert {shot for shot, _ in shed.states()} == {1, 2, 3, 4, 5}


def test_a_cue_far_ahead_counts_once_a_neighbour_confirms_it(
    sheds: Any, a_plan: Any, tmp_path: Path, stamps: Any
) -> None:
    shed = sheds(a_plan(120))
    shed.take(1)
    cue_s = time.monotonic()
    assert shed.take(50).aside
    then_s = time.monotonic()
    assert shed.take(51).taken
    assert shed.states()[50, "wide"] == "taken" and shed.states()[49, "wide"] == "missed"
    assert cue_s <= stamps.read((tmp_path / "frames/wide/000050.jpg").read_bytes()) <= then_s


def test_a_print_that_begins_again_shares_no_frame(sheds: Any, tmp_path: Path) -> None:
    begun: list[int] = []
    shed = sheds(new_run=lambda: begun.append(1))
    old = [shed.take(shot).frames["wide"].sha256 for shot in (1, 2, 3, 4)]
    shed.clock.ahead_s += 60.0
    assert shed.take(1).aside  # perhaps a stray
    assert shed.take(2).taken  # no: it prints again
    assert begun == [1] and shed.store.run == 2
    new = {row.key.shot: row.sha256 for row in shed.store.rows() if row.key.camera == "wide"}
    assert set(new) == {1, 2} and not set(new.values()) & set(old)
    kept = sorted(path.name for path in (tmp_path / "frames-run1/wide").iterdir())
    assert kept == ["000001.jpg", "000002.jpg", "000003.jpg", "000004.jpg"]


def test_after_a_cancel_the_next_print_is_another_run(sheds: Any) -> None:
    shed = sheds()
    shed.take(1), shed.take(2)
    shed.cues.end_run("cancelled")
    assert shed.store.ended
    answer = shed.take(1)
    assert answer.taken and not answer.repeated and shed.store.run == 2
    assert set(shed.states()) == {(1, "wide"), (1, "nozzle")}


def test_a_gap_of_thousands_holds_no_cue_up(sheds: Any, a_plan: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    """The picture comes first; then one transaction, counted and not timed."""
    shed = sheds(a_plan(9001))
    shed.take(1)
    order: list[str] = []
    put, put_all = shed.store.put, shed.store.journal.put_all
    monkeypatch.setattr(shed.store, "put", lambda *a, **k: (order.append("picture"), put(*a, **k))[1])
    monkeypatch.setattr(shed.store.journal, "put_all", lambda rows: (order.append("rows"), put_all(rows))[1])
    shed.take(9000), shed.take(9001)
    assert len(shed.store.rows()) == 2 * 9001
    gap = order.index("rows", order.index("picture") + 6)  # each picture has a row of its own
    assert order.count("rows") == 4 + 1 and order[: gap + 1].count("picture") == 4


def test_a_burst_of_cues_is_late_but_for_the_last(sheds: Any) -> None:
    """They came together although the machine stood at each for a second: all but the last were held up."""
    shed = sheds()
    shed.cameras["wide"].hanging = shed.cameras["nozzle"].hanging = True  # so that no frame comes at once
    time.sleep(0.1)
    answers: dict[int, Answer] = {}
    threads = []
    for shot in (1, 2, 3):
        threads.append(threading.Thread(target=lambda n=shot: answers.update({n: shed.take(n)})))
        threads[-1].start()
        time.sleep(0.05)
    shed.cameras["wide"].hanging = shed.cameras["nozzle"].hanging = False
    for thread in threads:
        thread.join()
    assert {answers[shot].frames["wide"].state for shot in (1, 2)} == {"late"}
    last = answers[3].frames["wide"]
    assert last.state == "taken" and FrameFlag.CUE_TIME in last.flags and FrameFlag.PROVEN not in last.flags


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

    class Lights:
        def shine(self, camera: str, leave_s: float) -> bool:
            time.sleep(0.1)
            on_s.append(time.monotonic())
            if camera == "nozzle":
                raise LightError("stuck")
            return True

        def finish(self, cameras: Any) -> None:
            pass

        def off_before_s(self, camera: str) -> float:
            return 0.0

    shed = sheds(lights=Lights())
    answer = shed.take(1)
    assert answer.frames["nozzle"].note == "no light (stuck)"
    assert FrameFlag.NO_LIGHT in answer.frames["nozzle"].flags
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
