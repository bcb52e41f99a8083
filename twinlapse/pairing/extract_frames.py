"""From recordings to frames: which pictures show the machine at its stops, and the sharpest of each kept."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from twinlapse.arrays import Float, Grey, Progress
from twinlapse.cameras.jpeg import summarise
from twinlapse.errors import CaptureError
from twinlapse.frames.journal import FrameTimes
from twinlapse.frames.store import FrameStore
from twinlapse.machine_course import MachineCourse
from twinlapse.pairing.motion_signal import motion_signal
from twinlapse.pairing.recordings import Recording
from twinlapse.pairing.stop_frames import SURE, RecordingStops, RecordingView, StopFrames, find_stop_frames
from twinlapse.progress import part_of

__all__ = ["CameraFrames", "Key", "extract_frames", "sharpest", "view_of"]

Key = tuple[int, int]  # shot and stop
_WATCHING_SHARE = 0.6  # of the work, as the progress counts it


@dataclass(frozen=True, slots=True, kw_only=True)
class CameraFrames:
    """What came of the recording of one camera."""

    camera: str
    found: dict[Key, float]  # stops of this camera of which there is a picture, and how sure that is
    missed: tuple[Key, ...]  # those of which there is none
    kept: int
    known: int  # frames that the job had already; they stay
    tied: str  # to the clocks of the others by "motion", by the "course", by "stamps", or "alone"
    sees: bool  # whether the recording shows the machine
    rate: float  # seconds of the recording for one of the written file
    stop_s: float  # how long the machine stands at the stop with the shortest wait
    picture_s: float  # from one picture that was looked at to the next, usually

    @property
    def doubtful(self) -> tuple[Key, ...]:
        """Stops of which a person should look at the picture."""
        return tuple(key for key, sure in self.found.items() if sure < SURE)


def extract_frames(
    store: FrameStore,
    recordings: dict[str, Recording],
    course: MachineCourse,
    *,
    progress: Progress | None = None,
) -> list[CameraFrames]:
    """Put the frames of the recordings of a run, one a camera, into a job.

    A frame that the job has already is left alone; a stop without a picture is written down as missed.

    Parameters
    ----------
    store : FrameStore
    recordings : dict of camera name to Recording
    course : MachineCourse
        Of the written file, or of the plan alone.
    progress : callable, optional
        Takes the share done.

    Raises
    ------
    CaptureError
        when a recording holds no picture, or the plan no stop of its camera.
    """
    own = {camera: _stops_of(store, camera) for camera in recordings}
    views = []
    for number, recording in enumerate(recordings.values()):
        ends = (_WATCHING_SHARE * k / len(own) for k in (number, number + 1))
        views.append(view_of(recording, part_of(progress, *ends)))
    results = []
    for number, (camera, stops) in enumerate(zip(recordings, find_stop_frames(course, views), strict=True)):
        ends = (_WATCHING_SHARE + (1 - _WATCHING_SHARE) * k / len(own) for k in (number, number + 1))
        keeping = part_of(progress, *ends)
        picture_s = float(np.median(np.diff(views[number].signal.time_s, prepend=0.0)))
        results.append(
            _keep_all(store, camera, recordings[camera], course, stops, own[camera], picture_s, keeping)
        )
    if progress:
        progress(1.0)
    return results


def view_of(recording: Recording, progress: Progress | None = None) -> RecordingView:
    """Return what a recording shows.

    Raises
    ------
    CaptureError
        when it holds fewer than two pictures.
    """
    length_s = recording.length_s

    def pictures() -> Iterator[tuple[float, Grey]]:
        for time_s, picture in recording.small():
            if progress and length_s:
                progress(min(1.0, time_s / length_s))
            yield time_s, picture

    signal = motion_signal(pictures())
    if len(signal.motion) == 0:
        raise CaptureError("the recording holds no pictures", "play it to see")
    return RecordingView(signal=signal, begun_s=recording.begun_s)


def _stops_of(store: FrameStore, camera: str) -> frozenset[Key]:
    stops = frozenset((shot.number, n) for shot in store.plan.shots for n, stop in enumerate(shot.stops, 1)
                      if camera in stop.cameras)  # fmt: skip
    if not stops:
        raise CaptureError(f"the plan has no stop of {camera}", "name a camera of the plan")
    return stops


def _keep_all(
    store: FrameStore,
    camera: str,
    recording: Recording,
    course: MachineCourse,
    stops: RecordingStops,
    own: frozenset[Key],
    picture_s: float,
    progress: Progress | None,
) -> CameraFrames:
    """Keep a frame of every stop of a camera."""
    mine = {course.stops[one.index]: one for one in stops.stops if course.stops[one.index] in own}
    kept = known = 0
    for number, (key, one) in enumerate(mine.items()):
        if progress:
            progress(number / len(mine))
        row = store.get(store.key(*key, camera))
        if row is not None and row.state in ("taken", "adopted"):
            known += 1
            continue
        kept += _keep(store, camera, key, one, stops.sees, sharpest(recording, one.time_s))
    missed = tuple(sorted(own - set(mine)))
    stands_s = [
        b - a for key, a, b in zip(course.stops, course.start_s, course.end_s, strict=True) if key in own
    ]
    for key in missed:
        if store.get(store.key(*key, camera)) is None:
            store.miss(store.key(*key, camera), FrameTimes(), "no standstill found")
    return CameraFrames(
        camera=camera,
        found={key: one.confidence for key, one in mine.items()},
        missed=missed,
        kept=kept,
        known=known,
        tied=stops.tied,
        sees=stops.sees,
        rate=stops.rate,
        stop_s=float(min(stands_s, default=0.0)),
        picture_s=picture_s,
    )


def _keep(store: FrameStore, camera: str, key: Key, one: StopFrames, sees: bool, data: bytes | None) -> int:
    if data is None:
        store.miss(store.key(*key, camera), FrameTimes(), "the recording does not decode here")
        return 0
    notes = ["doubtful"] if one.confidence < SURE else []
    notes.append(f"paired by motion ({one.confidence:.2f})")
    if not sees:
        notes.append("by the clock of another camera")
    store.put(store.key(*key, camera), data, FrameTimes(), note=", ".join(notes))
    return 1


def sharpest(recording: Recording, time_s: Float) -> bytes | None:
    """Return the sharpest of the pictures taken at some moments, None when none decodes."""
    best: tuple[float, bytes] | None = None
    for data in recording.pictures_at(time_s):
        try:
            value = summarise(data, sharpness=True).sharpness
        except CaptureError:
            continue
        if best is None or value > best[0]:
            best = (value, data)
    return None if best is None else best[1]
