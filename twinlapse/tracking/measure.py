"""The first pass over the frames of a camera: each is read once, its tiles and its light are measured."""

from __future__ import annotations

import contextlib
from collections import Counter, deque
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import Executor, Future, ThreadPoolExecutor
from dataclasses import replace
from typing import TypeVar

import cv2
import numpy as np
from numpy.typing import NDArray

from twinlapse.arrays import Float, Picture, Progress
from twinlapse.errors import FrameError
from twinlapse.files import sweep
from twinlapse.frames.sequence import FrameFile
from twinlapse.imaging.decode import fitted, picture_size, read_picture
from twinlapse.imaging.light import (
    ACROSS,
    DOWN,
    Blocks,
    Level,
    SmallPicture,
    blocks_of,
    brightness,
    common_level,
    likeness,
    small_picture,
    tone_of,
)
from twinlapse.imaging.overexposed import usual_codes, white_codes
from twinlapse.imaging.plain_parts import PlainParts, curve_of, plain_parts
from twinlapse.imaging.references import References, choose_references
from twinlapse.imaging.rigid_body import Rigid, enlarged, find_rigid
from twinlapse.imaging.rooms import room
from twinlapse.imaging.tone_curve import ToneCurve
from twinlapse.imaging.tracking_tiles import choose_gauges
from twinlapse.rig.film_settings import CameraFilming
from twinlapse.tracking.measurements import Looks, keep, key_of, read_kept

__all__ = [
    "AT_ONCE",
    "LIGHT_SAMPLE",
    "SAMPLE",
    "SHARPER",
    "TOLD",
    "WORKERS",
    "grey_of",
    "in_order",
    "look_at",
    "read_sized",
    "reduction",
]

WORKERS = 2
AT_ONCE = 8  # pictures measured together: what is done to columns costs as little for eight as for one
TOLD = 100  # letters of what is wrong with a frame
LIGHT_SAMPLE = 64  # pictures at least by which the light of the film is known, where it has as many
SAMPLE = 10  # pictures looked at before all others, to choose what to measure by
SHARPER = 1.2  # detail over that of the middle picture, from which on another is the reference
_MOSTLY = 0.8  # share of the sample in which the scene must be known again to be what is held

T = TypeVar("T")
R = TypeVar("R")


def in_order(
    work: Callable[[T], R], items: Iterable[T], *, pool: Executor | None = None, ahead: int = 4
) -> Iterator[R]:
    """Yield ``work(item)`` in the order of the items, worked on by threads that run a few items ahead.

    `pool` may be shared by several who iterate at the same time; without it there is one for this call.
    """
    with contextlib.ExitStack() as held:
        threads = pool or held.enter_context(ThreadPoolExecutor(WORKERS))
        waiting: deque[Future[R]] = deque()
        for item in items:
            waiting.append(threads.submit(work, item))
            if len(waiting) >= WORKERS + ahead:
                yield waiting.popleft().result()
        while waiting:
            yield waiting.popleft().result()


def look_at(
    camera: str,
    files: Sequence[FrameFile],
    filming: CameraFilming,
    progress: Progress | None = None,
    *,
    cache: bool = True,
    pool: Executor | None = None,
    hold_scene: bool = True,
) -> Looks:
    """Measure all frames of a camera, or read what was measured before.

    Parameters
    ----------
    hold_scene : bool
        Whether what is behind a rigid body may be what is held, where a few pictures speak for it.

    Raises
    ------
    FrameError
        when none of the frames can be read.
    """
    kept = files[0].path.parent / f".twinlapse-{camera}{'' if hold_scene else '-body'}.npz"
    sweep(kept)
    key = key_of(files, filming)
    looks = read_kept(kept, key) if cache else None
    if looks is None:
        looks = _look_at_all(files, filming, progress, pool, hold_scene=hold_scene)
        if cache:
            keep(kept, key, looks)
    return looks


