"""Which frames of the cameras belong together: by shot where shots are known, else spread evenly."""

from __future__ import annotations

import bisect
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Literal

from twinlapse.errors import FrameError
from twinlapse.frames.sequence import FrameFile, FrameSequence
from twinlapse.frames.taking_times import exif_times, file_times
from twinlapse.shots import Plan

__all__ = ["SAID", "SHARED", "SPREAD_S", "Rule", "Slot", "pair", "rule_for", "said_of"]

Rule = Literal["auto", "shot", "exif", "file", "evenly"]
SAID: dict[str, str] = {
    "shot": "by their numbers",
    "exif": "by the times in their EXIF",
    "file": "by the times of their files",
    "evenly": "evenly, the shorter series spread over the longer",
}
SHARED = 0.5  # of the shorter series' time must lie in the longer one's, for times to mean anything
SPREAD_S = 0.5  # a frame, on average, at least: files that were copied at once tell no times


@dataclass(frozen=True, slots=True, kw_only=True)
class Slot:
    """One moment of the film: at most one frame of each camera."""

    shot: int
    frames: Mapping[str, FrameFile]  # cameras without a frame here are left out
    due: frozenset[str]  # cameras that should have one


def pair(
    sources: Mapping[str, FrameSequence], plan: Plan | None = None, rule: Rule = "auto"
) -> tuple[Slot, ...]:
    """Return the moments of the film in order.

    With a plan there is one for every planned shot, whether or not a frame came of it. Without one, frames
    meet by their numbers when all names are numbers and most of them occur at every camera; else by the times
    in their EXIF or of their files, where those overlap; else the shorter sequences are spread evenly over
    the longest. `rule_for` tells which.

    Raises
    ------
    FrameError
        when there are no frames, or frames are to meet by shot and their names are no numbers.
    """
    if not any(len(sequence) for sequence in sources.values()):
        raise FrameError("there are no frames", "name a folder with pictures")
    if rule == "shot" and not all(sequence.numbered for sequence in sources.values()):
        raise FrameError("frames cannot meet by shot: their names are no numbers", "pair them evenly")
    rule = rule_for(sources, plan) if rule == "auto" else rule
    if rule == "shot":
        return _by_shot(sources, plan)
    times = _times(sources, rule)
    return _evenly(sources) if isinstance(times, str) else _by_time(sources, times)


def rule_for(sources: Mapping[str, FrameSequence], plan: Plan | None = None) -> Rule:
    """Return by what frames of several cameras meet where nothing is asked for."""
    if _same_numbers(sources, plan):
        return "shot"
    filled = {camera: sequence for camera, sequence in sources.items() if len(sequence)}
    kinds: tuple[Rule, ...] = ("exif", "file")
    if len(filled) < 2:
        return "evenly"
    return next((kind for kind in kinds if not isinstance(_times(filled, kind), str)), "evenly")


def said_of(sources: Mapping[str, FrameSequence], plan: Plan | None = None) -> str:
    """Return in words by what frames of several cameras meet, and what spoke against the times in their EXIF.

    Nothing is said of pictures without such times.
    """
    rule = rule_for(sources, plan)
    against = "" if rule in ("shot", "exif") else _times(sources, "exif")
    return f"{SAID[rule]} ({against})" if isinstance(against, str) and against else SAID[rule]


def _times(sources: Mapping[str, FrameSequence], rule: Rule) -> dict[str, list[float]] | str:
    """Return the time of each frame by camera, or why they do not tell which frames belong together.

    "" where hardly a camera has any times.
    """
    if rule not in ("exif", "file"):
        return ""
    read = exif_times if rule == "exif" else file_times
    told = {camera: read([file.path for file in sequence.files]) for camera, sequence in sources.items()}
    if any(len(some) == some.count(None) for some in told.values()):
        return ""
    kind = "EXIF" if rule == "exif" else "file"
    times: dict[str, list[float]] = {}
    for camera, some in told.items():
        if None in some:
            return f"{sources[camera].files[some.index(None)].path.name} of {camera} has no {kind} time"
        found = [moment for moment in some if moment is not None]
        if max(found) - min(found) < SPREAD_S * (len(found) - 1):
            return f"the {kind} times of {camera} are all nearly the same"
        if found != sorted(found):
            return f"the {kind} times of {camera} are in another order than the names"
        times[camera] = found
    first, last = max(min(some) for some in times.values()), min(max(some) for some in times.values())
    shortest = min(max(some) - min(some) for some in times.values())
    if last - first >= max(SHARED * shortest, 1e-9):
        return times
    spans = [f"{camera} {_clock(times[camera][0])} to {_clock(times[camera][-1])}" for camera in times]
    return f"the {kind} times hardly overlap: {', '.join(spans)}; are the clocks set alike?"


def _clock(moment: float) -> str:
    return datetime.fromtimestamp(moment, UTC).strftime("%Y-%m-%d %H:%M")


def _by_time(sources: Mapping[str, FrameSequence], times: Mapping[str, list[float]]) -> tuple[Slot, ...]:
    """One moment for each frame of the longest series, with the frame of each other one that is nearest."""
    longest = max(sources, key=lambda camera: len(sources[camera]))
    slots = []
    for place, moment in enumerate(times[longest]):
        frames = {}
        for camera, sequence in sources.items():
            after = min(bisect.bisect_left(times[camera], moment), len(times[camera]) - 1)
            near = min((max(0, after - 1), after), key=lambda one: abs(times[camera][one] - moment))
            frames[camera] = sequence.files[place if camera == longest else near]
        slots.append(Slot(shot=place + 1, frames=frames, due=frozenset(sources)))
    return tuple(slots)


def _same_numbers(sources: Mapping[str, FrameSequence], plan: Plan | None) -> bool:
    if not all(sequence.numbered for sequence in sources.values()):
        return False
    numbers = [{file.shot for file in sequence.files} for sequence in sources.values()]
    if plan is not None:
        planned = {shot.number for shot in plan.shots}
        return all(len(shots & planned) >= 0.5 * len(shots) for shots in numbers)
    return len(set.intersection(*numbers)) >= 0.8 * min(len(shots) for shots in numbers)


def _by_shot(sources: Mapping[str, FrameSequence], plan: Plan | None) -> tuple[Slot, ...]:
    # a second stop of the same camera stands in only when the first left no frame
    first: dict[str, dict[int, FrameFile]] = {
        camera: {file.shot: file for file in reversed(sequence.files)} for camera, sequence in sources.items()
    }
    if plan is None:
        shots = sorted({shot for files in first.values() for shot in files})
        due = dict.fromkeys(shots, frozenset(sources))
    else:
        due = {
            shot.number: frozenset(camera for stop in shot.stops for camera in stop.cameras)
            & frozenset(sources)
            for shot in plan.shots
        }
    return tuple(
        Slot(
            shot=shot,
            frames={camera: files[shot] for camera, files in first.items() if shot in files},
            due=cameras,
        )
        for shot, cameras in due.items()
    )


def _evenly(sources: Mapping[str, FrameSequence]) -> tuple[Slot, ...]:
    count = max(len(sequence) for sequence in sources.values())
    return tuple(
        Slot(
            shot=place + 1,
            frames={
                camera: sequence.files[place * len(sequence) // count]
                for camera, sequence in sources.items()
                if len(sequence)
            },
            due=frozenset(sources),
        )
        for place in range(count)
    )
