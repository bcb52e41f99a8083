"""From a recording to frames: find the standstills, match them to the plan, keep the sharpest pictures."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from twinlapse.capture.jpeg import look_at
from twinlapse.capture.pairing import DOUBT, Alignment, Match, Schedule, Standstill, align, schedule_of
from twinlapse.capture.recordings import Recording
from twinlapse.capture.stillness import Watched, find_standstills, looks_of, watch
from twinlapse.errors import CaptureError
from twinlapse.frames.journal import FrameTimes
from twinlapse.frames.store import FrameStore

Progress = Callable[[float], None]
_LOOKING_SHARE = 0.6  # of the work, as the progress counts it
_INSIDE_S = 0.1  # kept away from both ends of a standstill


@dataclass(frozen=True, slots=True, kw_only=True)
class Developed:
    """What came of the recording of one camera."""

    camera: str
    standstills: int
    alignment: Alignment
    kept: int
    known: int  # frames that the job had already; they stay


def develop(
    store: FrameStore, camera: str, recording: Recording, *, progress: Progress | None = None
) -> Developed:
    """Put the frames of one camera's recording into a job.

    A frame that the job has already is left alone; a stop without a standstill is written down as missed.

    Raises
    ------
    CaptureError
        when the recording holds no picture, or the plan no stop of this camera.
    """
    progress = progress or (lambda share: None)
    schedule = schedule_of(store.plan)
    own = {(shot.number, n) for shot in store.plan.shots for n, stop in enumerate(shot.stops, 1)
           if camera in stop.cameras}  # fmt: skip
    if not own:
        raise CaptureError(f"the plan has no stop of {camera}", "name a camera of the plan")
    watched, found = look_for_standstills(recording, schedule, progress)
    span_s = (0.0, max(recording.length_s, float(watched.time_s[-1])))
    alignment = align(schedule, found, span_s=span_s, looks=looks_of(watched, found))
    kept = known = 0
    wanted = [match for match in alignment.matches if (match.shot, match.stop) in own]
    for number, match in enumerate(wanted):
        progress(_LOOKING_SHARE + (1 - _LOOKING_SHARE) * number / len(wanted))
        if _has(store, camera, match.shot, match.stop):
            known += 1
            continue
        kept += _keep(store, camera, match, sharpest(recording, found[match.index]))
    for shot, stop in alignment.missed:
        key = store.key(shot, stop, camera)
        if (shot, stop) in own and store.get(key) is None:
            store.miss(key, FrameTimes(), "no standstill found")
    progress(1.0)
    return Developed(camera=camera, standstills=len(found), alignment=alignment, kept=kept, known=known)


def look_for_standstills(
    recording: Recording, schedule: Schedule, progress: Progress
) -> tuple[Watched, list[Standstill]]:
    """Return what is seen of a recording and its standstills that may be stops of a schedule."""
    length_s = recording.length_s

    def pictures() -> Iterator[tuple[float, NDArray[np.uint8]]]:
        for time_s, picture in recording.small():
            progress(_LOOKING_SHARE * min(1.0, time_s / length_s) if length_s else 0.0)
            yield time_s, picture

    watched = watch(pictures())
    if len(watched.motion) == 0:
        raise CaptureError("the recording holds no pictures", "play it to see")
    shortest_s = 0.5 * float(schedule.length_s.min()) if len(schedule.length_s) else 0.5
    return watched, find_standstills(watched.time_s, watched.motion, shortest_s)


def sharpest(recording: Recording, still: Standstill) -> bytes | None:
    """Return the sharpest picture of a standstill, None when none decodes."""
    margin_s = min(_INSIDE_S, 0.25 * (still.end_s - still.start_s))
    best: tuple[float, bytes] | None = None
    for data in recording.between(still.start_s + margin_s, still.end_s - margin_s):
        try:
            value = look_at(data, sharpness=True).sharpness
        except CaptureError:
            continue
        if best is None or value > best[0]:
            best = (value, data)
    return None if best is None else best[1]


def _has(store: FrameStore, camera: str, shot: int, stop: int) -> bool:
    row = store.get(store.key(shot, stop, camera))
    return row is not None and row.state in ("taken", "adopted")


def _keep(store: FrameStore, camera: str, match: Match, data: bytes | None) -> int:
    key = store.key(match.shot, match.stop, camera)
    if data is None:
        store.miss(key, FrameTimes(), "the recording does not decode here")
        return 0
    doubt = "doubtful, " if match.confidence < DOUBT else ""
    store.put(key, data, FrameTimes(), note=f"{doubt}paired by time ({match.confidence:.2f})")
    return 1
