"""The card before the first picture and the one after the last."""

from __future__ import annotations

import numpy as np

from twinlapse.arrays import Picture
from twinlapse.film.contrast import inks
from twinlapse.film.layout import safe_area
from twinlapse.film.lettering import Lettering
from twinlapse.film.overlay_values import Facts, clock
from twinlapse.film.stencil import plate, rgb, rounded
from twinlapse.rig.film_settings import Filming, film_size

__all__ = ["MOST_LINES", "broken", "end_card", "title_card"]


MOST_LINES = 3  # of a heading: more are read no faster than smaller letters (common practice, no source)


def title_card(filming: Filming, facts: tuple[Facts, ...], lettering: Lettering) -> Picture:
    """Return the card with the film's title and what the print is."""
    last = facts[-1]
    parts = [f"{last.count[1]} layers" if last.is_layer else f"{last.count[1]} frames"]
    if last.height_mm is not None:
        parts.append(f"{last.height_mm:.1f} mm")
    return _card(filming, lettering, filming.title, [(" · ".join(parts), "")])


def end_card(
    filming: Filming, facts: tuple[Facts, ...], lettering: Lettering, filament_mm: float | None
) -> Picture:
    """Return the card with what the print took."""
    last = facts[-1]
    rows = [("LAYERS" if last.is_layer else "FRAMES", str(last.count[1]))]
    if last.height_mm is not None:
        rows.append(("HEIGHT", f"{last.height_mm:.1f} mm"))
    if last.elapsed_s is not None and last.remaining_s is not None:
        rows.append(("PRINT TIME", clock(last.elapsed_s + last.remaining_s)))
    if filament_mm is not None:
        rows.append(("FILAMENT", f"{filament_mm / 1000:.2f} m"))
    return _card(filming, lettering, filming.title or "Printed", [(text, name) for name, text in rows])


def broken(text: str, lettering: Lettering, size_px: int, width_px: int) -> list[str]:
    """Return a text in lines that are no wider than a width, broken between words where that can be."""
    lines: list[str] = []
    for word in text.split():
        longer = f"{lines[-1]} {word}" if lines else word
        if lines and lettering.mask(longer, size_px).shape[1] <= width_px:
            lines[-1] = longer
        else:
            lines.append(word)
    return lines or [text]


def _widest(lines: list[str], lettering: Lettering, size_px: int) -> int:
    return max(int(lettering.mask(text, size_px).shape[1]) for text in lines)


def _wide(mask: Picture, width_px: int) -> Picture:
    """Return a mask with room on its right, all lines alike."""
    wide = np.zeros((mask.shape[0], max(width_px, mask.shape[1])), np.uint8)
    wide[:, : mask.shape[1]] = mask
    return wide


def _card(filming: Filming, lettering: Lettering, heading: str, rows: list[tuple[str, str]]) -> Picture:
    size = film_size(filming)
    unit = min(size) / 720
    canvas = np.empty((size[1], size[0], 3), np.uint8)
    canvas[:] = rgb(filming.background)
    ink, soft = inks(filming.background)
    safe = safe_area(size)
    large, small, line = round(52 * unit), round(26 * unit), round(46 * unit)
    inside = safe.width - round(40 * unit)
    lines = broken(heading, lettering, large, inside)
    while (len(lines) > MOST_LINES or _widest(lines, lettering, large) > inside) and large > 8:
        large = large * 9 // 10
        lines = broken(heading, lettering, large, inside)
    name = np.concatenate([_wide(lettering.mask(text, large), inside) for text in lines])
    total = name.shape[0] + round(34 * unit) + line * len(rows)
    x = safe.x + round(40 * unit)
    y = (size[1] - total) // 2
    plate(x, y, name, ink).lay(canvas)
    y += name.shape[0] + round(10 * unit)
    bar = max(2, round(5 * unit))
    plate(x, y, rounded(round(96 * unit), bar, bar / 2), rgb(filming.accent)).lay(canvas)
    y += round(24 * unit)
    for text, label in rows:
        plate(x, y, lettering.mask(text, small, figures=bool(label)), ink if label else soft).lay(canvas)
        if label:
            mask = lettering.mask(label, round(15 * unit), track_px=round(1.5 * unit))
            plate(x + round(210 * unit), y + round(9 * unit), mask, soft).lay(canvas)
        y += line
    return canvas
