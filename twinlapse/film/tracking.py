"""The first pass: every frame of a camera is read once, and its motion and its light are measured."""

from __future__ import annotations

from collections import Counter, deque
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import TypeVar

import cv2
import numpy as np
from numpy.typing import NDArray

from twinlapse.errors import FrameError
from twinlapse.frames.sequence import FrameFile
from twinlapse.imaging.decode import Picture, picture_size, read_picture
from twinlapse.imaging.groups import body_at, find_bodies
from twinlapse.imaging.light import Blocks, brightness, changing_foot, gains, light_blocks, steady_weights
from twinlapse.imaging.motion import Float, Motion, fit_map, motion_of, still
from twinlapse.imaging.registration import Reference, Votes, make_reference, measure, vote_weights
from twinlapse.rig.filming import Box, CameraFilming

WORKERS = 2
CERTAIN = 0.35  # below this share of agreeing votes a picture is not moved

T = TypeVar("T")
R = TypeVar("R")
Progress = Callable[[float], None]


@dataclass(frozen=True, slots=True, kw_only=True)
class Track:
    """What was measured of one camera's n frames."""

    camera: str
    files: tuple[FrameFile, ...]
    size: tuple[int, int]  # of the camera's pictures
    faults: tuple[str, ...]  # (n,) why a frame cannot be used, "" where it can
    motions: tuple[Motion, ...]  # (n,) as applied
    gain: Float  # (n, 3) as applied

    def usable(self) -> set[Path]:
        """Return the files that can be shown."""
        return {file.path for file, fault in zip(self.files, self.faults, strict=True) if not fault}


@dataclass(frozen=True, slots=True, kw_only=True)
class _Look:
    votes: Votes | None
    blocks: Blocks | None
    fault: str = ""


def track_camera(
    camera: str, files: Sequence[FrameFile], filming: CameraFilming, progress: Progress | None = None
) -> Track:
    """Measure all frames of a camera against one of them.

    Raises
    ------
    FrameError
        when none of the frames can be read.
    """
    size, sizes = _common_size(files)
    first = _reference_frame(files, sizes, size)
    reference = make_reference(_grey(first), ignore=_ignored(size, filming))
    measure_motion = filming.hold != "off"

    def look(item: tuple[FrameFile, tuple[int, int] | None]) -> _Look:
        try:
            picture = read_picture(item[0].path)
        except FrameError as error:
            return _Look(votes=None, blocks=None, fault=error.what)
        if (picture.shape[1], picture.shape[0]) != size:
            there = f"{picture.shape[1]} x {picture.shape[0]}"
            return _Look(
                votes=None, blocks=None, fault=f"it is {there} and the others are {size[0]} x {size[1]}"
            )
        votes = measure(reference, _grey(picture), filming.model) if measure_motion else None
        return _Look(votes=votes, blocks=light_blocks(picture))

    looks = []
    for done, found in enumerate(in_order(look, zip(files, sizes, strict=True)), 1):
        looks.append(found)
        if progress is not None:
            progress(done / len(files))
    return Track(
        camera=camera,
        files=tuple(files),
        size=size,
        faults=tuple(found.fault for found in looks),
        motions=tuple(_motions(reference, looks, filming)),
        gain=_gain(looks, filming),
    )


def in_order(
    work: Callable[[T], R], items: Iterable[T], *, workers: int = WORKERS, ahead: int = 4
) -> Iterator[R]:
    """Yield ``work(item)`` in the order of the items, worked on by threads that run a few items ahead."""
    with ThreadPoolExecutor(workers) as pool:
        waiting: deque[Future[R]] = deque()
        for item in items:
            waiting.append(pool.submit(work, item))
            if len(waiting) >= workers + ahead:
                yield waiting.popleft().result()
        while waiting:
            yield waiting.popleft().result()


def _common_size(
    files: Sequence[FrameFile],
) -> tuple[tuple[int, int], list[tuple[int, int] | None]]:
    sizes = [picture_size(file.path) for file in files]
    known = Counter(size for size in sizes if size is not None)
    if not known:
        raise FrameError(
            "none of these frames can be read", "name a folder with whole pictures", path=files[0].path.parent
        )
    return known.most_common(1)[0][0], sizes


