"""Which part of a camera's picture a pane shows: all of the print at every moment, clear of words and inset.

A pane is seen through a window of its own shape in the upright picture. The window is the closest one that
holds the whole print in the free part of the pane; where the shape allows none, the pane is made smaller, so
that the print is never cut.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from twinlapse.arrays import Float
from twinlapse.film.layout import Box, Pane
from twinlapse.film.options import CameraOptions
from twinlapse.film.pane import trim_of
from twinlapse.film.subject import Subject
from twinlapse.imaging.resampling import upright_map
from twinlapse.rig.film_settings import Box as Part
from twinlapse.rig.film_settings import CameraFilming
from twinlapse.tracking.stabilise import Track

__all__ = ["CLOSEST", "FOOT_AT", "MOST_BELOW", "ROOM", "Framing", "framed"]

# how far down the free part of a pane the foot of the print stands at best (common practice, no source)
FOOT_AT = 0.78
ROOM = 1.7  # the window is this much larger than the print, where the picture has it
CLOSEST = 2.4  # how far a window closes in by itself
_UPSCALE = 1.5  # film pixels for one of the camera at most: more shows nothing new
_STEPS = 24
MOST_BELOW = 0.02  # of all changes may lie under words where the print is not known


@dataclass(frozen=True, slots=True, kw_only=True)
class Framing:
    """How one pane shows its camera."""

    pane: Pane  # smaller than in the layout where its shape would have cut the print
    options: CameraOptions  # with the part of the picture that is seen
    clear: bool = True  # the print lies where neither words nor an inset cover it


def framed(
    track: Track,
    options: CameraOptions,
    pane: Pane,
    subject: Subject | None,
    free: tuple[Box, ...],
    *,
    fit: str = "fill",
    avoid: Box | None = None,
) -> Framing:
    """Return how a pane shows its camera. What the maker has set stays.

    Parameters
    ----------
    free : tuple of Box
        Parts of the pane, in pixels of the film, over which nothing lies; the first in which the print has
        room is taken, best first.
    avoid : Box, optional
        What lies on the pane where none of these parts has room: as little of the print as can be lies below.
    fit : {"fill", "fit", "cut"}
        Fill the pane but never cut the print, show the whole picture, or fill whatever it costs.
    """
    filming = options.filming
    if filming.crop != "auto" or filming.focus != CameraFilming().focus or fit == "fit":
        return Framing(pane=pane, options=options)
    riding = options.riding or track.riding
    picture = _picture(track, options)
    at = _foot(track, options)
    if subject is None or subject.box is None:
        part = _around(at, picture, pane, free[-1], riding=riding)
        if _below(part, free[-1], pane, subject, track, options) > MOST_BELOW:
            pane = replace(pane, box=free[-1])
            part = _around(at, picture, pane, pane.box, riding=riding)
        return Framing(pane=pane, options=_seeing(options, part, track))
    known = _pixels(subject.box, track, options, picture)
    # as it is, with words over the picture; else ended above them, so that they have a ground of their own
    for own in (pane, replace(pane, box=free[-1])):
        wanted = _target(known, own, picture, riding=riding)
        for room in free:
            for scale in _scales(wanted, own, picture):
                start = _start(known, scale, own, room, picture, avoid)
                if start is not None:
                    size = np.array([own.box.width, own.box.height]) / scale
                    return Framing(pane=own, options=_seeing(options, (start, size), track))
    if fit == "cut" or riding:  # a nozzle's view shows a part of the print in any case
        part = _around(known.mean(axis=0), picture, pane, free[0], riding=riding)
        return Framing(pane=pane, options=_seeing(options, part, track), clear=False)
    return _smaller(known, pane, free[-1], picture, options, track)


_Window = tuple[Float, Float]  # start and size in pixels of the upright picture


def _picture(track: Track, options: CameraOptions) -> Float:
    """Return low and high end, (2, 2), of what the upright picture has at every moment."""
    _, size = upright_map(track.size, options.rotate_deg, options.mirror)
    trim = trim_of(track)
    return np.array([[trim, trim], [size[0] - trim, size[1] - trim]])


def _pixels(box: Part, track: Track, options: CameraOptions, picture: Float) -> Float:
    _, size = upright_map(track.size, options.rotate_deg, options.mirror)
    ends = np.array([box[:2], np.add(box[:2], box[2:])]) * size
    return np.clip(ends, picture[0], picture[1])


def _foot(track: Track, options: CameraOptions) -> Float:
    upright, _ = upright_map(track.size, options.rotate_deg, options.mirror)
    return np.asarray(np.linalg.solve(upright[:, :2], np.array(track.foot_px) - upright[:, 2]))


def _target(known: Float, pane: Pane, picture: Float, *, riding: bool) -> float:
    """Return the scale, film pixels for one of the camera, at which the print has room around it."""
    side = np.array([pane.box.width, pane.box.height])
    least = float((side / (picture[1] - picture[0])).max())
    if riding:
        return least  # what is around the tip is what the camera is there for
    close = float((side / (ROOM * np.maximum(known[1] - known[0], 1.0))).min())
    return max(least, min(close, CLOSEST * least, max(_UPSCALE, least)))


def _scales(wanted: float, pane: Pane, picture: Float) -> Iterator[float]:
    """Return scales from the one that is wanted to that of the whole picture."""
    least = float(((pane.box.width, pane.box.height) / (picture[1] - picture[0])).max())
    yield from np.geomspace(wanted, least, _STEPS).tolist()


def _start(
    known: Float, scale: float, pane: Pane, room: Box, picture: Float, avoid: Box | None
) -> Float | None:
    """Return where the window starts that shows the print in a room of the pane; None where none does."""
    side = np.array([pane.box.width, pane.box.height]) / scale
    low = np.array([room.x - pane.box.x, room.y - pane.box.y]) / scale
    high = np.array([room.right - pane.box.x, room.bottom - pane.box.y]) / scale
    least = np.maximum(picture[0], known[1] - high)
    most = np.minimum(picture[1] - side, known[0] - low)
    if (least > most + 1e-6).any():
        return None
    across = known.mean(axis=0)[0] - (low[0] + high[0]) / 2
    down = known[1, 1] - (low[1] + FOOT_AT * (high[1] - low[1]))
    tall = known.mean(axis=0)[1] - (low[1] + high[1]) / 2
    # a low print stands on its foot; a tall one has as much room above as below
    most = np.maximum(least, most)
    wanted = np.clip([across, max(down, tall)], least, most)
    if avoid is None:
        return np.asarray(wanted)
    place = np.array([pane.box.x, pane.box.y])
    ends = np.array([[avoid.x, avoid.y], [avoid.right, avoid.bottom]])

    def hidden(start: Float) -> float:
        on_film = (known - start) * scale + place
        both = np.minimum(on_film[1], ends[1]) - np.maximum(on_film[0], ends[0])
        return float(np.maximum(0.0, both).prod())

    corners = [
        np.array([x, y]) for x in (wanted[0], least[0], most[0]) for y in (wanted[1], least[1], most[1])
    ]
    return min(corners, key=hidden)


def _around(at: Float, picture: Float, pane: Pane, room: Box, *, riding: bool) -> _Window:
    """Return the largest window of the pane's shape around a point; the middle for a riding camera."""
    whole = picture[1] - picture[0]
    scale = float(((pane.box.width, pane.box.height) / whole).max())
    size = np.array([pane.box.width, pane.box.height]) / scale
    share = np.array([room.x - pane.box.x + room.width / 2, room.y - pane.box.y + FOOT_AT * room.height])
    want = picture.mean(axis=0) - size / 2 if riding else at - share / scale
    return np.clip(want, picture[0], picture[1] - size), size


