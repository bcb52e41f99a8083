"""Words and figures as small masks: fonts that come along, any font file, or a clear error."""

from __future__ import annotations

import functools
import importlib.util
import unicodedata
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont, features

from twinlapse.errors import RenderError

__all__ = ["Coverage", "Lettering", "fallback_font"]

Coverage = NDArray[np.uint8]


@dataclass(frozen=True, slots=True)
class Lettering:
    """How text is set: a font file, or "" for the fonts that come along."""

    font: str = ""

    def mask(self, text: str, size_px: int, *, track_px: float = 0.0, figures: bool = False) -> Coverage:
        """Return the coverage of a line of text, (height, width), its baseline at the same row for all texts.

        Parameters
        ----------
        text : str
        size_px : int
            Em size.
        track_px : float
            Added between letters.
        figures : bool
            Give all digits the same width, so that a running number does not jitter.

        Raises
        ------
        RenderError
            when the font lacks a letter.
        """
        return _mask(self.font, unicodedata.normalize("NFC", text), size_px, track_px, figures)


def fallback_font() -> Path | None:
    """Return a font of wide coverage that a dependency carries; that dependency itself is not loaded."""
    found = importlib.util.find_spec("matplotlib")
    if found is None or found.origin is None:
        return None
    path = Path(found.origin).parent / "mpl-data" / "fonts" / "ttf" / "DejaVuSans.ttf"
    return path if path.exists() else None


@functools.lru_cache(maxsize=128)
def _mask(font: str, text: str, size_px: int, track_px: float, figures: bool) -> Coverage:
    face = _face(_font_for(font, text), size_px)
    ascent, descent = face.getmetrics()
    woven = _is_woven(text)
    if woven and not features.check("raqm"):
        raise RenderError(
            f"Pillow was built without what sets {text!r}",
            "install Pillow's wheel and the system's library fribidi",
        )
    if (figures or track_px) and not woven:
        places, width = _spaced(face, text, track_px, figures)
    else:
        places, width = [(text, 0.0)], face.getlength(text)
    image = Image.new("L", (max(1, int(np.ceil(width)) + 2), ascent + descent))
    draw = ImageDraw.Draw(image)
    for part, x in places:
        draw.text((x + 1, 0), part, fill=255, font=face)
    mask = np.asarray(image)
    mask.flags.writeable = False
    return mask


def _is_woven(text: str) -> bool:
    """Whether letters change with their neighbours or run from right to left: set whole or not at all."""
    return any(
        unicodedata.bidirectional(letter) in ("R", "AL", "AN") or unicodedata.category(letter) in ("Mn", "Mc")
        for letter in text
    )


def _spaced(
    face: ImageFont.FreeTypeFont, text: str, track_px: float, figures: bool
) -> tuple[list[tuple[str, float]], float]:
    wide = max(face.getlength(digit) for digit in "0123456789") if figures else 0.0
    places, x = [], 0.0
    for letter in text:
        own = face.getlength(letter)
        cell = wide if figures and letter.isascii() and letter.isdigit() else own
        places.append((letter, x + (cell - own) / 2))
        x += cell + track_px
    return places, x - track_px if text else 0.0


@functools.lru_cache(maxsize=64)
def _face(font: str, size_px: int) -> ImageFont.FreeTypeFont:
    if not font:
        return _carried(size_px)
    try:
        return ImageFont.truetype(font, size_px)
    except OSError as error:
        raise RenderError(
            f"this font cannot be read ({error})", "name a TTF or OTF file", path=font
        ) from None


def _carried(size_px: int) -> ImageFont.FreeTypeFont:
    face = ImageFont.load_default(size_px)
    if not isinstance(face, ImageFont.FreeTypeFont):
        raise RenderError("Pillow was built without FreeType", "name a font file or install Pillow's wheel")
    return face


def _font_for(font: str, text: str) -> str:
    if not font and text.isascii():
        return font
    missing = _missing(font, text)
    if not missing:
        return font
    wide = fallback_font()
    if not font and wide is not None:
        missing = _missing(str(wide), text)
        if not missing:
            return str(wide)
    raise RenderError(
        f'the font has no letter for "{missing[0]}" (U+{ord(missing[0]):04X})',
        "name a font that has it with font = ...",
        path=font or None,
    )


@functools.lru_cache(maxsize=64)
def _missing(font: str, text: str) -> str:
    """Return the letters of `text` that the font draws as its empty box."""
    face = _face(font, 40)
    absent = face.getmask("\U0010fffd")  # the last private code point: no font gives it a letter
    box = (absent.size, bytes(absent))
    drawn = {letter: face.getmask(letter) for letter in set(text) if not letter.isspace()}
    gone = {letter for letter, mask in drawn.items() if (mask.size, bytes(mask)) == box}
    return "".join(letter for letter in text if letter in gone)