def _look_at_all(
    files: Sequence[FrameFile],
    filming: CameraFilming,
    progress: Progress | None,
    pool: Executor | None,
    *,
    hold_scene: bool = True,
) -> Looks:
    size, sizes = _common_size(files)
    by = reduction(size[0])
    places, sample = _sample(files, sizes, size, by)
    rigid = None if filming.hold == "off" else find_rigid([grey_of(picture) for picture in sample])
    if rigid is not None:
        filming = replace(filming, ignore=(*filming.ignore, *rigid.boxes()))
    scene = rigid is None or (hold_scene and _known_again(sample, size, by, filming))
    some = len(sample) if scene else 1
    references = choose_references(sample[:some], places[:some], size, by, filming)
    del sample
    looks = _empty(len(files), size, references, scene=scene)
    if rigid is not None and not scene:
        looks.lit[:] = rigid.covers(ACROSS, DOWN) > 0.9  # what is behind it never stays the same

    def look(places: Sequence[int]) -> list[SmallPicture]:
        pictures = _read(files, places, size, by, looks)
        greys = {place: grey_of(picture) for place, picture in pictures.items()}
        for place, grey in greys.items():
            looks.tone[place] = tone_of(pictures[place], grey)
        laid = _measure(looks, references, greys, filming) if scene else {}
        if rigid is not None:
            bodies = _read_body(looks, rigid, greys, by)
            laid = laid if scene else bodies
        return [small_picture(picture, laid.get(place)) for place, picture in pictures.items()]

    return _in_turn(look, looks, progress, pool)