def _below(
    part: _Window, free: Box, pane: Pane, subject: Subject | None, track: Track, options: CameraOptions
) -> float:
    """Return the share of all changes in a window that lies below the free part of its pane, under words."""
    if subject is None or free.bottom >= pane.box.bottom:
        return 0.0
    _, size = upright_map(track.size, options.rotate_deg, options.mirror)
    rows, columns = subject.change.shape
    x = ((np.arange(columns) + 0.5) / columns * size[0] - part[0][0]) / part[1][0]
    y = ((np.arange(rows) + 0.5) / rows * size[1] - part[0][1]) / part[1][1]
    seen = subject.change[(y >= 0) & (y < 1)][:, (x >= 0) & (x < 1)]
    under = subject.change[(y >= (free.bottom - pane.box.y) / pane.box.height) & (y < 1)][
        :, (x >= 0) & (x < 1)
    ]
    return float(under.sum() / seen.sum()) if seen.any() else 0.0


def _smaller(
    known: Float, pane: Pane, room: Box, picture: Float, options: CameraOptions, track: Track
) -> Framing:
    """Return a pane made smaller: as much of the picture as has room, with all of the print."""
    size = picture[1] - picture[0]
    print_px = np.minimum(size, (known[1] - known[0]) * 1.04)
    # from the print alone to the whole picture: the share that fills the room best
    best: tuple[float, Float, float] | None = None
    for share in np.linspace(0, 1, _STEPS):
        for across, down in ((share, 1.0), (1.0, share)):
            window = print_px + (size - print_px) * (across, down)
            scale = min(room.width / window[0], room.height / window[1])
            filled = float(window.prod() * scale**2)
            if best is None or filled > best[0]:
                best = (filled, window, scale)
    assert best is not None
    _, window, scale = best
    middle = known.mean(axis=0)
    start = np.clip(middle - window / 2, picture[0], picture[1] - window)
    width, height = (
        min(int(side), most)
        for side, most in zip(np.rint(window * scale), (room.width, room.height), strict=True)
    )
    box = Box(
        x=room.x + (room.width - width) // 2,
        y=room.y + (room.height - height) // 2,
        width=width,
        height=height,
    )
    return Framing(pane=replace(pane, box=box), options=_seeing(options, (start, window), track))


def _seeing(options: CameraOptions, part: _Window, track: Track) -> CameraOptions:
    """Return the camera's settings with a part of its picture, as shares."""
    _, size = upright_map(track.size, options.rotate_deg, options.mirror)
    x, y = np.maximum(0.0, part[0] / size).tolist()
    width, height = (part[1] / size).tolist()
    box = (x, y, min(width, 1 - x), min(height, 1 - y))
    return replace(options, filming=replace(options.filming, crop=box))
