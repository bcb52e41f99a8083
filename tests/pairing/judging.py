"""A recorded run given to `pair`, and its frames judged by when they were exposed."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Iterable, Iterator
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from other_machines import OtherRun
from recorded_runs import Run, as_jpeg, number_of, pictures

from twinlapse.frames.job import Job
from twinlapse.frames.store import FrameStore
from twinlapse.gcode import read_toolpath
from twinlapse.machine_course import MachineCourse
from twinlapse.motion.course import course_of
from twinlapse.pairing.extract_frames import CameraFrames, extract_frames
from twinlapse.pairing.plan_course import plan_course
from twinlapse.pairing.stop_frames import SURE, RecordingView, find_stop_frames
from twinlapse.rehearsal.virtual_machine import standings
from twinlapse.rig import rig_from_mapping
from twinlapse.shots import Plan, read_plan

RIG = Path(__file__).with_name("recording_rig.toml")  # stops of a second, as recordings need


def write_video(path: Path, frames: Iterable[tuple[float, np.ndarray[Any, Any]]]) -> Path:
    """Write pictures with their own times, as a recorder of variable rate does."""
    av = pytest.importorskip("av")
    with av.open(str(path), "w") as container:
        stream = container.add_stream("libx264", rate=5, options={"preset": "ultrafast", "crf": "20"})
        stream.pix_fmt = "yuv420p"
        stream.codec_context.time_base = stream.time_base = Fraction(1, 1000)
        for time_s, picture in frames:
            large = np.kron(picture, np.ones((4, 4), np.uint8))
            if not stream.codec_context.is_open:
                stream.height, stream.width = large.shape
            frame = av.VideoFrame.from_ndarray(np.repeat(large[..., None], 3, 2), "rgb24")
            frame.pts, frame.time_base = round(1000 * time_s), Fraction(1, 1000)
            container.mux(stream.encode(frame))
        container.mux(stream.encode())
    return path


class RunRecording:
    """One camera of a recorded run, as `pair` wants it."""

    def __init__(self, run: Run | OtherRun, camera: str, begun_s: float | None = None) -> None:
        self.begun_s = begun_s
        self._run, self._camera = run, camera
        self._stamps = np.array([frame.stamp_s for frame in run.cameras[camera]])

    @property
    def length_s(self) -> float:
        return float(self._stamps[-1])

    def small(self) -> Iterator[tuple[float, np.ndarray[Any, Any]]]:
        run, camera = self._run, self._camera
        drawn = pictures(run, camera) if isinstance(run, Run) else run.pictures(camera)
        for frame, picture in drawn:
            yield frame.stamp_s, picture

    def pictures_at(self, time_s: np.ndarray[Any, Any]) -> list[bytes]:
        # what is in a picture does not matter here: a plain one carries its number
        plain = np.full((8, 8), 128, np.uint8)
        return [as_jpeg(plain, int(k)) for k in np.searchsorted(self._stamps, time_s - 1e-9)]


def written(gcode: Path, folder: Path) -> tuple[Path, Path]:
    """Plan a sliced file for recordings without cues and write the stops into it."""
    plan, filmed = folder / "plan.json", folder / "filmed.gcode"
    for words in (["plan", gcode, "--rig", RIG, "-o", plan], ["inject", gcode, "--plan", plan, "-o", filmed]):
        subprocess.run([sys.executable, "-m", "twinlapse", *map(str, words)], check=True, capture_output=True)
    return filmed, plan


def file_course(gcode: Path, plan: Plan) -> MachineCourse:
    """Return the course of a written file."""
    printer = rig_from_mapping(plan.rig).printer
    path = read_toolpath(gcode)
    stands = standings(path)
    stops = [(one.cue.shot, one.cue.stop) for one in stands]
    return course_of(path, printer, stops, [one.row for one in stands])


def paired(
    run: Run | OtherRun, plan_path: Path, gcode: Path | None, folder: Path
) -> tuple[FrameStore, list[CameraFrames]]:
    """Pair a run into a new job; the store is open."""
    plan = read_plan(plan_path)
    folder.mkdir(parents=True, exist_ok=True)
    store = FrameStore(Job(folder), plan)
    course = plan_course(plan) if gcode is None else file_course(gcode, plan)
    recordings = {camera: RunRecording(run, camera) for camera in run.cameras}
    return store, extract_frames(store, recordings, course)


def strictly_judged(
    run: Run | OtherRun, course: MachineCourse, plan: Plan, views: dict[str, RecordingView]
) -> dict[str, np.ndarray[Any, Any]]:
    """Return by camera what `judged` returns, but a stop is right when each picture to choose from is.

    Which of them is the sharpest and is kept is left to chance so.
    """
    counts = {}
    for (camera, frames), found in zip(
        run.cameras.items(), find_stop_frames(course, list(views.values())), strict=True
    ):
        own = {(shot.number, n) for shot in plan.shots for n, stop in enumerate(shot.stops, 1)
               if camera in stop.cameras}  # fmt: skip
        stamps, real = (np.array([getattr(one, name) for one in frames]) for name in ("stamp_s", "real_s"))
        count = np.array([0, 0, len(own & run.due(camera)), 0, 0])
        for one in found.stops:
            key = course.stops[one.index]
            if key in own:
                # a video file keeps times to the millisecond
                place = np.abs(stamps[:, None] - one.time_s).argmin(axis=0)
                right = all(run.right(key, float(real_s)) for real_s in real[place])
                sure = one.confidence >= SURE
                count += np.array([right, 1, 0, sure, sure and not right])
        counts[camera] = count
    return counts


def judged(
    run: Run | OtherRun, plan_path: Path, gcode: Path | None, folder: Path
) -> dict[str, np.ndarray[Any, Any]]:
    """Return by camera: frames right, kept, due, sure, and sure but wrong."""
    store, _ = paired(run, plan_path, gcode, folder)
    counts = {camera: np.zeros(5, dtype=int) for camera in run.cameras}
    with store:
        for row in store.rows():
            if row.state != "taken":
                continue
            camera, key = row.key.camera, (row.key.shot, row.key.stop)
            data = (store.job.frames / row.file).read_bytes()
            right = run.right(key, run.cameras[camera][number_of(data)].real_s)
            sure = not row.note.startswith("doubtful")
            counts[camera] += np.array([right, 1, 0, sure, sure and not right])
        for camera in run.cameras:
            own = {(shot.number, n) for shot in store.plan.shots for n, stop in enumerate(shot.stops, 1)
                   if camera in stop.cameras}  # fmt: skip
            counts[camera][2] = len(own & run.due(camera))
    return counts
