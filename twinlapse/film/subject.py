"""What a camera's pictures are about: where the print is over the whole film, and where anything changes."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from twinlapse.arrays import Picture
from twinlapse.film.options import CameraOptions
from twinlapse.imaging.decode import fitted, read_picture
from twinlapse.imaging.light import relight
from twinlapse.imaging.resampling import chain, pane_map, resample, upright_map
from twinlapse.records import ArrayRecord
from twinlapse.rig.film_settings import Box
from twinlapse.tracking.measure import in_order
from twinlapse.tracking.stabilise import Track

__all__ = [
    "COMPACT",
    "LEAST_SHARED",
    "NEAR_FOOT",
    "WIDEST",
    "Subject",
    "changes_of",
    "find_subjects",
    "grown",
    "subject_of",
]

WIDEST = 0.88  # share of the picture above which what changes is a beam that climbs, or all of it
COMPACT = 0.72  # and of its width and height at once
NEAR_FOOT = 0.12  # how far off a projected print the measured foot may be
LEAST_SHARED = 0.4  # of a projected print that must be seen to change
_ACROSS = 64  # blocks of the map of changes
_BEAM = 0.6  # share of a row of blocks
_SAMPLE = 14  # pictures that it is made from
_LEAST_CODES = 14  # a change that shows, of 255
_MARGIN = {"plan": 0.02, "pictures": 0.03}  # shares of the picture: the rig's or the blocks' error


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class Subject(ArrayRecord):
    """What one camera's upright picture is about."""

    box: Box | None  # around the print over the whole film, shares of the picture; None: it is all over
    told: Literal["plan", "pictures", ""]  # by what the box is known
    change: NDArray[np.float32]  # (rows, columns) how much each block changes, its sum 1; zeros where nothing


def find_subjects(
    tracks: Mapping[str, Track], options: Mapping[str, CameraOptions], projected: Mapping[str, Box]
) -> dict[str, Subject]:
    """Return what each camera's pictures are about; `projected` is what plan and rig say."""
    return {
        camera: subject_of(track, options[camera], projected.get(camera)) for camera, track in tracks.items()
    }


def subject_of(track: Track, options: CameraOptions, projected: Box | None) -> Subject:
    """Return what a camera's pictures are about.

    Plan and rig know the print best, if the camera stands where the rig says. The pictures are asked: what
    is seen to change, or its foot, must lie in what was projected. Where it does not, or nothing is planned,
    the box is that around what changes for good.
    """
    change, lasting = changes_of(track, options)
    seen = _box_of(lasting)
    total = float(change.sum())
    share = (change / total if total else change).astype(np.float32)
    riding = track.riding or options.riding
    if projected is not None and (riding or _agrees(track, options, projected, seen)):
        return Subject(box=grown(projected, _MARGIN["plan"]), told="plan", change=share)
    if riding or seen is None:
        return Subject(box=None, told="", change=share)
    # what was there in the first picture is not seen to change, nor what came with the last one
    edge = max(seen[2:]) / max(1, len(track.files) - 1)
    return Subject(box=grown(seen, _MARGIN["pictures"] + edge), told="pictures", change=share)


def grown(box: Box, by: float) -> Box:
    """Return a box with a margin, within the picture."""
    x0, y0 = max(0.0, box[0] - by), max(0.0, box[1] - by)
    x1, y1 = min(1.0, box[0] + box[2] + by), min(1.0, box[1] + box[3] + by)
    return x0, y0, x1 - x0, y1 - y0


def _agrees(track: Track, options: CameraOptions, projected: Box, seen: Box | None) -> bool:
    if seen is None:
        upright, size = upright_map(track.size, options.rotate_deg, options.mirror)
        foot = np.linalg.solve(upright[:, :2], np.array(track.foot_px) - upright[:, 2]) / size
        x, y, width, height = grown(projected, NEAR_FOOT)
        return bool(x <= foot[0] <= x + width and y <= foot[1] <= y + height)
    # what is seen to change may be more than the print, a beam that climbs behind it; not something else
    low = np.maximum(seen[:2], projected[:2])
    high = np.minimum(np.add(seen[:2], seen[2:]), np.add(projected[:2], projected[2:]))
    both = float(np.maximum(0.0, high - low).prod())
    return bool(both > LEAST_SHARED * projected[2] * projected[3])


