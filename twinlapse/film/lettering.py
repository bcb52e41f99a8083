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

__all__ = ["Coverage", "Lettering", "broken", "fallback_font", "runs_left"]

Coverage = NDArray[np.uint8]
_SMALL_KANA = "ぁぃぅぇぉっゃゅょゎァィゥェォッャュョヮー々"  # JIS X 4051: never begin a line


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


def runs_left(text: str) -> bool:
    """Whether a text runs from right to left, as its first letter with a direction does (UAX #9, P2, P3)."""
    kinds = (unicodedata.bidirectional(letter) for letter in text)
    return next((kind for kind in kinds if kind in ("L", "R", "AL")), "L") != "L"


def broken(text: str, lettering: Lettering, size_px: int, width_px: int) -> list[str]:
    """Return a text in lines no wider than a width: broken between words, and between ideographs."""
    lines: list[str] = []
    for joint, piece in _pieces(text):
        longer = f"{lines[-1]}{joint}{piece}" if lines else piece
        if lines and lettering.mask(longer, size_px).shape[1] <= width_px:
            lines[-1] = longer
        else:
            lines.append(piece)
    return lines or [text]


def _pieces(text: str) -> list[tuple[str, str]]:
    """Return what must stay together, each with what joins it to the piece before: " " or "".

    Ideographs and kana are pieces of their own, but for closing marks, which stay with what they close, and
    opening ones (the essence of UAX #14).
    """
    pieces: list[tuple[str, str]] = []
    for word in text.split():
        joint = " "
        for letter in word:
            wide = unicodedata.east_asian_width(letter) in ("W", "F")
            before = pieces[-1][1] if pieces and not joint else ""
            closes = unicodedata.category(letter) in ("Pe", "Pf", "Po", "Lm", "Mn") or letter in _SMALL_KANA
            opens = bool(before) and unicodedata.category(before[-1]) in ("Ps", "Pi")
            was_wide = bool(before) and unicodedata.east_asian_width(before[-1]) in ("W", "F")
            if before and (closes or opens or not (wide or was_wide)):
                pieces[-1] = (pieces[-1][0], before + letter)
            else:
                pieces.append((joint, letter))
            joint = ""
    return pieces


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
    """Return the first font that has all letters of a text: the one named, then those that come along."""
    if not font and text.isascii():
        return font
    wide = fallback_font()
    missing = _missing(font, text)
    for other in (font, "", *([] if wide is None else [str(wide)])):
        if not _missing(other, text):
            return other
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
