"""Panes and words onto one film frame."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from twinlapse.arrays import Picture
from twinlapse.film.colour import coded
from twinlapse.film.layout import Layout, Pane
from twinlapse.film.stencil import Plate, plate, rgb, rounded, shadow

__all__ = ["FRAME", "Composer", "composer"]

FRAME = (236, 240, 242)


@dataclass(frozen=True, slots=True, kw_only=True)
class Composer:
    """One layout with all that can be prepared for it: background, shadows, round corners."""

    layout: Layout
    background: Picture
    covers: Mapping[str, Picture | None] = field(default_factory=dict)
    rims: Mapping[str, NDArray[np.int64]] = field(default_factory=dict)  # rows that covers do not fill
    below: Mapping[str, tuple[Plate, ...]] = field(default_factory=dict)
    above: Mapping[str, tuple[Plate, ...]] = field(default_factory=dict)

    def coded(self) -> Composer:
        """Return the same for pictures in the film's own codes."""
        below, above = (
            {camera: tuple(drawing.coded() for drawing in some) for camera, some in plates.items()}
            for plates in (self.below, self.above)
        )
        return replace(self, background=coded(self.background), below=below, above=above)

    def compose(self, pictures: Mapping[str, Picture], plates: Iterable[Plate]) -> Picture:
        """Return a film frame; `pictures` have the sizes of their panes."""
        canvas = self._canvas(pictures)
        for pane in self.layout.panes:
            if pane.camera in pictures:
                self._place(canvas, pane, pictures[pane.camera])
        for drawing in plates:
            drawing.lay(canvas)
        return canvas

    def _canvas(self, pictures: Mapping[str, Picture]) -> Picture:
        first = self.layout.panes[0]
        picture = pictures.get(first.camera)
        if picture is not None and (first.box.width, first.box.height) == self.layout.size:
            return picture  # it fills the film: nothing of the background would be seen
        return self.background.copy()

    def _place(self, canvas: Picture, pane: Pane, picture: Picture) -> None:
        if canvas is picture:
            return
        box, cover = pane.box, self.covers[pane.camera]
        for drawing in self.below.get(pane.camera, ()):
            drawing.lay(canvas)
        if cover is None:
            canvas[box.y : box.bottom, box.x : box.right] = picture
        else:
            self._blend_corners(canvas, pane, picture, cover, self.rims[pane.camera])
        for drawing in self.above.get(pane.camera, ()):
            drawing.lay(canvas)

    def _blend_corners(
        self, canvas: Picture, pane: Pane, picture: Picture, cover: Picture, rows: NDArray[np.int64]
    ) -> None:
        box = pane.box
        target = canvas[box.y : box.bottom, box.x : box.right]
        kept = target[rows]
        target[:] = picture
        if len(rows):
            part = cover[rows]
            target[rows] = cv2.add(
                cv2.multiply(picture[rows], part, scale=1 / 255),
                cv2.multiply(kept, cv2.bitwise_not(part), scale=1 / 255),
            )


def composer(layout: Layout, background: str) -> Composer:
    """Prepare a layout on a background such as "#0e1216"."""
    width, height = layout.size
    ground = np.empty((height, width, 3), np.uint8)
    ground[:] = rgb(background)
    covers: dict[str, Picture | None] = {}
    rims, below, above = {}, {}, {}
    for pane in layout.panes:
        box, radius = pane.box, math.ceil(pane.radius_px)
        covers[pane.camera] = None
        if pane.radius_px:
            cover = rounded(box.width, box.height, pane.radius_px)
            covers[pane.camera] = np.repeat(cover[..., None], 3, axis=2)
            rims[pane.camera] = np.flatnonzero((cover < 255).any(axis=1))
        if pane.raised:
            reach = max(4, round(18 * layout.unit))
            shade = shadow(box.width, box.height, pane.radius_px, reach)
            dark = plate(box.x - reach, box.y - reach + reach // 3, shade, (0, 0, 0), 0.55)
            below[pane.camera] = dark.around(
                box.x + radius, box.y + radius, box.right - radius, box.bottom - radius
            )
            line = max(1.5, 2.0 * layout.unit)
            inner = rounded(box.width, box.height, pane.radius_px, inset=line).astype(np.int16)
            outer = rounded(box.width, box.height, pane.radius_px).astype(np.int16)
            ring = plate(box.x, box.y, np.clip(outer - inner, 0, 255).astype(np.uint8), FRAME, 0.9)
            inside = max(radius, math.ceil(line) + 1)
            above[pane.camera] = ring.around(
                box.x + inside, box.y + inside, box.right - inside, box.bottom - inside
            )
    return Composer(layout=layout, background=ground, covers=covers, rims=rims, below=below, above=above)
