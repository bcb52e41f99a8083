"""Single pictures out of a film: poster, contact sheet, aligned frames."""

from __future__ import annotations

import io
from collections.abc import Callable
from pathlib import Path

import cv2
import numpy as np
from PIL import Image

from twinlapse.arrays import Picture
from twinlapse.errors import RenderError
from twinlapse.files import write_bytes
from twinlapse.film.contrast import inks
from twinlapse.film.frame_times import Beat
from twinlapse.film.lettering import Lettering
from twinlapse.film.scene import FilmScene
from twinlapse.film.stencil import plate, rgb
from twinlapse.tracking.measure import in_order
from twinlapse.tracking.stabilise import Track

__all__ = ["contact_sheet", "poster", "write_aligned", "write_picture"]

_KINDS = {".jpg": "JPEG", ".jpeg": "JPEG", ".png": "PNG", ".webp": "WEBP"}


def write_picture(path: Path, picture: Picture) -> None:
    """Write a picture by its suffix, whole or not at all.

    Raises
    ------
    RenderError
        for a suffix that is none of .jpg .png .webp.
    """
    kind = _KINDS.get(path.suffix.lower())
    if kind is None:
        raise RenderError(
            f"{path.suffix or 'no suffix'} is no picture that can be written",
            f"end its name in {', '.join(_KINDS)}",
            path=path,
        )
    data = io.BytesIO()
    Image.fromarray(picture).save(data, kind, quality=92)
    write_bytes(path, data.getvalue())


def poster(scene: FilmScene) -> Picture:
    """Return the last film frame."""
    last = len(scene.facts) - 1
    return scene.frame(Beat(last, last))


def contact_sheet(
    scene: FilmScene, background: str, across: int = 5, down: int = 4, width_px: int = 1600
) -> Picture:
    """Return film frames spread over the print, in rows."""
    gap = 12
    cell = (width_px - gap * (across + 1)) // across
    tall = round(cell * scene.size[1] / scene.size[0])
    line = 26
    sheet = np.empty((gap + down * (tall + line + gap), width_px, 3), np.uint8)
    sheet[:] = rgb(background)
    places = np.linspace(0, len(scene.facts) - 1, across * down).round().astype(int)
    frames = in_order(lambda place: scene.frame(Beat(int(place), int(place))), places)
    for number, (place, frame) in enumerate(zip(places, frames, strict=True)):
        x, y = gap + number % across * (cell + gap), gap + number // across * (tall + line + gap)
        sheet[y : y + tall, x : x + cell] = cv2.resize(frame, (cell, tall), interpolation=cv2.INTER_AREA)
        fact = scene.facts[place]
        text = f"{'layer' if fact.is_layer else 'frame'} {fact.count[0]}"
        plate(x, y + tall + 4, Lettering().mask(text, 16, figures=True), inks(background)[1]).lay(sheet)
    return sheet


def write_aligned(track: Track, folder: Path, progress: Callable[[float], None] | None = None) -> int:
    """Write a camera's usable frames, aligned and evenly lit, as ``000123.png``; return how many."""
    folder.mkdir(parents=True, exist_ok=True)
    good = [place for place, fault in enumerate(track.faults) if not fault]

    def work(place: int) -> None:
        file = track.files[place]
        again = "" if file.repeat == 1 else f"-{file.repeat}"
        picture = track.steadied(track.picture(place), place, fine=True)
        write_picture(folder / f"{file.shot:06d}{again}.png", picture)

    for done, _ in enumerate(in_order(work, good), 1):
        if progress is not None:
            progress(done / len(good))
    return len(good)
