"""Colours of words that can be read on a background (WCAG 2.2, criterion 1.4.3: at least 4.5 to 1)."""

from __future__ import annotations

import functools

from twinlapse.film.stencil import Colour, rgb

__all__ = ["LEAST", "contrast", "inks", "luminance"]

LEAST = 4.5
# ink and soft ink: the first pair that can be read is taken
_PAIRS: tuple[tuple[Colour, Colour], ...] = (
    ((247, 249, 250), (190, 200, 208)),
    ((12, 16, 20), (66, 74, 80)),
    ((255, 255, 255), (255, 255, 255)),
    ((0, 0, 0), (0, 0, 0)),
)


def luminance(colour: Colour) -> float:
    """Return the relative luminance of an sRGB colour, 0 to 1."""
    value = [code / 255 for code in colour]
    red, green, blue = (
        part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in value
    )
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one: Colour, other: Colour) -> float:
    """Return the contrast ratio of two colours, 1 to 21."""
    low, high = sorted((luminance(one), luminance(other)))
    return (high + 0.05) / (low + 0.05)


@functools.lru_cache(maxsize=16)
def inks(background: str) -> tuple[Colour, Colour]:
    """Return ink and soft ink for a background such as "#0e1216"; black or white can always be read."""
    ground = rgb(background)
    good = [pair for pair in _PAIRS if min(contrast(ink, ground) for ink in pair) >= LEAST]
    return good[0]
