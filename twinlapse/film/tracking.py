"""From what was seen in a camera's frames to what is done to them: motion taken out, light made even."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from twinlapse.film.looking import Looks, Progress, look_at
from twinlapse.frames.sequence import FrameFile
from twinlapse.imaging.groups import body_at, find_bodies
from twinlapse.imaging.light import brightness, changing_foot, gains, steady_weights
from twinlapse.imaging.motion import Float, Motion, fit_map, motion_of, still
from twinlapse.rig.filming import CameraFilming

CERTAIN = 0.35  # below this share of agreeing votes a picture is not moved


@dataclass(frozen=True, slots=True, kw_only=True)
class Track:
    """What is done to one camera's n frames."""

    camera: str
    files: tuple[FrameFile, ...]
    size: tuple[int, int]  # of the camera's pictures
    faults: tuple[str, ...]  # (n,) why a frame cannot be used, "" where it can
    motions: tuple[Motion, ...]  # (n,) as applied
    gain: Float  # (n, 3) as applied

    def usable(self) -> set[Path]:
        """Return the files that can be shown."""
        return {file.path for file, fault in zip(self.files, self.faults, strict=True) if not fault}


def track_camera(
    camera: str,
    files: Sequence[FrameFile],
    filming: CameraFilming,
    progress: Progress | None = None,
    *,
    cache: bool = True,
) -> Track:
    """Measure all frames of a camera and decide what is done to them.

    Raises
    ------
    FrameError
        when none of the frames can be read.
    """
    looks = look_at(camera, files, filming, progress, cache=cache)
    size = (int(looks.size[0]), int(looks.size[1]))
    return Track(
        camera=camera,
        files=tuple(files),
        size=size,
        faults=tuple(str(fault) for fault in looks.faults),
        motions=tuple(_motions(looks, size, filming)),
        gain=_gain(looks, filming),
    )


def _motions(looks: Looks, size: tuple[int, int], filming: CameraFilming) -> list[Motion]:
    """Return the motion of every frame, read off the tiles of the body that is to be held."""
    motions = [still(size) for _ in looks.faults]
    good = np.flatnonzero(looks.faults == "")
    if filming.hold == "off" or not len(looks.centres) or not len(good):
        return motions
    held = held_tiles(looks, good, filming)
    usual = float(np.median((looks.weights[good] * held).sum(axis=1)))
    for place in good:
        weight = looks.weights[place] * held
        matrix, agree = fit_map(looks.centres, looks.shifts[place], weight, filming.model)
        confidence = agree * min(1.0, float(weight.sum()) / max(0.3 * usual, 1e-9))
        sure = confidence >= CERTAIN
        motions[place] = motion_of(matrix, size, confidence) if sure else still(size, confidence)
    return motions


def held_tiles(looks: Looks, good: NDArray[np.int64], filming: CameraFilming) -> NDArray[np.bool_]:
    """Return which tiles belong to the body that is to stand still in the film."""
    weights = looks.weights[good]
    bodies = find_bodies(looks.centres, looks.shifts[good], weights, filming.model)
    count = int(bodies.max(initial=-1)) + 1
    if count < 2:
        return np.asarray(bodies >= 0)
    x, y = changing_foot(looks.blocks[good])
    spot = (x * float(looks.size[0]), y * float(looks.size[1]))
    printed = body_at(bodies, looks.centres, weights.mean(axis=0), spot, 0.2 * float(looks.size[0]))
    if filming.hold != "surroundings":
        return np.asarray(bodies == printed)
    others = [number for number in range(count) if number != printed and (bodies == number).sum() > 2]
    return np.asarray(bodies == (others[0] if others else printed))


def _gain(looks: Looks, filming: CameraFilming) -> Float:
    gain = np.ones((len(looks.faults), 3))
    good = np.flatnonzero(looks.faults == "")
    if len(good) and filming.light != "off":
        blocks = looks.blocks[good]
        ratio, confidence = brightness(blocks, steady_weights(blocks))
        gain[good] = gains(ratio, confidence, filming.light)
    return gain
