"""When nothing moves in a recording: small grey pictures in, standstills out."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from twinlapse.pairing.stop_matching import Standstill

SIZE_PX = (160, 120)  # width, height of the pictures looked at
_BLOCK_PX = 4
_LOOK_BLOCK_PX = 8  # 300 bytes of each picture are kept, 0.1 GB of ten hours
_TOP_SHARE = 0.02  # the head is a small part of what a wide camera sees


def motion_between(before: NDArray[np.uint8], after: NDArray[np.uint8]) -> float:
    """How much the most moved fiftieth of the picture changed, in grey levels of block means.

    The means of blocks are nearly free of noise, and the change that all blocks share (a lamp that flickers,
    an exposure that drifts) is taken out.
    """
    change = _blocks(after) - _blocks(before)
    change = np.abs(change - np.median(change)).ravel()
    count = max(1, int(_TOP_SHARE * change.size))
    return float(np.partition(change, -count)[-count:].mean())


@dataclass(frozen=True, slots=True, kw_only=True)
class Watched:
    """What was seen of a recording."""

    time_s: NDArray[np.float64]  # (k,) of every picture but the first
    motion: NDArray[np.float64]  # (k,) since the picture before
    looks: NDArray[np.uint8]  # (k, pixels) the pictures, tiny


def watch(pictures: Iterable[tuple[float, NDArray[np.uint8]]]) -> Watched:
    """Return time, motion and look of every picture but the first.

    Parameters
    ----------
    pictures : iterable of (time in s, ndarray of shape (height, width))
    """
    times, motions, looks = [], [], []
    before: NDArray[np.uint8] | None = None
    for time_s, picture in pictures:
        if before is not None:
            times.append(time_s)
            motions.append(motion_between(before, picture))
            looks.append(_blocks(picture, _LOOK_BLOCK_PX).round().astype(np.uint8).ravel())
        before = picture
    return Watched(time_s=np.array(times), motion=np.array(motions), looks=np.array(looks))


def measure(
    pictures: Iterable[tuple[float, NDArray[np.uint8]]],
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return time and motion of every picture but the first, as `watch` does."""
    watched = watch(pictures)
    return watched.time_s, watched.motion


def looks_of(watched: Watched, found: list[Standstill]) -> NDArray[np.float32]:
    """Return the median look of every standstill, free of how bright the light is; shape (m, pixels)."""
    looks = np.zeros((len(found), watched.looks.shape[1]), dtype=np.float32)
    for number, still in enumerate(found):
        # a sample at the start shows the end of a motion
        first, last = np.searchsorted(watched.time_s, (still.start_s + 1e-6, still.end_s + 1e-6))
        own = watched.looks[first : max(last, first + 1)].astype(np.float32)
        looks[number] = np.median(100.0 * own / np.maximum(1.0, own.mean(axis=1, keepdims=True)), axis=0)
    return looks


def find_standstills(
    time_s: NDArray[np.float64], motion: NDArray[np.float64], shortest_s: float
) -> list[Standstill]:
    """Return the whiles of at least `shortest_s` in which motion stays at the level of noise.

    Single samples a little above it do not part a standstill; a single one of the size of usual motion does:
    the machine hurried to another place between two pictures.
    """
    if len(motion) < 4:
        return []
    measured, level = _measured(motion), still_level(motion)
    still = measured < level
    small = measured[1:-1] < max(level, float(np.median(measured)))
    still[1:-1] |= still[:-2] & still[2:] & small
    edges = np.flatnonzero(np.diff(np.concatenate([[False], still, [False]]).astype(np.int8)))
    # sample k compares picture k with the one before it: a run of still samples began one picture earlier
    period_s = float(np.median(np.diff(time_s)))
    runs = [(time_s[a] - period_s, time_s[b - 1]) for a, b in zip(edges[::2], edges[1::2], strict=True)]
    return [
        Standstill(start_s=float(start), end_s=float(end)) for start, end in runs if end - start >= shortest_s
    ]


def _measured(motion: NDArray[np.float64]) -> NDArray[np.float64]:
    """Give a repeated picture the motion of the next that is none: it tells nothing about the machine."""
    place = np.where(motion > 1e-9, np.arange(len(motion)), len(motion) - 1)
    following: NDArray[np.float64] = motion[np.minimum.accumulate(place[::-1])[::-1]]
    return following


def still_level(motion: NDArray[np.float64]) -> float:
    """The motion below which a sample is still: between the floor of noise and what printing shows."""
    moving = motion[motion > 1e-9]  # a repeated picture is no measurement of noise
    if moving.size == 0:
        return 1.0
    floor, usual = np.quantile(moving, (0.01, 0.5))
    return float(max(1.6 * floor, np.sqrt(floor * usual)))


def _blocks(picture: NDArray[np.uint8], side_px: int = _BLOCK_PX) -> NDArray[np.float32]:
    height, width = (side - side % side_px for side in picture.shape)
    cut = picture[:height, :width].reshape(height // side_px, side_px, width // side_px, side_px)
    means: NDArray[np.float32] = cut.mean(axis=(1, 3), dtype=np.float32)
    return means
