"""What the store promises: whole pictures, rows that have their picture, the same answer to the same key."""

from __future__ import annotations

from pathlib import Path

import pytest

from twinlapse.errors import FrameError, JobError
from twinlapse.frames.job import Job
from twinlapse.frames.journal import FrameRow, FrameTimes, Journal, read_journal
from twinlapse.frames.store import FrameStore, needed_bytes
from twinlapse.shots import Plan, Shot, ShotKey, Stop

PICTURE = b"\xff\xd8\xff" + bytes(range(64)) + b"\xff\xd9"


def a_plan(shots: int = 5) -> Plan:
    """Two stops a shot: wide, then wide and nozzle."""
    place = {"x_mm": 0.0, "y_mm": 0.0, "z_mm": 1.0, "dwell_s": 1.0, "stance": "clear"}
    stops = (Stop(cameras=("wide",), **place), Stop(cameras=("wide", "nozzle"), **place))
    rest = {"after_line": 1, "byte": 0, "layer": 0, "z_mm": 0.2, "at_s": 0.0, "cost_s": 1.0}
    pull = {"retract": "none", "retract_mm": 0.0, "retract_mm_s": 0.0, "lift_mm": 0.0}
    made = tuple(Shot(number=n, stops=stops, **rest, **pull) for n in range(1, shots + 1))
    return Plan(
        original_sha256="a" * 64, rig={}, shots=made, print_s=1.0, cost_s=1.0, film_s=1.0, layer_count=1
    )


@pytest.fixture
def job(tmp_path: Path) -> Job:
    return Job(tmp_path)


def test_a_frame_is_kept_as_it_came_with_its_row(job: Job) -> None:
    times = FrameTimes(cue_wall_s=10.0, cue_mono_s=1.0, frame_wall_s=10.5, frame_mono_s=1.5)
    with FrameStore(job, a_plan(), wall_s=lambda: 5.0) as store:
        key = store.key(3, 2, "wide")
        kept = store.put(key, PICTURE, times, note="dark")
        assert store.get(key) == kept
    assert (job.frames / "wide/000003-2.jpg").read_bytes() == PICTURE  # second stop of this camera
    (row,) = read_journal(job.journal, "a" * 64)
    assert row == kept
    assert row.times == times
    assert (row.file, row.state, row.note, row.bytes) == ("wide/000003-2.jpg", "taken", "dark", len(PICTURE))


def test_the_second_stop_is_the_first_of_a_camera_that_sits_out_the_first(job: Job) -> None:
    with FrameStore(job, a_plan()) as store:
        assert store.path(store.key(3, 2, "nozzle")).name == "000003.jpg"


@pytest.mark.parametrize("shot, stop, camera", [(6, 1, "wide"), (1, 3, "wide"), (1, 1, "nozzle"), (0, 0, "")])
def test_what_the_plan_does_not_have_is_not_kept(job: Job, shot: int, stop: int, camera: str) -> None:
    with FrameStore(job, a_plan()) as store:
        with pytest.raises(FrameError, match="the plan has no shot"):
            store.put(store.key(shot, stop, camera), PICTURE, FrameTimes())
        assert store.rows() == []


def test_a_frame_of_another_job_is_not_kept(job: Job) -> None:
    with FrameStore(job, a_plan()) as store, pytest.raises(FrameError):
        store.put(ShotKey(job="b" * 64, run=1, shot=1, stop=1, camera="wide"), PICTURE, FrameTimes())


def test_opening_puts_a_crashed_folder_in_order(job: Job) -> None:
    with FrameStore(job, a_plan()) as store:
        for shot in (1, 2, 3):
            store.put(store.key(shot, 1, "wide"), PICTURE, FrameTimes())
    wide = job.frames / "wide"
    (wide / ".000004.jpg.x.part").write_bytes(PICTURE[:20])
    (wide / "000004.jpg").write_bytes(PICTURE)  # renamed, but the crash came before the row
    (wide / "000005.jpg").write_bytes(PICTURE[:20])  # half, from something else than this store
    (wide / "000099.jpg").write_bytes(PICTURE)  # no such shot
    (wide / "000002.jpg").write_bytes(PICTURE + b"tampered\xff\xd9")
    (wide / "000003.jpg").unlink()
    with FrameStore(job, a_plan()) as store:
        found = store.recovered
        states = {row.key.shot: row.state for row in store.rows()}
        assert store.run == 1
    assert found.half == ("wide/.000004.jpg.x.part",)
    assert found.adopted == ("wide/000004.jpg",)
    assert set(found.aside) == {"wide/000002.jpg", "wide/000005.jpg", "wide/000099.jpg"}
    assert found.lost == ("wide/000002.jpg", "wide/000003.jpg")
    assert states == {1: "taken", 2: "lost", 3: "lost", 4: "adopted"}
    assert sorted(path.name for path in wide.iterdir()) == ["000001.jpg", "000004.jpg"]
    assert len(list((job.folder / "frames-aside/wide").iterdir())) == 3


def test_a_new_run_leaves_the_old_frames_alone(job: Job) -> None:
    with FrameStore(job, a_plan()) as store:
        store.put(store.key(1, 1, "wide"), PICTURE, FrameTimes())
    with FrameStore(job, a_plan(), new_run=True) as store:
        assert store.run == 2
        assert store.get(store.key(1, 1, "wide")) is None
        assert store.recovered.lost == ()
    assert (job.folder / "frames-run1/wide/000001.jpg").read_bytes() == PICTURE
    assert len(read_journal(job.journal, "a" * 64, run=1)) == 1


def test_a_crash_between_moving_the_frames_and_the_new_run_is_finished(job: Job) -> None:
    with FrameStore(job, a_plan()) as store:
        store.put(store.key(1, 1, "wide"), PICTURE, FrameTimes())
    job.frames.rename(job.folder / "frames-run1")
    with FrameStore(job, a_plan()) as store:
        assert store.run == 2


def test_a_missed_frame_has_a_row_and_no_file(job: Job) -> None:
    with FrameStore(job, a_plan()) as store:
        store.miss(store.key(2, 1, "wide"), FrameTimes(cue_mono_s=4.0), "camera gone")
    (row,) = read_journal(job.journal, "a" * 64)
    assert (row.state, row.file, row.note) == ("missed", "", "camera gone")


def test_a_row_that_cannot_be_written_takes_its_picture_along(
    job: Job, monkeypatch: pytest.MonkeyPatch
) -> None:
    with FrameStore(job, a_plan()) as store:

        def full(row: FrameRow) -> None:
            raise JobError("database or disk is full")

        monkeypatch.setattr(store.journal, "put", full)
        with pytest.raises(FrameError, match="was not kept"):
            store.put(store.key(1, 1, "wide"), PICTURE, FrameTimes())
    assert list((job.frames / "wide").iterdir()) == []


def test_a_file_that_is_no_journal_is_named(tmp_path: Path) -> None:
    (tmp_path / "journal.db").write_bytes(b"these are the minutes of the garden club" * 40)
    with pytest.raises(JobError, match=r"journal\.db: the journal cannot be used"):
        Journal(tmp_path / "journal.db")


def test_the_space_for_all_frames() -> None:
    assert needed_bytes(a_plan(10), frame_bytes=100) == 3300  # 3 frames a shot and a tenth
