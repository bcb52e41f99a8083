"""From a camera's frame to its pane: the part that is seen, and the one map through which it is read."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from twinlapse.arrays import Float, Picture
from twinlapse.film.coding_kernels import CODED_BLOCK_PX
from twinlapse.film.colour import coded_relit
from twinlapse.film.layout import Pane
from twinlapse.film.options import CameraOptions
from twinlapse.imaging.light import ACROSS, DOWN, Blocks, Relight, relight
from twinlapse.imaging.resampling import Map, chain, pane_map, resample, straight_map, upright_map
from twinlapse.imaging.transforms import Motion, way_of
from twinlapse.optics.lens import scaled
from twinlapse.rig.film_settings import Box
from twinlapse.tracking.stabilise import Track

__all__ = ["MOST_TRIM", "View", "make_view", "mixed", "trim_of", "upright_size"]

MOST_TRIM = 0.04  # share of a side given up at most to keep shifted edges out of sight


@dataclass(frozen=True, slots=True, kw_only=True)
class View:
    """How one camera is seen in one pane."""

    size: tuple[int, int]  # of the pane
    camera_size: tuple[int, int]  # of the camera's pictures
    matrix: Float  # pane -> raw (or straightened) picture of the reference
    straight: Map | None
    fine: bool
    coded: bool = False  # shown in the film's own codes instead of RGB

    def show(self, picture: Picture, motion: Motion, light: Relight, room: Picture | None = None) -> Picture:
        """Return the pane's picture of one frame; `room` is memory of its shape that it may lie in."""
        laid = resample(
            picture,
            self.matrix,
            self.size,
            straight=self.straight,
            inner=motion.matrix,
            fine=self.fine,
            room=room,
        )
        if not self.coded:
            return relight(laid, light)
        left = None if light.left is None else self._laid_in_blocks(light.left)
        return coded_relit(laid, light, left, out=laid)

    def _laid_in_blocks(self, raster: Blocks) -> Blocks:
        """Return values at blocks of the reference, (DOWN, ACROSS, 3), at the blocks of the pane."""
        # the middle of a block of k pixels lies at (k - 1) / 2
        grow, (width, height) = CODED_BLOCK_PX, self.camera_size
        blocks = np.array([[grow, 0, (grow - 1) / 2], [0, grow, (grow - 1) / 2]])
        across, down = ACROSS / width, DOWN / height
        inner = np.array([[across, 0, (across - 1) / 2], [0, down, (down - 1) / 2]])
        size = (-(-self.size[0] // grow), -(-self.size[1] // grow))
        return resample(raster, chain(self.matrix, blocks), size, straight=self.straight, inner=inner)


def upright_size(track: Track, options: CameraOptions) -> tuple[float, float]:
    """Return width and height of what is seen of a camera at most: upright and cropped, pixels."""
    _, size = upright_map(track.size, options.rotate_deg, options.mirror)
    crop = _crop(options)
    return size[0] * crop[2], size[1] * crop[3]


def _crop(options: CameraOptions) -> Box:
    """Return what may be seen of the upright picture: all of it where the maker has not said."""
    crop = options.filming.crop
    return (0.0, 0.0, 1.0, 1.0) if crop == "auto" else crop


def make_view(track: Track, options: CameraOptions, pane: Pane, *, fine: bool = False) -> View:
    """Return how the camera is seen in `pane`: filled around its focus, the trembling edges left out."""
    upright, size = upright_map(track.size, options.rotate_deg, options.mirror)
    box = _seen(size, _crop(options), options.filming.focus, pane, trim_of(track))
    lens = options.lens
    straight = None if lens is None else straight_map(scaled(lens, track.size))
    return View(
        size=(pane.box.width, pane.box.height),
        camera_size=track.size,
        matrix=chain(upright, pane_map(box, (pane.box.width, pane.box.height))),
        straight=straight,
        fine=fine,
    )


def trim_of(track: Track) -> float:
    """Return by how many pixels the edges of the pictures wander, capped."""
    width, height = track.size
    corners = np.array([[0, 0], [width, 0], [0, height], [width, height]], dtype=np.float64)
    ways = [
        np.abs(way_of(motion.matrix, corners)).max()
        for motion, fault in zip(track.motions, track.faults, strict=True)
        if not fault
    ]
    return float(min(np.quantile(ways, 0.98), MOST_TRIM * min(width, height))) if ways else 0.0


def _seen(
    size: tuple[int, int], crop: Box, focus: tuple[float, float], pane: Pane, trim: float
) -> tuple[float, float, float, float]:
    x0, y0 = max(crop[0] * size[0], trim), max(crop[1] * size[1], trim)
    x1 = min((crop[0] + crop[2]) * size[0], size[0] - trim)
    y1 = min((crop[1] + crop[3]) * size[1], size[1] - trim)
    aspect = pane.box.width / pane.box.height
    width = min(x1 - x0, (y1 - y0) * aspect)
    height = width / aspect
    x = x0 + (x1 - x0 - width) * focus[0]
    y = y0 + (y1 - y0 - height) * focus[1]
    return x, y, width, height


def mixed(first: Picture, second: Picture, share: float) -> Picture:
    """Return the cross-fade of two pictures."""
    return np.asarray(cv2.addWeighted(first, 1 - share, second, share, 0), dtype=np.uint8)
