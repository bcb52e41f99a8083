"""From a recording to frames: find the standstills, match them to the plan, keep the sharpest pictures."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from twinlapse.arrays import Progress
from twinlapse.cameras.jpeg import summarise
from twinlapse.errors import CaptureError
from twinlapse.frames.journal import FrameTimes
from twinlapse.frames.store import FrameStore
from twinlapse.pairing.joint_alignment import Paired, Seen, pair
from twinlapse.pairing.recordings import Recording
from twinlapse.pairing.standstills import find_standstills, watch
from twinlapse.pairing.stop_matching import DOUBT, Alignment, Match, Schedule, Standstill, schedule_of

_LOOKING_SHARE = 0.6  # of the work, as the progress counts it
_INSIDE_S = 0.1  # kept away from both ends of a standstill


@dataclass(frozen=True, slots=True, kw_only=True)
class Developed:
    """What came of the recording of one camera."""

    camera: str
    standstills: int
    alignment: Alignment  # of the stops of all cameras
    tied: bool  # paired together with the first recording
    stops: frozenset[tuple[int, int]]  # of this camera
    kept: int
    known: int  # frames that the job had already; they stay

    @property
    def matches(self) -> tuple[Match, ...]:
        """The standstills at which this camera had to shoot."""
        return tuple(match for match in self.alignment.matches if (match.shot, match.stop) in self.stops)

    @property
    def doubtful(self) -> tuple[Match, ...]:
        """Those of them that a person should look at."""
        return tuple(match for match in self.matches if match.confidence < DOUBT)

    @property
    def missed(self) -> tuple[tuple[int, int], ...]:
        """Shot and stop of this camera that no standstill belongs to."""
        return tuple(stop for stop in self.alignment.missed if stop in self.stops)


def develop(
    store: FrameStore, recordings: dict[str, Recording], *, progress: Progress | None = None
) -> list[Developed]:
    """Put the frames of the recordings of a night, one a camera, into a job.

    A frame that the job has already is left alone; a stop without a standstill is written down as missed.

    Raises
    ------
    CaptureError
        when a recording holds no picture, or the plan no stop of its camera.
    """
    progress = progress or (lambda share: None)
    schedule = schedule_of(store.plan)
    own = {camera: _stops_of(store, camera) for camera in recordings}
    seen = []
    for number, recording in enumerate(recordings.values()):
        watching = _part(progress, _LOOKING_SHARE * number / len(own), _LOOKING_SHARE / len(own))
        seen.append(look(recording, schedule, watching))
    results = []
    together = pair(schedule, seen, shortest_of(schedule))
    for number, (camera, recording) in enumerate(recordings.items()):
        picking = _part(
            progress, 1 - (1 - _LOOKING_SHARE) * (1 - number / len(own)), (1 - _LOOKING_SHARE) / len(own)
        )
        paired = together[number]
        kept, known = _pick(store, camera, recording, paired, own[camera], picking)
        results.append(
            Developed(
                camera=camera,
                standstills=len(paired.found),
                alignment=paired.alignment,
                tied=paired.tied,
                stops=own[camera],
                kept=kept,
                known=known,
            )
        )
    progress(1.0)
    return results


def _stops_of(store: FrameStore, camera: str) -> frozenset[tuple[int, int]]:
    stops = frozenset((shot.number, n) for shot in store.plan.shots for n, stop in enumerate(shot.stops, 1)
                      if camera in stop.cameras)  # fmt: skip
    if not stops:
        raise CaptureError(f"the plan has no stop of {camera}", "name a camera of the plan")
    return stops


def _part(progress: Progress, first: float, share: float) -> Progress:
    return lambda done: progress(first + share * done)


def _pick(
    store: FrameStore,
    camera: str,
    recording: Recording,
    paired: Paired,
    own: frozenset[tuple[int, int]],
    progress: Progress,
) -> tuple[int, int]:
    """Keep a frame of every stop of a camera; return how many, and how many were known."""
    kept = known = 0
    wanted = [match for match in paired.alignment.matches if (match.shot, match.stop) in own]
    for number, match in enumerate(wanted):
        progress(number / len(wanted))
        if _has(store, camera, match.shot, match.stop):
            known += 1
            continue
        kept += _keep(store, camera, match, sharpest(recording, paired.found[match.index]))
    for shot, stop in paired.alignment.missed:
        key = store.key(shot, stop, camera)
        if (shot, stop) in own and store.get(key) is None:
            store.miss(key, FrameTimes(), "no standstill found")
    return kept, known


def look(recording: Recording, schedule: Schedule, progress: Progress) -> Seen:
    """Return what a recording shows, with the standstills that may be stops of a schedule."""
    length_s = recording.length_s

    def pictures() -> Iterator[tuple[float, NDArray[np.uint8]]]:
        for time_s, picture in recording.small():
            progress(min(1.0, time_s / length_s) if length_s else 0.0)
            yield time_s, picture

    watched = watch(pictures())
    if len(watched.motion) == 0:
        raise CaptureError("the recording holds no pictures", "play it to see")
    return Seen(
        watched=watched,
        found=find_standstills(watched.time_s, watched.motion, shortest_of(schedule)),
        span_s=(0.0, max(length_s, float(watched.time_s[-1]))),
    )


def shortest_of(schedule: Schedule) -> float:
    """Return how long a standstill has to last to be one of a schedule's stops."""
    return 0.5 * float(schedule.length_s.min()) if len(schedule.length_s) else 0.5


def sharpest(recording: Recording, still: Standstill) -> bytes | None:
    """Return the sharpest picture of a standstill, None when none decodes."""
    margin_s = min(_INSIDE_S, 0.25 * (still.end_s - still.start_s))
    best: tuple[float, bytes] | None = None
    for data in recording.between(still.start_s + margin_s, still.end_s - margin_s):
        try:
            value = summarise(data, sharpness=True).sharpness
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
