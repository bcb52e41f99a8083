"""Runs recorded by a judge of their own are paired: every frame was exposed while the machine stood there."""

from __future__ import annotations

import tarfile
from dataclasses import replace
from pathlib import Path

import pytest
from judging import RunRecording, file_course, judged, paired, written
from recorded_runs import Run, Troubles, run_of
from small_print import small_print

from twinlapse.pairing.extract_frames import view_of
from twinlapse.pairing.stop_frames import RecordingView, find_stop_frames
from twinlapse.shots import read_plan

DATA = Path(__file__).parents[1] / "data"
PIECES = Troubles(pauses=((90.0, 18),), hunting=0.3, longer_s=(5.0, 150.0), start_s=(-20.0, -3.0))


@pytest.fixture(scope="module")
def small(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    return small_print(tmp_path_factory.mktemp("small"))


@pytest.mark.slow
def test_pauses_in_pieces_hunting_and_a_longer_recording(small: tuple[Path, Path], tmp_path: Path) -> None:
    gcode, plan = small
    run = run_of(gcode, PIECES, 1)
    for camera, (right, kept, due, sure, wrong) in judged(run, plan, gcode, tmp_path / "job").items():
        assert (right, wrong) == (kept, 0) and due == 14, camera
        assert right >= 13 and sure >= 12, camera


def test_a_camera_that_sees_nothing_gets_its_frames_by_the_other_clock(
    small: tuple[Path, Path], tmp_path: Path
) -> None:
    """The wide camera sees nothing move; both recordings are folders whose files say when they were taken."""
    gcode, plan = small
    run = run_of(gcode, Troubles(blind=True, strays=0.2), 2)
    views = []
    for camera, frames in run.cameras.items():
        view = view_of(RunRecording(run, camera))
        views.append(replace(view, begun_s=1.7e9 + frames[0].real_s))
    course = file_course(gcode, read_plan(plan))
    wide, nozzle = find_stop_frames(course, views)
    assert not wide.sees and wide.tied == "stamps" and nozzle.sees
    _all_right(run, course.stops, wide.stops, "wide")
    assert len(wide.stops) >= 27
    # without stamps nothing ties it, and nothing is made up
    wide, nozzle = find_stop_frames(course, [RecordingView(signal=view.signal) for view in views])
    assert wide.tied == nozzle.tied == "alone" and not wide.sees
    assert [one for one in wide.stops if one.confidence >= 0.98] == []
    _all_right(run, course.stops, nozzle.stops, "nozzle")


def _all_right(run: Run, keys: tuple[tuple[int, int], ...], found: object, camera: str) -> None:
    stamps = {frame.stamp_s: frame.real_s for frame in run.cameras[camera]}
    for one in found:  # type: ignore[attr-defined]
        for time_s in one.time_s:
            assert run.right(keys[one.index], stamps[float(time_s)]), (camera, keys[one.index])


def test_the_plan_alone_will_do_on_a_clean_run(small: tuple[Path, Path], tmp_path: Path) -> None:
    gcode, plan = small
    counts = judged(run_of(gcode, Troubles(), 3), plan, None, tmp_path / "job")
    for camera, (right, kept, due, _, wrong) in counts.items():
        assert wrong == 0 and right == kept and right >= 0.9 * due, camera


def test_frames_that_the_job_has_stay_and_missed_ones_are_written_down(
    small: tuple[Path, Path], tmp_path: Path
) -> None:
    gcode, plan = small
    run = run_of(gcode, Troubles(ends_at=0.5), 4)
    store, first = paired(run, plan, gcode, tmp_path / "job")
    with store:
        assert {row.note for row in store.rows() if row.state == "missed"} == {"no standstill found"}
        assert all(len(result.missed) >= 6 and result.known == 0 for result in first)
    store, again = paired(run, plan, gcode, tmp_path / "job")
    with store:
        assert [result.known for result in again] == [result.kept for result in first]
        assert all(result.kept == 0 for result in again)


CAUSES = {
    "clean": Troubles(),
    "one camera records longer": Troubles(longer_s=(8, 420)),
    "drift": Troubles(clock=(1.01, 0.995), start_s=(-300.0, -12.0)),
    "pause": Troubles(pauses=((300, 1),), start_s=(-30.0, -560.0)),
    "pause in pieces, hunting": Troubles(pauses=((300, 18), (120, 6)), hunting=0.3),
    "everything": Troubles(skips=0.05, strays=0.3, pauses=((300, 18), (60, 1)), hunting=0.25, drops=0.05,
                           clock=(1.008, 0.993)),
    "drops and variable rate": Troubles(drops=0.1, rate_hz=(2.5, 6.0)),
    "people": Troubles(people=25, visits_s=240.0),
    "hidden head": Troubles(hidden=True),
    "aborted": Troubles(ends_at=0.6),
    "hunting alone": Troubles(hunting=0.3),
    "noise": Troubles(noise=2.5),
    "pictures lost without a gap": Troubles(slips=0.03),
    "recorded from the first stop to the last": Troubles(close_s=2.0),
}  # fmt: skip


@pytest.fixture(scope="module")
def dome(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    folder = tmp_path_factory.mktemp("dome")
    with tarfile.open(DATA / "sliced.tar.xz") as archive:
        archive.extract("dome_adaptive.gcode", folder, filter="data")
    return written(folder / "dome_adaptive.gcode", folder)


@pytest.mark.slow
@pytest.mark.parametrize("cause", CAUSES)
def test_each_cause_on_a_whole_print(dome: tuple[Path, Path], tmp_path: Path, cause: str) -> None:
    gcode, plan = dome
    counts = judged(run_of(gcode, CAUSES[cause], 5), plan, gcode, tmp_path / "job")
    for camera, (right, _, due, _, wrong) in counts.items():
        assert wrong == 0, camera
        assert right >= 0.97 * due, camera
