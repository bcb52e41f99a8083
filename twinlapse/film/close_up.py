"""The close-up: one camera's pane that grows until it fills the film, and goes back to its place."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import cv2
import numpy as np

from twinlapse.arrays import Picture
from twinlapse.film.layout import Box, Layout

if TYPE_CHECKING:
    from twinlapse.film.scene import Stage

__all__ = ["CloseUp", "close_up_of"]


@dataclass(frozen=True, slots=True, kw_only=True)
class CloseUp:
    """A camera alone on the film, and where it comes from."""

    camera: str
    stage: Stage
    home: Box  # its pane in the layout; the middle of the film where it has none
    full: Box  # its pane when it is alone

    def lay(self, below: Picture, own: Picture, share: float) -> Picture:
        """Return a copy of a film frame with the close-up `own` laid over it, `share` of the way there."""
        home, full = self.home, self.full
        frame = np.asarray(cv2.addWeighted(below, 1 - share, own, share, 0), dtype=np.uint8)
        inside = slice(full.y, full.bottom), slice(full.x, full.right)
        frame[inside] = below[inside]  # around the close-up's pane its ground comes by itself
        x, y, right, bottom = (
            round(start + (end - start) * share)
            for start, end in (
                (home.x, full.x),
                (home.y, full.y),
                (home.right, full.right),
                (home.bottom, full.bottom),
            )
        )
        size = (max(2, right - x), max(2, bottom - y))
        frame[y : y + size[1], x : x + size[0]] = _filled(own[inside], size)
        return frame


def _filled(picture: Picture, size: tuple[int, int]) -> Picture:
    """Return the middle of a picture in another shape."""
    height, width = picture.shape[:2]
    scale = max(size[0] / width, size[1] / height)
    across, down = min(width, round(size[0] / scale)), min(height, round(size[1] / scale))
    x, y = (width - across) // 2, (height - down) // 2
    part = picture[y : y + down, x : x + across]
    return np.asarray(cv2.resize(part, size, interpolation=cv2.INTER_AREA), dtype=np.uint8)


def close_up_of(camera: str, stage: Stage, layout: Layout) -> CloseUp:
    """Return the close-up of a camera in a film of a layout; `stage` shows it alone."""
    full = stage.composer.layout.panes[0].box
    width, height = layout.size
    middle = Box(x=width // 3, y=height // 3, width=width // 3, height=height // 3)
    home = next((pane.box for pane in layout.panes if pane.camera == camera), middle)
    return CloseUp(camera=camera, stage=stage, home=home, full=full)