def _read(
    files: Sequence[FrameFile], places: Sequence[int], size: tuple[int, int], by: int, looks: Looks
) -> dict[int, Picture]:
    """Return the pictures that can be read; write down what is wrong with the others.

    They lie in this thread's memory until it reads others.
    """
    pictures = {}
    shape = (-(-size[1] // by), -(-size[0] // by), 3)
    for number, place in enumerate(places):
        try:
            pictures[place] = read_sized(files[place], size, by, room(("read", number, shape), shape))
        except FrameError as error:
            looks.faults[place] = error.what[:TOLD]
    return pictures


def _read_body(looks: Looks, rigid: Rigid, greys: Mapping[int, Picture], by: int) -> dict[int, Float]:
    """Write down how a rigid body lies in some pictures; return its maps to them, reduced as they are."""
    found = {}
    for place, grey in greys.items():
        found[place], looks.body_sure[place] = rigid.read(grey)
        looks.body[place] = enlarged(found[place], by)
    return found


def _in_turn(
    look: Callable[[Sequence[int]], list[SmallPicture]],
    looks: Looks,
    progress: Progress | None,
    pool: Executor | None,
) -> Looks:
    """Look at all frames: first at some all over the film, which tell what their light is compared with.

    Only the light of those is kept, so that a long film needs no more memory than a short one.
    """
    count = len(looks.faults)
    first = np.arange(0, count, max(1, count // LIGHT_SAMPLE))
    rest = np.setdiff1d(np.arange(count), first)

    def tell(done: int) -> None:
        if progress is not None:
            progress(min(1.0, done * AT_ONCE / count))

    def compare(places: Sequence[int]) -> None:
        codes = look(places)
        good = _light_of(looks, places, _blocks(codes, curve), level)
        looks.white[good] = _whites(codes, usual, looks.ratio[good])
        if parts is not None:
            for place, small in zip(good, codes, strict=True):
                left[place] = parts.left(*parts.seen(small, looks.ratio[place]))

    def begin(places: Sequence[int]) -> tuple[list[SmallPicture], Blocks]:
        codes = look(places)
        return codes, _blocks(codes)

    seen: list[tuple[list[SmallPicture], Blocks]] = []
    # all at once: what one camera does at the end alone, others go on beside
    for done, some in enumerate(in_order(begin, _groups(first), pool=pool, ahead=len(first)), 1):
        seen.append(some)
        tell(done)
    sample = [small for codes, _ in seen for small in codes]
    blocks = np.concatenate([own for _, own in seen])
    level = common_level(blocks, looks.lit)
    curve = curve_of(sample, blocks, level)
    looks.curve[:] = curve.above
    if not curve.is_srgb:
        again = in_order(lambda one: (one[0], _blocks(one[0], curve)), seen, pool=pool)
        seen = list(again)
        blocks = np.concatenate([own for _, own in seen])
        level = common_level(blocks, looks.lit)
    parts = plain_parts(sample, blocks, level, curve)
    at = np.zeros(0, np.int64) if parts is None else parts.blocks
    left = np.zeros((count, len(at), 3), np.int8)
    good = _light_of(looks, first.tolist(), blocks, level)
    usual = usual_codes(sample, looks.ratio[good])
    looks.white[good] = _whites(sample, usual, looks.ratio[good])
    if parts is not None:
        parts, left[good] = _told_by(sample, looks.ratio[good], parts, pool)
    ended = len(_groups(first))
    for more, _ in enumerate(in_order(compare, _groups(rest), pool=pool), 1):
        tell(ended + more)
    return replace(looks, plain=at, left=left)


def _light_of(looks: Looks, places: Sequence[int], blocks: Blocks, level: Level) -> list[int]:
    """Write down the light of those pictures that can be read, and return their places."""
    good = [place for place in places if not looks.faults[place]]
    if good:
        looks.ratio[good], looks.ratio_sure[good] = brightness(blocks, level)
        looks.alike[good] = likeness(blocks, level)
    return good


def _told_by(
    sample: Sequence[SmallPicture], ratio: Float, parts: PlainParts, pool: Executor | None
) -> tuple[PlainParts, NDArray[np.int8]]:
    """Return plain parts with their usual codes, and by how much they are too high in each of the sample."""

    def look(places: Sequence[int]) -> list[tuple[NDArray[np.float32], Float]]:
        return [parts.seen(sample[place], ratio[place]) for place in places]

    seen = [one for some in in_order(look, _groups(np.arange(len(sample))), pool=pool) for one in some]
    known = parts.known_by(np.stack([even for _, even in seen]))
    return known, np.stack([known.left(*one) for one in seen])


def _whites(codes: Sequence[SmallPicture], usual: NDArray[np.float32] | None, ratio: Float) -> Float:
    """Return at which codes the white of some pictures is shown, (n, 3): only too bright ones are asked."""
    white = np.full((len(codes), 3), 255.0)
    if usual is None:
        return white
    for place in np.flatnonzero(ratio.max(axis=1) > 1).tolist():
        white[place] = white_codes(codes[place], usual)
    return white


def _groups(places: NDArray[np.int64]) -> list[list[int]]:
    return [places[start : start + AT_ONCE].tolist() for start in range(0, len(places), AT_ONCE)]


def _blocks(codes: Sequence[SmallPicture], curve: ToneCurve | None = None) -> Blocks:
    some = [blocks_of(small, curve) for small in codes]
    return np.stack(some) if some else np.zeros((0, DOWN, ACROSS, 3), np.float32)


def _measure(
    looks: Looks, references: References, greys: Mapping[int, Picture], filming: CameraFilming
) -> dict[int, Float]:
    """Write down how the tiles of some pictures lie; return the maps to those that a reference is sure of."""
    laid: dict[int, Float] = {}
    known = {place: set(references.at(place).tolist()) for place in greys}
    for number, gauges in enumerate(references.gauges):
        rows = [place for place in greys if number in known[place]]
        if not rows:
            continue
        shifts, weights, matrices, sure, blur = gauges.read([greys[row] for row in rows], filming.model)
        if filming.hold != "off":
            own = np.ix_(np.array(rows), np.flatnonzero(looks.part == number))
            looks.shifts[own], looks.weights[own] = shifts, weights
            looks.blur[rows] = np.where(sure, blur, looks.blur[rows])
        for row, matrix in zip(np.array(rows)[sure], matrices[sure], strict=True):
            laid.setdefault(int(row), matrix)
    return laid


def _known_again(sample: Sequence[Picture], size: tuple[int, int], by: int, filming: CameraFilming) -> bool:
    """Whether what is behind a rigid body stays enough what it is to be held."""
    gauges = choose_gauges(sample, size, by, filming)
    sure = gauges.read([grey_of(picture) for picture in sample[1:]], filming.model)[3]
    return float(sure.mean()) >= _MOSTLY


def _empty(count: int, size: tuple[int, int], references: References, *, scene: bool) -> Looks:
    gauges, part = references.gauges, references.part
    return Looks(
        size=np.array(size),
        foot=np.array(gauges[0].foot),
        centres=np.concatenate([some.centres for some in gauges]),
        part=part,
        coarse=np.concatenate([np.arange(len(some.centres)) < len(some.coarse) for some in gauges]),
        shifts=np.zeros((count, len(part), 2), np.float32),
        weights=np.zeros((count, len(part)), np.float32),
        tone=np.zeros((count, 4)),
        curve=np.array(ToneCurve().above),
        alike=np.ones(count),
        blur=np.zeros(count),
        body=np.repeat(np.eye(3)[None, :2], count, axis=0),
        body_sure=np.zeros(count),
        scene=np.array(scene),
        lit=np.ones((DOWN, ACROSS)),
        ratio=np.ones((count, 3)),
        plain=np.zeros(0, np.int64),
        left=np.zeros((count, 0, 3), np.int8),
        white=np.full((count, 3), 255.0),
        ratio_sure=np.zeros(count),
        faults=np.zeros(count, dtype=f"U{TOLD}"),
    )


def reduction(width_px: int) -> int:
    """Return by how much pictures of this width are reduced for measuring: some 1000 px tell enough."""
    return 1 if width_px < 1600 else 2 if width_px < 3200 else 4


def _sample(
    files: Sequence[FrameFile], sizes: list[tuple[int, int] | None], size: tuple[int, int], by: int
) -> tuple[list[int], list[Picture]]:
    """Return some whole pictures spread over the film and their places, the one nearest to its middle first.

    In the middle half of the print is there and half is still to come: that makes the best reference.
    """
    wanted = np.linspace(0, len(files) - 1, min(len(files), SAMPLE)).round().astype(int)
    middle = len(files) // 2
    order = sorted(range(len(files)), key=lambda place: abs(place - middle))

    def read(place: int) -> Picture | None:
        if sizes[place] != size:
            return None
        with contextlib.suppress(FrameError):
            return read_sized(files[place], size, by)
        return None

    first = next((place for place in order if read(place) is not None), None)
    if first is None:
        raise _nothing_readable(files)
    chosen = [first, *(int(place) for place in wanted if place != first)]
    pairs = zip(chosen, in_order(read, chosen), strict=True)
    found = [(place, picture) for place, picture in pairs if picture is not None]
    near = [rank for rank, (place, _) in enumerate(found) if abs(place - middle) <= len(files) / 4]
    if len(near) > 1:
        # a reference that moved while it was exposed would be held against all sharp frames
        detail = [_detail(found[rank][1]) for rank in near]
        best = int(np.argmax(detail))
        if detail[best] > SHARPER * detail[0]:
            found.insert(0, found.pop(near[best]))
    return [place for place, _ in found], [picture for _, picture in found]


def _detail(picture: Picture) -> float:
    return float(cv2.Laplacian(grey_of(picture), cv2.CV_32F).std())


def read_sized(file: FrameFile, size: tuple[int, int], by: int = 1, room: Picture | None = None) -> Picture:
    """Return the picture of a file, reduced, at the size of its fellows; refuse one of another shape.

    `room` is memory that it may lie in.
    """
    picture = read_picture(file.path, reduce=by, room=room)
    found = fitted(picture, (-(-size[0] // by), -(-size[1] // by)))
    if found is None:
        there = f"{picture.shape[1] * by} x {picture.shape[0] * by}"
        raise FrameError(
            f"it is {there} and the others are {size[0]} x {size[1]}, another shape", path=file.path
        )
    return found


def grey_of(picture: Picture) -> Picture:
    """Return the luma of a picture."""
    return np.asarray(cv2.cvtColor(picture, cv2.COLOR_RGB2GRAY), dtype=np.uint8)


def _common_size(
    files: Sequence[FrameFile],
) -> tuple[tuple[int, int], list[tuple[int, int] | None]]:
    sizes = [picture_size(file.path) for file in files]
    known = Counter(size for size in sizes if size is not None)
    if not known:
        raise _nothing_readable(files)
    return known.most_common(1)[0][0], sizes


def _nothing_readable(files: Sequence[FrameFile]) -> FrameError:
    unread = all(file.path.suffix.lower() in (".heic", ".heif") for file in files)
    hint = "pip install pillow-heif, which reads HEIC" if unread else "name a folder with whole pictures"
    return FrameError("none of these frames can be read", hint, path=files[0].path.parent)
