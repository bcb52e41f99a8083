"""What came of a render, as a record and as JSON."""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from twinlapse.frames.grouping import Slot
from twinlapse.records import ArrayRecord
from twinlapse.tracking.stabilise import Track

__all__ = [
    "FilmReport",
    "dropped_files",
    "gain_rows",
    "hidden_files",
    "missing_shots",
    "shift_rows",
    "shot_numbers",
    "spans",
    "together",
    "unsure_files",
]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class FilmReport(ArrayRecord):
    """The film and all that was done to its frames."""

    film: Path
    frames: int
    width: int
    height: int
    fps: float
    seconds: float
    held: int  # frames that were due and are covered by another
    missing: Mapping[str, list[int]]  # camera -> shots of which no frame came
    dropped: tuple[str, ...]  # files that could not be used, and why
    hidden: tuple[str, ...]  # files that are not shown, and why
    unsure: tuple[str, ...]  # files that are moved as their neighbours are: too few of their own tiles agreed
    inset: Mapping[str, Any] | None  # corner of the inset, and the shares of print and change that it hides
    captions: tuple[Mapping[str, Any], ...]  # layer, words and start_s of each that is shown
    paired: str  # by what frames of several cameras were brought together, "" for one camera
    shifts: Mapping[str, list[list[float]]]  # camera -> [shot, dx_px, dy_px, angle_deg, confidence]
    gain: Mapping[str, list[list[float]]]  # camera -> [red, green, blue] for each frame

    def to_json(self) -> dict[str, Any]:
        """Return plain values (see docs/film.md)."""
        return {
            "film": str(self.film),
            "frame_count": self.frames,
            "width": self.width,
            "height": self.height,
            "fps": self.fps,
            "length_s": self.seconds,
            "held_count": self.held,
            "missing": dict(self.missing),
            "dropped": list(self.dropped),
            "hidden": list(self.hidden),
            "unsure": list(self.unsure),
            "inset": None if self.inset is None else dict(self.inset),
            "captions": [dict(caption) for caption in self.captions],
            "paired": self.paired,
            "shifts": dict(self.shifts),
            "gain": dict(self.gain),
        }


def missing_shots(slots: Sequence[Slot], cameras: Iterable[str]) -> dict[str, list[int]]:
    """Return for each camera the shots of which a frame was due and none is there."""
    return {
        camera: [slot.shot for slot in slots if camera in slot.due and camera not in slot.frames]
        for camera in cameras
    }


def spans(numbers: Sequence[int]) -> str:
    """Return numbers as "4, 7 to 9, 12"."""
    runs: list[list[int]] = []
    for number in numbers:
        if runs and number == runs[-1][-1] + 1:
            runs[-1].append(number)
        else:
            runs.append([number])
    return ", ".join(f"{run[0]} to {run[-1]}" if len(run) > 1 else str(run[0]) for run in runs)


def shift_rows(track: Track) -> list[list[float]]:
    """Return [shot, dx_px, dy_px, angle_deg, confidence] of each usable frame."""
    return [
        [
            file.shot,
            round(motion.dx_px, 4),
            round(motion.dy_px, 4),
            round(motion.angle_deg, 5),
            round(motion.confidence, 3),
        ]
        for file, motion, fault in zip(track.files, track.motions, track.faults, strict=True)
        if not fault
    ]


def gain_rows(track: Track) -> list[list[float]]:
    """Return the gain of each usable frame, channel by channel."""
    return [
        [round(float(part), 5) for part in gain]
        for gain, fault in zip(track.gain, track.faults, strict=True)
        if not fault
    ]


def dropped_files(tracks: Mapping[str, Track]) -> tuple[str, ...]:
    """Return "file: why" for each frame that could not be used."""
    return tuple(
        f"{file.path}: {fault}"
        for track in tracks.values()
        for file, fault in zip(track.files, track.faults, strict=True)
        if fault
    )


def together(reasons: Sequence[str]) -> list[str]:
    """Return lines "file: why" with neighbours of one folder and one reason as "first to last (4): why"."""
    lines: list[str] = []
    for (_, why), same in itertools.groupby(reasons, key=_folder_and_reason):
        files = [reason.removesuffix(f": {why}") for reason in same]
        span = files[0] if len(files) == 1 else f"{files[0]} to {Path(files[-1]).name} ({len(files)})"
        lines.append(f"{span}: {why}")
    return lines


def _folder_and_reason(reason: str) -> tuple[Path, str]:
    # what is wrong holds a colon at times, a folder's name hardly ever one with a space behind it
    file, _, why = reason.partition(": ")
    return Path(file).parent, why


def hidden_files(tracks: Mapping[str, Track]) -> tuple[str, ...]:
    """Return "file: why" for each frame that could be read and is not shown."""
    return tuple(
        f"{file.path}: {why}"
        for track in tracks.values()
        for file, why, fault in zip(track.files, track.hidden, track.faults, strict=False)
        if why and not fault
    )


def unsure_files(tracks: Mapping[str, Track]) -> tuple[str, ...]:
    """Return the frames that are shown moved as their neighbours are, their own motion not being known."""
    return tuple(
        str(file.path)
        for track in tracks.values()
        for file, why, borrowed, fault in zip(
            track.files, track.hidden, track.borrowed, track.faults, strict=False
        )
        if borrowed and not why and not fault
    )


def shot_numbers(words: Sequence[str]) -> dict[str, frozenset[int]]:
    """Return shots named as "12", "3,7-9" or "wide:12" by camera; "" stands for every camera.

    Raises
    ------
    ValueError
        naming what is no list of shots.
    """
    found: dict[str, set[int]] = {}
    for word in words:
        camera, colon, listed = word.rpartition(":")
        for part in listed.split(","):
            first, dash, last = part.strip().partition("-")
            if not first.isdecimal() or (dash and not last.isdecimal()):
                raise ValueError(f"{word!r} is not a list of shots: write 12, 3,7-9 or CAMERA:12")
            found.setdefault(camera if colon else "", set()).update(range(int(first), int(last or first) + 1))
    return {camera: frozenset(shots) for camera, shots in found.items()}
