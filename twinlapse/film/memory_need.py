"""How much memory a film takes to make, told before it is begun, and how many workers fit.

Measured (`tests/bench/film_memory.py`) as the proportional share of all processes together: the encoder's
look-ahead takes most, so the need goes with the pixels of the film.
"""

from __future__ import annotations

import logging
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

from twinlapse.errors import NoRoomError
from twinlapse.film.codecs import codec_for
from twinlapse.film.frame_times import schedule
from twinlapse.film.options import PREVIEW_PX, FilmOptions
from twinlapse.frames.sequence import FrameSequence
from twinlapse.imaging.decode import picture_size
from twinlapse.memory import check_room, free_bytes
from twinlapse.rig.film_settings import Filming, film_size

__all__ = ["film_bytes", "fitting_options"]

_LOG = logging.getLogger(__name__)
_BASE = 125e6  # the interpreter, its packages, and what was measured
_WORKER = 60e6
_A_SOURCE_PIXEL = 11  # bytes: frames that are read and warped at the same time
# encoder -> bytes that it takes at any size, and for a pixel of the film, frames in the making included
_ENCODER = {
    "libx264": (0.0, 190),
    "libx265": (30e6, 290),
    "libvpx-vp9": (60e6, 210),
    "libsvtav1": (300e6, 190),
}
_OTHER_ENCODER = (0.0, 60)
_HELD = 6  # bytes a pixel of every frame, where the palette is chosen from the whole film
_HEIGHTS_PX = (1440, 1080, 720, 480, 360)


def film_bytes(filming: Filming, out: Path, source_px: int, count: int, workers: int = 1) -> float:
    """Return the memory that a film takes at most, in bytes.

    Parameters
    ----------
    filming : Filming
    out : Path
        Its suffix and `filming` say which encoder is used.
    source_px : int
        Pixels of the largest frame.
    count : int
        Moments of the print.
    workers : int
        Processes that make it in pieces; 1 is this process alone.
    """
    codec = codec_for(out, filming)
    width, height = film_size(filming)
    film_px = width * height
    need = _BASE + _A_SOURCE_PIXEL * source_px
    fixed, a_pixel = _ENCODER.get(codec.name, _OTHER_ENCODER)
    need += max(1, workers) * (fixed + a_pixel * film_px)
    if workers > 1:
        need += workers * _WORKER
    if codec.palette:
        need += _HELD * film_px * len(schedule(count, filming))
    return need


def fitting_options(
    options: FilmOptions, sources: Mapping[str, FrameSequence], out: Path, free: int | None = None
) -> FilmOptions:
    """Return the options with as many workers as there is memory for.

    Raises
    ------
    NoRoomError
        when the film does not fit even without workers; the text names a height that does.
    """
    free = free_bytes() if free is None else free
    if free is None or options.cluster:
        return options
    first = [picture_size(sequence.files[0].path) for sequence in sources.values() if sequence.files]
    source_px = max((size[0] * size[1] for size in first if size is not None), default=0)
    count = max(map(len, sources.values()), default=0)
    filming, workers = options.filming, options.workers
    if options.preview:
        filming = replace(filming, height_px=min(filming.height_px, PREVIEW_PX))
    while workers > 1 and film_bytes(filming, out, source_px, count, workers) > free:
        workers -= 1
    try:
        width, height = film_size(filming)
        need = film_bytes(filming, out, source_px, count, workers)
        check_room(need, f"a film of {width} x {height}", "", free=free)
    except NoRoomError as error:
        for height_px in _HEIGHTS_PX:
            smaller = replace(filming, height_px=height_px)
            fits = film_bytes(smaller, out, source_px, count) <= free
            if fits and film_size(smaller)[1] < height:
                hint = f"--height-px {height_px} fits, or make it on another machine"
                raise NoRoomError(error.what, hint, path=out) from None
        raise NoRoomError(error.what, "make it smaller, or on another machine", path=out) from None
    if workers < options.workers:
        _LOG.warning("%d of %d workers fit into the memory that is free", max(1, workers), options.workers)
    return replace(options, workers=workers)
