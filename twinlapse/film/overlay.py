"""The words on the film: figures in the band, the progress bar, the cameras' names."""

from __future__ import annotations

import functools
from dataclasses import dataclass

import numpy as np

from twinlapse.arrays import Picture
from twinlapse.film.layout import Layout
from twinlapse.film.lettering import Lettering
from twinlapse.film.overlay_values import Facts, clock
from twinlapse.film.stencil import Plate, columns, plate, rgb, rounded
from twinlapse.rig.film_settings import Filming

__all__ = ["CAPTION_GROUND", "SHADE", "SHADE_STRENGTH", "SOFT", "Overlay"]

_INK = (247, 249, 250)
SOFT = (214, 222, 228)
SHADE = (8, 11, 14)
# white (1.0) over this much near-black over white stays above 4.5:1 (WCAG 2.x), soft white too
SHADE_STRENGTH = 0.74
CAPTION_GROUND = 0.84


@dataclass(frozen=True, slots=True, kw_only=True)
class Overlay:
    """All that is drawn over the panes of one layout."""

    layout: Layout
    filming: Filming
    lettering: Lettering
    labels: dict[str, str]  # camera -> what stands in its pane
    pace: tuple[tuple[float, float], ...] = ()  # (share of the way, time it took over the longest)
    captions: tuple[str, ...] = ()
    caption_at: tuple[int, int] = (0, 0)  # where captions lie; those on the right end there
    caption_right: bool = False

    def still(self) -> list[Plate]:
        """Return the plates that are the same on every film frame: shade and names."""
        plates = []
        if self.layout.over_pictures and self._has_band:
            plates.append(self._shade())
        if self._has_band:
            plates += self._title()
        if "names" in self.filming.overlay and len(self.layout.panes) > 1:
            plates += [chip for pane in self.layout.panes for chip in self._name(pane.camera)]
        return plates

    def _title(self) -> list[Plate]:
        if not self.filming.title:
            return []
        band = self.layout.band
        mask = self.lettering.mask(self.filming.title, self._px(22))
        known = ("layer", "height", "elapsed", "remaining")
        fields = sum(name in known for name in self.filming.overlay)
        if mask.shape[1] > band.width - self._step(fields) * fields:
            return []  # it would run into the figures; the title card says it
        return [plate(band.right - mask.shape[1], band.y + self._px(26), mask, SOFT)]

    def moving(self, facts: Facts) -> list[Plate]:
        """Return the plates of one moment: its figures and the bar."""
        if not self._has_band:
            return []
        plates = self._figures(facts)
        if "progress" in self.filming.overlay:
            plates += self._bar(facts.share)
        return plates

    def caption_size(self) -> tuple[int, int]:
        """Return width and height of the widest caption, its ground included."""
        masks = [self._caption_mask(text) for text in self.captions]
        return max(mask.shape[1] for mask in masks) + 2 * self._px(16), masks[0].shape[0] + 2 * self._px(9)

    def caption(self, number: int, strength: float) -> list[Plate]:
        """Return a caption on a ground of its own."""
        text = self._caption_mask(self.captions[number])
        across, down = self._px(16), self._px(9)
        width, height = text.shape[1] + 2 * across, text.shape[0] + 2 * down
        x, y = self.caption_at
        x = x - width if self.caption_right else x
        ground = plate(x, y, rounded(width, height, self._px(8)), SHADE, CAPTION_GROUND * strength)
        return [ground, plate(x + across, y + down, text, _INK, strength)]

    def _caption_mask(self, text: str) -> Picture:
        """Return the letters of a caption, smaller where it would be wider than the safe area."""
        size = self._px(24)
        while (mask := self.lettering.mask(text, size)).shape[1] > self.layout.band.width - self._px(
            60
        ) and size > 8:
            size = size * 9 // 10
        return mask

    @property
    def _has_band(self) -> bool:
        return bool(set(self.filming.overlay) - {"names"})

    def _px(self, length: float) -> int:
        return max(1, round(length * self.layout.unit))

    def _shade(self) -> Plate:
        width, height = self.layout.size
        ramp, top = self._px(70), self.layout.band.y - self._px(16)
        rows = np.arange(top - ramp, height)
        strength = SHADE_STRENGTH * np.clip((rows - rows[0]) / ramp, 0, 1) ** 1.5
        return plate(0, top - ramp, columns(strength, width), SHADE)

    def _name(self, camera: str) -> list[Plate]:
        pane = next(pane for pane in self.layout.panes if pane.camera == camera)
        text = self.lettering.mask(self.labels[camera].upper(), self._px(15), track_px=self._px(1.5))
        across, down = self._px(11), self._px(5)
        width, height = text.shape[1] + 2 * across, text.shape[0] + 2 * down
        whole = pane.box.width == self.layout.size[0]
        x = self.layout.band.x if whole else pane.box.x + self._px(12)
        y = max(pane.box.y + self._px(12), round(self.layout.size[1] * 0.05) if whole else 0)
        chip = plate(x, y, rounded(width, height, height / 2), SHADE, SHADE_STRENGTH)
        return [chip, plate(x + across, y + down, text, _INK)]

    def _step(self, fields: int) -> float:
        return min(self.layout.band.width / max(4, fields), self._px(230))

    def _figures(self, facts: Facts) -> list[Plate]:
        fields = self._fields(facts)
        if not fields:
            return []
        band = self.layout.band
        step = self._step(len(fields))
        plates = []
        for place, (name, text) in enumerate(fields):
            x = band.x + round(place * step)
            plates.append(_name_plate(self.lettering, x, band.y, name, self._px(15), self._px(1.5)))
            figures = self.lettering.mask(text, self._px(32), figures=True)
            plates.append(plate(x, band.y + self._px(18), figures, _INK))
        return plates

    def _fields(self, facts: Facts) -> list[tuple[str, str]]:
        wanted = self.filming.overlay
        fields = []
        if "layer" in wanted:
            fields.append(("LAYER" if facts.is_layer else "FRAME", f"{facts.count[0]}/{facts.count[1]}"))
        if "height" in wanted and facts.height_mm is not None:
            fields.append(("HEIGHT", f"{facts.height_mm:.1f} mm"))
        if "elapsed" in wanted and facts.elapsed_s is not None:
            fields.append(("ELAPSED", clock(facts.elapsed_s)))
        if "remaining" in wanted and facts.remaining_s is not None:
            fields.append(("REMAINING", clock(facts.remaining_s)))
        return fields

    def _bar(self, share: float) -> list[Plate]:
        band = self.layout.band
        height = self._px(5)
        y = band.bottom - height
        done = max(height, round(band.width * share))
        plates = [
            _trough(band.x, y, band.width, height),
            plate(band.x, y, _rounded(done, height), rgb(self.filming.accent)),
        ]
        return [*self._pace(share), *plates]

    def _pace(self, share: float) -> list[Plate]:
        """Return the time that each layer took as columns on the bar, those done in the accent."""
        if not self.pace:
            return []
        band, tall = self.layout.band, self._px(12)
        y = band.bottom - self._px(5) - self._px(2) - tall
        cover = _columns(self.pace, band.width, tall)
        done = round(band.width * share)
        ahead = plate(band.x + done, y, cover[:, done:], (255, 255, 255), 0.3)
        return [plate(band.x, y, cover[:, :done], rgb(self.filming.accent), 0.75), ahead]


# what stays the same from moment to moment is drawn once, and stays the same object
@functools.lru_cache(maxsize=64)
def _name_plate(lettering: Lettering, x: int, y: int, name: str, size_px: int, track_px: int) -> Plate:
    return plate(x, y, lettering.mask(name, size_px, track_px=track_px), SOFT)


@functools.lru_cache(maxsize=8)
def _trough(x: int, y: int, width: int, height: int) -> Plate:
    return plate(x, y, _rounded(width, height), (255, 255, 255), 0.28)


@functools.lru_cache(maxsize=8)
def _columns(pace: tuple[tuple[float, float], ...], width: int, height: int) -> Picture:
    cover = np.zeros((height, width), np.uint8)
    left = 0
    for share, time in pace:
        right = min(width, max(left + 1, round(share * width)))
        gap = 1 if right - left > 3 else 0
        cover[height - max(1, round(time * height)) :, left : right - gap] = 255
        left = right
    return cover


@functools.lru_cache(maxsize=64)
def _rounded(width: int, height: int) -> Picture:
    return rounded(width, height, height / 2)
