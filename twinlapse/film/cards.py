"""The card before the first picture and the one after the last."""

from __future__ import annotations

import numpy as np

from twinlapse.arrays import Picture
from twinlapse.film.contrast import inks
from twinlapse.film.layout import Box, safe_area
from twinlapse.film.lettering import Lettering, broken, runs_left
from twinlapse.film.overlay_values import Facts, clock
from twinlapse.film.stencil import plate, rgb, rounded
from twinlapse.rig.film_settings import Filming, film_size

__all__ = ["MOST_LINES", "PICTURE_SHARE", "end_card", "picture_box", "title_card"]

MOST_LINES = 3  # of a heading: more are read no faster than smaller letters (common practice, no source)
PICTURE_SHARE = 0.56  # of the card that the last picture fills
_Rows = list[tuple[str, str]]  # a figure and what it is, or a line of words and ""


def title_card(filming: Filming, facts: tuple[Facts, ...], lettering: Lettering) -> Picture:
    """Return the card with the film's title and what the print is."""
    last = facts[-1]
    parts = [f"{last.count[1]} layers" if last.is_layer else f"{last.count[1]} frames"]
    if last.height_mm is not None:
        parts.append(f"{last.height_mm:.1f} mm")
    return _card(filming, lettering, filming.title, [(" · ".join(parts), "")])


def end_card(
    filming: Filming,
    facts: tuple[Facts, ...],
    lettering: Lettering,
    filament_mm: float | None,
    picture: Picture | None = None,
) -> Picture:
    """Return the card with what the print took; `picture` has the size of `picture_box`."""
    last = facts[-1]
    rows = [(str(last.count[1]), "LAYERS" if last.is_layer else "FRAMES")]
    if last.height_mm is not None:
        rows.append((f"{last.height_mm:.1f} mm", "HEIGHT"))
    if last.elapsed_s is not None and last.remaining_s is not None:
        rows.append((clock(last.elapsed_s + last.remaining_s), "PRINT TIME"))
    if filament_mm is not None:
        rows.append((f"{filament_mm / 1000:.2f} m", "FILAMENT"))
    return _card(filming, lettering, filming.title or "Printed", rows, picture)


def picture_box(size: tuple[int, int]) -> Box:
    """Return where the end card shows the last picture: its right part, or the upper one of a tall film."""
    if size[0] >= size[1]:
        width = round(size[0] * PICTURE_SHARE)
        return Box(x=size[0] - width, y=0, width=width, height=size[1])
    return Box(x=0, y=0, width=size[0], height=round(size[1] * PICTURE_SHARE))


def _words_box(size: tuple[int, int], *, beside: bool) -> Box:
    """Return where the words of a card stand, inside the title-safe area."""
    safe, edge = safe_area(size), round(40 * min(size) / 720)
    right, top = safe.right - edge, safe.y
    if beside:
        shown = picture_box(size)
        if shown.height == size[1]:
            right = shown.x - edge
        else:
            top = shown.bottom + edge // 2
    x = safe.x + (edge if not beside or size[0] < size[1] else 0)
    return Box(x=x, y=top, width=right - x, height=safe.bottom - top)


def _card(
    filming: Filming, lettering: Lettering, heading: str, rows: _Rows, picture: Picture | None = None
) -> Picture:
    size = film_size(filming)
    unit = min(size) / 720
    canvas = np.empty((size[1], size[0], 3), np.uint8)
    canvas[:] = rgb(filming.background)
    if picture is not None:
        shown = picture_box(size)
        canvas[shown.y : shown.bottom, shown.x : shown.right] = picture
    ink, soft = inks(filming.background)
    area, leftward = _words_box(size, beside=picture is not None), runs_left(heading)
    small, line, gap = round(26 * unit), round(46 * unit), round(34 * unit)
    room = area.height - gap - line * len(rows)
    masks = [
        lettering.mask(text, size_px)
        for text, size_px in _heading(heading, lettering, area.width, room, unit)
    ]
    tall = sum(mask.shape[0] for mask in masks)

    def put(mask: Picture, y: int, colour: tuple[int, int, int], indent: int = 0) -> None:
        x = area.x + area.width - mask.shape[1] - indent if leftward else area.x + indent
        plate(x, y, mask, colour).lay(canvas)

    y = area.y + max(0, (area.height - tall - gap - line * len(rows)) // 2)
    for mask in masks:
        put(mask, y, ink)
        y += mask.shape[0]
    y += round(10 * unit)
    bar = max(2, round(5 * unit))
    put(rounded(round(96 * unit), bar, bar / 2), y, rgb(filming.accent))
    y += round(24 * unit)
    for text, label in rows:
        put(lettering.mask(text, small, figures=bool(label)), y, ink if label else soft)
        if label:
            name = lettering.mask(label, round(15 * unit), track_px=round(1.5 * unit))
            put(name, y + round(9 * unit), soft, min(round(210 * unit), area.width - name.shape[1]))
        y += line
    return canvas


def _heading(text: str, lettering: Lettering, width: int, height: int, unit: float) -> list[tuple[str, int]]:
    """Return the lines of a heading and their size, as large as it fits."""
    size_px = round(52 * unit)
    while True:
        lines = broken(text, lettering, size_px, width)
        masks = [lettering.mask(one, size_px) for one in lines]
        fits = (
            max(mask.shape[1] for mask in masks) <= width and sum(mask.shape[0] for mask in masks) <= height
        )
        if (fits and len(lines) <= MOST_LINES) or size_px <= 8:
            return [(one, size_px) for one in lines]
        size_px = size_px * 9 // 10