def changes_of(track: Track, options: CameraOptions) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Return by how many codes each block of a camera's upright picture changes, two maps (rows, columns).

    The first map tells where anything changes: the largest and the smallest value of each block are left out,
    so what is seen in a single one of the pictures, a hand, does not count. The second tells what is there at
    the end and was not at the beginning: a print, but no beam or toolhead on its way. The last two
    pictures are both among those looked at, so that the top of the print counts.
    """
    _, size = upright_map(track.size, options.rotate_deg, options.mirror)
    rows = max(8, round(_ACROSS * size[1] / size[0]))
    usable = track.usable()
    good = [place for place, file in enumerate(track.files) if file.path in usable]
    if len(good) < 4:
        nothing = np.zeros((rows, _ACROSS), np.float32)
        return nothing, nothing
    spread = np.linspace(0, len(good) - 1, min(_SAMPLE, len(good))).round().astype(int)
    places = sorted({*(good[one] for one in spread), *good[:2], *good[-2:]})
    blocks = np.stack(list(in_order(lambda place: _blocks(track, options, place, rows), places)))
    ordered = np.sort(blocks, axis=0)
    ends = np.abs(blocks[-2:, None] - blocks[None, :2]).max(axis=-1).min(axis=(0, 1))
    return _shown((ordered[-2] - ordered[1]).max(axis=2)), _settled(_shown(ends), blocks[0], blocks[-1])


def _settled(
    lasting: NDArray[np.float32], first: NDArray[np.float32], last: NDArray[np.float32]
) -> NDArray[np.float32]:
    """Return a map without what stood lower first and stands higher last: a beam and its toolhead."""
    best = np.zeros(lasting.shape, bool)
    change = np.abs(last - first).mean(axis=2)
    for up in range(1, len(lasting)):
        apart = np.abs(first[up:] - last[:-up]).mean(axis=2)
        same = (lasting[up:] > 0) & (lasting[:-up] > 0)
        same &= apart < 0.5 * np.minimum(change[up:], change[:-up])
        if 2 * np.count_nonzero(same) > np.count_nonzero(best):
            best[:] = False
            best[up:] |= same
            best[:-up] |= same
    return np.where(best, np.float32(0), lasting)


def _shown(change: NDArray[np.float32]) -> NDArray[np.float32]:
    """Return changes that show, zeros where there is only noise, and light that was not wholly evened."""
    floor = float(np.median(change))
    return np.where(change > max(_LEAST_CODES, 4 * floor), change - floor, 0.0).astype(np.float32)


def _blocks(track: Track, options: CameraOptions, place: int, rows: int) -> NDArray[np.float32]:
    """Return the mean colours of the blocks of a frame, held still and evenly lit."""
    width, height = track.size
    by = next((by for by in (8, 4, 2) if min(width, height) / by >= 120), 1)
    small: Picture = read_picture(track.files[place].path, reduce=by)
    size = (-(-width // by), -(-height // by))
    same = fitted(small, size)
    small = small if same is None else same
    upright, turned = upright_map(track.size, options.rotate_deg, options.mirror)
    out = (_ACROSS * 3, rows * 3)
    down = pane_map((0, 0, width, height), size)  # small pixels -> those of the camera
    onto = np.linalg.inv(np.vstack([down, [0, 0, 1]]))[:2]
    whole = pane_map((0, 0, *turned), out)
    laid = resample(small, chain(onto, track.motions[place].matrix, upright, whole), out)
    lit = relight(laid, track.light(place))
    return np.asarray(cv2.resize(lit, (_ACROSS, rows), interpolation=cv2.INTER_AREA), np.float32)


def _box_of(lasting: NDArray[np.float32]) -> Box | None:
    """Return the box around what is there in the end, as shares; None where nothing is or it is all over.

    Rows that change nearly all across are where a beam stood first and stands last; they belong to the box
    where they adjoin it.
    """
    rows, columns = lasting.shape
    mask = lasting > 0
    beam = mask.mean(axis=1) > _BEAM
    mask = mask & ~beam[:, None]
    count, label, stats, _ = cv2.connectedComponentsWithStats(mask.astype(np.uint8), connectivity=8)
    if count < 2:
        return None
    areas = stats[1:, cv2.CC_STAT_AREA]
    large = 1 + np.flatnonzero(areas >= max(4, 0.25 * areas.max()))
    down, across = np.nonzero(np.isin(label, large))
    if not len(down):
        return None
    top, bottom = int(down.min()), int(down.max()) + 1
    while top > 0 and beam[top - 1]:
        top -= 1
    while bottom < rows and beam[bottom]:
        bottom += 1
    x0, x1 = across.min() / columns, (across.max() + 1) / columns
    y0, y1 = top / rows, bottom / rows
    if x1 - x0 > WIDEST or min(x1 - x0, y1 - y0) > COMPACT:
        return None
    return float(x0), float(y0), float(x1 - x0), float(y1 - y0)
