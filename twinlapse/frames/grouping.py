"""Which frames of the cameras belong together: by shot where shots are known, else spread evenly."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from twinlapse.errors import FrameError
from twinlapse.frames.sequence import FrameFile, FrameSequence
from twinlapse.shots import Plan

__all__ = ["Rule", "Slot", "pair"]

Rule = Literal["auto", "shot", "evenly"]


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
    meet by their numbers when all names are numbers and most of them occur at every camera; else the shorter
    sequences are spread evenly over the longest.

    Raises
    ------
    FrameError
        when there are no frames, or frames are to meet by shot and their names are no numbers.
    """
    if not any(len(sequence) for sequence in sources.values()):
        raise FrameError("there are no frames", "name a folder with pictures")
    if rule == "shot" and not all(sequence.numbered for sequence in sources.values()):
        raise FrameError("frames cannot meet by shot: their names are no numbers", "pair them evenly")
    by_shot = rule == "shot" or (rule == "auto" and _same_numbers(sources, plan))
    return _by_shot(sources, plan) if by_shot else _evenly(sources)


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
