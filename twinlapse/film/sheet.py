"""One picture that tells in seconds whether the settings of a film are right: strips before and after."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

import cv2
import numpy as np

from twinlapse.arrays import Picture
from twinlapse.film.contrast import contrast, inks
from twinlapse.film.lettering import Lettering
from twinlapse.film.stencil import plate, rgb
from twinlapse.tracking.measure import in_order
from twinlapse.tracking.stabilise import Track
from twinlapse.tracking.trajectory import CERTAIN

__all__ = [
    "AROUND",
    "EDGE_PX",
    "STRIP_PX",
    "STRIP_ROWS",
    "WARN",
    "doubtful",
    "film_sheet",
]

_WIDTH_PX = 1600
EDGE_PX = 24
STRIP_PX, STRIP_ROWS = 150, 100  # height of a strip, and of what it shows
AROUND = 0.15  # how far from the foot of the print a strip may be taken, share of the width
_WORST = 10
WARN = ((255, 176, 92), (150, 62, 0))  # on dark and on light ground


def film_sheet(
    tracks: Mapping[str, Track], background: str = "#0e1216", progress: Callable[[float], None] | None = None
) -> Picture:
    """Return the sheet: for each camera a strip before and after, and its ten most doubtful frames.

    A strip holds one narrow column of every frame, side by side: what stands still and is evenly lit runs
    straight across it, what shakes is a saw and what flickers is a comb.
    """
    parts = []
    for done, (camera, track) in enumerate(tracks.items(), 1):
        parts += _camera_part(camera, track, background)
        if progress is not None:
            progress(done / len(tracks))
    height = sum(part.shape[0] for part in parts)
    sheet = _ground(height + EDGE_PX, background)
    y = 0
    for part in parts:
        sheet[y : y + part.shape[0]] = part
        y += part.shape[0]
    return sheet


def _camera_part(camera: str, track: Track, background: str) -> list[Picture]:
    good = [place for place, fault in enumerate(track.faults) if not fault]
    before, after = _strips(track, good)
    lost = len(track.faults) - len(good)
    hidden = [place for place in good if track.hidden and track.hidden[place]]
    borrowed = sum(track.borrowed[place] for place in good if place not in hidden) if track.borrowed else 0
    words = f"{camera}: {len(good)} frames, {lost} unreadable, {len(hidden)} not shown"
    words += f", {borrowed} moved as their neighbours are"
    ink, soft = inks(background)
    return [
        _line(words, 26, ink, background),
        _line("every frame as it came, one column each", 15, soft, background),
        _across(before, background),
        _line("aligned and evenly lit", 15, soft, background),
        _across(after, background),
        _line("the most doubtful frames: shot, how sure, shift and gain", 15, soft, background),
        _row_of(track, doubtful(track, good), background),
        *_hidden_part(track, hidden, background),
    ]


def _hidden_part(track: Track, hidden: Sequence[int], background: str) -> list[Picture]:
    """Return the frames that are not shown, with the reason of each."""
    if not hidden:
        return []
    _, soft = inks(background)
    more = f", the first {_WORST} of {len(hidden)}" if len(hidden) > _WORST else ""
    return [
        _line(f"not shown: shot and reason{more}", 15, soft, background),
        _row_of(track, hidden[:_WORST], background, reasons=True),
    ]


def doubtful(track: Track, good: Sequence[int]) -> list[int]:
    """Return the places of the ten frames that are least sure, moved furthest or brightened most."""

    def doubt(place: int) -> float:
        motion, gain = track.motions[place], track.gain[place]
        way = float(np.hypot(motion.dx_px, motion.dy_px)) / track.size[0] * 100
        return (1 - motion.confidence) * 2 + way + float(np.abs(np.log(gain)).max()) * 4

    return sorted(good, key=doubt, reverse=True)[:_WORST]


def _strips(track: Track, good: Sequence[int]) -> tuple[Picture, Picture]:
    """Return one column of every frame, taken where the print stands, as it came and as it will be shown."""
    rows, column = _where(track, good)

    def look(place: int) -> tuple[Picture, Picture]:
        picture = track.picture(place)
        lit = track.steadied(picture, place)
        return picture[rows, column : column + 1].copy(), lit[rows, column : column + 1].copy()

    columns = list(in_order(look, good))
    return (
        np.concatenate([first for first, _ in columns], axis=1),
        np.concatenate([second for _, second in columns], axis=1),
    )


def _where(track: Track, good: Sequence[int]) -> tuple[slice, int]:
    """Return the part of a column near the foot of the print in which the most edges stand still."""
    width, height = track.size
    tall = min(STRIP_ROWS, height)  # a few rows, not all of them: shaking by a pixel must be seen
    first = int(np.clip(track.foot_px[1] - tall / 2, 0, height - tall))
    left = int(np.clip(track.foot_px[0] - AROUND * width, 0, width - 1))
    right = max(left + 1, min(width, int(track.foot_px[0] + AROUND * width)))
    some = []
    for place in (good[0], good[len(good) // 2], good[-1]):
        lit = track.steadied(track.picture(place), place)[first : first + tall, left:right]
        some.append(cv2.GaussianBlur(lit.mean(axis=2), (0, 0), 1.5))
    edges = np.abs(np.diff(np.median(some, axis=0), axis=0)).sum(axis=0)
    changes = np.ptp(some, axis=0).sum(axis=0)
    return slice(first, first + tall), left + int(np.argmax(edges - changes))


def _across(strip: Picture, background: str) -> Picture:
    part = _ground(STRIP_PX + 8, background)
    size = (_WIDTH_PX - 2 * EDGE_PX, STRIP_PX)
    part[:STRIP_PX, EDGE_PX:-EDGE_PX] = cv2.resize(strip, size, interpolation=cv2.INTER_NEAREST)
    return part


def _row_of(track: Track, places: Sequence[int], background: str, *, reasons: bool = False) -> Picture:
    gap = 8
    cell = (_WIDTH_PX - 2 * EDGE_PX - gap * (_WORST - 1)) // _WORST
    tall = round(cell * track.size[1] / track.size[0])
    part = _ground(tall + 48, background)
    _, soft = inks(background)
    warn = max(WARN, key=lambda colour: contrast(colour, rgb(background)))
    for number, place in enumerate(places):
        x = EDGE_PX + number * (cell + gap)
        picture = track.picture(place)
        part[:tall, x : x + cell] = cv2.resize(picture, (cell, tall), interpolation=cv2.INTER_AREA)
        motion, gain = track.motions[place], float(track.gain[place].mean())
        sure = motion.confidence >= CERTAIN
        first = f"{track.files[place].shot}   {motion.confidence:.2f}"
        second = f"{motion.dx_px:+.1f} {motion.dy_px:+.1f}  {gain:.2f}"
        if reasons:
            first, second = f"{track.files[place].shot}", track.hidden[place]
        for row, text in enumerate((first, second)):
            mask = Lettering().mask(text, 13, figures=True)
            plate(x, tall + 3 + 18 * row, mask, soft if sure else warn).lay(part)
    return part


def _line(text: str, size_px: int, colour: tuple[int, int, int], background: str) -> Picture:
    part = _ground(round(size_px * 1.9), background)
    plate(EDGE_PX, round(size_px * 0.5), Lettering().mask(text, size_px), colour).lay(part)
    return part


def _ground(height: int, background: str) -> Picture:
    ground = np.empty((height, _WIDTH_PX, 3), np.uint8)
    ground[:] = rgb(background)
    return ground