def _reference_frame(
    files: Sequence[FrameFile], sizes: list[tuple[int, int] | None], size: tuple[int, int]
) -> Picture:
    """Return the whole frame nearest to the middle: half of the print is there and half is still to come."""
    middle = len(files) // 2
    for place in sorted(range(len(files)), key=lambda place: abs(place - middle)):
        if sizes[place] != size:
            continue
        try:
            return read_picture(files[place].path)
        except FrameError:
            continue
    raise FrameError(
        "none of these frames can be read", "name a folder with whole pictures", path=files[0].path.parent
    )


def _grey(picture: Picture) -> Picture:
    return np.asarray(cv2.cvtColor(picture, cv2.COLOR_RGB2GRAY), dtype=np.uint8)


def _ignored(size: tuple[int, int], filming: CameraFilming) -> Picture | None:
    if not filming.ignore and filming.region is None:
        return None
    mask = np.zeros((size[1], size[0]), np.uint8)
    if filming.region is not None:
        mask[:] = 1
        mask[_part(filming.region, size)] = 0
    for box in filming.ignore:
        mask[_part(box, size)] = 1
    return mask


def _part(box: Box, size: tuple[int, int]) -> tuple[slice, slice]:
    x, y, width, height = box
    return (
        slice(round(y * size[1]), round((y + height) * size[1])),
        slice(round(x * size[0]), round((x + width) * size[0])),
    )


def _motions(reference: Reference, looks: Sequence[_Look], filming: CameraFilming) -> list[Motion]:
    """Return the motion of every frame, read off the tiles of the body that is to be held."""
    motions = [still(reference.size) for _ in looks]
    measured = {place: found.votes for place, found in enumerate(looks) if found.votes is not None}
    if not measured or not len(reference.corners):
        return motions
    shifts = np.stack([votes.shifts for votes in measured.values()])
    weights = np.stack([vote_weights(votes) for votes in measured.values()])
    held = held_tiles(reference, shifts, weights, _spot(looks, reference.size), filming)
    usual = float(np.median((weights * held).sum(axis=1)))
    for place, way, weight in zip(measured, shifts, weights * held, strict=True):
        matrix, agree = fit_map(reference.centres, way, weight, filming.model)
        confidence = agree * min(1.0, float(weight.sum()) / max(0.3 * usual, 1e-9))
        if confidence < CERTAIN:
            motions[place] = still(reference.size, confidence)
        else:
            motions[place] = motion_of(matrix, reference.size, confidence)
    return motions


def held_tiles(
    reference: Reference, shifts: Float, weights: Float, spot: tuple[float, float], filming: CameraFilming
) -> NDArray[np.bool_]:
    """Return which tiles belong to the body that is to stand still in the film."""
    centres = reference.centres
    bodies = find_bodies(centres, shifts, weights, filming.model)
    count = int(bodies.max(initial=-1)) + 1
    if count < 2:
        return np.asarray(bodies >= 0)
    printed = body_at(bodies, centres, weights.mean(axis=0), spot, 0.2 * reference.size[0])
    if filming.hold != "surroundings":
        return np.asarray(bodies == printed)
    others = [number for number in range(count) if number != printed and (bodies == number).sum() > 2]
    return np.asarray(bodies == (others[0] if others else printed))


def _spot(looks: Sequence[_Look], size: tuple[int, int]) -> tuple[float, float]:
    """Return where the print stands in the picture: the foot of what changes most."""
    blocks = [found.blocks for found in looks if found.blocks is not None]
    x, y = changing_foot(np.stack(blocks))
    return x * size[0], y * size[1]


def _gain(looks: Sequence[_Look], filming: CameraFilming) -> Float:
    gain = np.ones((len(looks), 3))
    measured = {place: found.blocks for place, found in enumerate(looks) if found.blocks is not None}
    places = list(measured)
    if not places or filming.light == "off":
        return gain
    blocks = np.stack(list(measured.values()))
    ratio, confidence = brightness(blocks, steady_weights(blocks))
    gain[places] = gains(ratio, confidence, filming.light)
    return gain
