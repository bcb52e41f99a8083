"""Which part of a camera's picture a pane shows when nothing is said: the print, clear of the words."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from twinlapse.film.layout import Layout, Pane
from twinlapse.film.options import CameraOptions
from twinlapse.film.pane import upright_size
from twinlapse.imaging.resampling import upright_map
from twinlapse.rig.film_settings import CameraFilming
from twinlapse.tracking.stabilise import Track

__all__ = ["FOOT_AT", "framed"]

# how far down the free part of a pane the foot of the print stands (common practice, no source)
FOOT_AT = 0.74


def framed(track: Track, options: CameraOptions, pane: Pane, layout: Layout, *, words: bool) -> CameraOptions:
    """Return the camera's settings with the part of its picture that `pane` shows.

    What the maker has set stays. By itself a pane is centred on the foot of the print, which stands above the
    words that lie on the picture; before a camera that rides with the nozzle that is its picture's middle.
    """
    filming = options.filming
    if filming.crop != "auto" or filming.focus != CameraFilming().focus or track.riding:
        return options
    upright, whole = upright_map(track.size, options.rotate_deg, options.mirror)
    foot = np.linalg.inv(upright[:, :2]) @ (np.array(track.foot_px) - upright[:, 2])
    seen = np.array(upright_size(track, options))
    aspect = pane.box.width / pane.box.height
    window = np.array([min(seen[0], seen[1] * aspect), min(seen[1], seen[0] / aspect)])
    at = window * (0.5, FOOT_AT * _free(pane, layout, words=words))
    start = np.clip(foot - at, 0, np.array(whole) - window)
    x, y, width, height = (*(start / whole), *(window / whole))
    box = (float(x), float(y), float(min(width, 1 - x)), float(min(height, 1 - y)))
    return replace(options, filming=replace(filming, crop=box))


def _free(pane: Pane, layout: Layout, *, words: bool) -> float:
    """Return the share of a pane, from its top, over which no words lie."""
    if not words or not layout.over_pictures or pane.raised:
        return 1.0
    floor = min(pane.box.bottom, layout.band.y)
    return max(0.3, (floor - pane.box.y) / pane.box.height)
