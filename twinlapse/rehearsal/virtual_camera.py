"""A virtual camera at work: pose and print to a picture in linear light."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from twinlapse.arrays import Float, Float32
from twinlapse.optics.lens import axis_px, focal_px, ray_grid
from twinlapse.optics.pose import Pose, see_with_depth
from twinlapse.rehearsal import render_kernels
from twinlapse.rehearsal.beads import Beads
from twinlapse.rehearsal.machine_meshes import BED_THICK_MM, GRAIN_STEP_MM, PLATE_HUE, PLATE_STEP_MM
from twinlapse.rehearsal.mesh import Mesh
from twinlapse.rehearsal.shade import Shade, room_light, room_lit
from twinlapse.rig import Lens, Printer

__all__ = [
    "ABOUT_PX",
    "FAR_MM",
    "FINE",
    "FRESH_MM",
    "SIEVE_EVERY",
    "Materials",
    "RenderWindow",
    "Spread",
    "Studio",
]

FAR_MM = 1e5
_SLACK_MM = 0.6  # a bead so little behind what hides it may be seen from nearby
SIEVE_EVERY = 6  # pictures
ABOUT_PX = 60  # beads this near to the picture may move into it before all are looked at again
FRESH_MM = 1.2  # a camera that moves further against the print may see other beads
FINE = 2  # subpixels along each side of a pixel


@dataclass(frozen=True, slots=True, kw_only=True)
class Materials:
    """Colours and textures of one print on one bed."""

    hue: Float32  # (n, 3) of every bead
    plate: Float32
    grain: Float32
    bed_gloss: float = 0.35


@dataclass(frozen=True, slots=True, kw_only=True)
class RenderWindow:
    """A part of the picture: its first pixel and its size."""

    x: int
    y: int
    width: int
    height: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Spread:
    """Where k beads appear in the picture."""

    ends_px: Float  # (k, 4) x, y of both ends
    reach_px: Float  # (k,) how far they reach around their middle line
    near_mm: Float  # (k,) how near they come
    inside: NDArray[np.bool_]  # (k,) may be in the picture
    about: NDArray[np.bool_]  # (k,) or beside it


class Studio:
    """One camera and the print before it; the print may only grow from picture to picture."""

    def __init__(
        self,
        lens: Lens,
        printer: Printer,
        beads: Beads,
        looks: Materials,
        *,
        lamp: float = 0.0,
        room: float = 1.0,
        fat: tuple[float, float] = (1.10, 1.22),
    ) -> None:
        self.lens, self.printer, self.beads, self.looks = lens, printer, beads, looks
        self.lamp, self.room = lamp, room
        self.rays = ray_grid(lens)
        self.fine_rays = ray_grid(lens, FINE)
        ends = np.concatenate([beads.first_mm, beads.last_mm])
        self.low, self.high = ends.min(axis=0), ends.max(axis=0)
        self.shade = Shade(self.low, self.high)
        # an ellipse a little larger than the bead: neighbours meet below their crests, as pressed lines do
        self.half_width = (beads.half_width_mm * np.float32(fat[0])).astype(np.float32)
        self.half_height = (beads.half_height_mm * np.float32(fat[1])).astype(np.float32)
        self._seen = np.zeros(len(beads), np.uint8)
        self._alive = np.zeros(0, np.int64)
        self._sieved = 0
        self._age = 0
        self._from: Pose | None = None  # where all beads were last looked at
        self.picture = np.zeros((lens.height_px, lens.width_px, 3), np.float32)
        self.depth = np.zeros((lens.height_px, lens.width_px), np.float32)
        pixels = FINE * FINE * lens.height_px * lens.width_px
        self._colour = np.zeros(3 * pixels, np.float32)
        self._fine_depth = np.zeros(pixels, np.float32)

    def begin(self, background: Float32 | tuple[float, float, float], depth: Float32 | None = None) -> None:
        """Start a picture from what stands behind everything."""
        self.picture[:] = np.asarray(background, np.float32)
        self.depth[:] = FAR_MM if depth is None else depth

    def paint_bed(self, pose: Pose) -> None:
        """Paint the bed; the pose is in the frame of the bed, as everywhere here."""
        printer = self.printer
        (x0, x1), (y0, y1) = printer.x_range_mm, printer.y_range_mm
        render_kernels.paint_bed(
            self.picture,
            self.depth,
            self.rays,
            pose.place_mm,
            pose.axes,
            np.array([x0, y0, x1, y1, BED_THICK_MM]),
            printer.bed_shape == "round",
            self.looks.plate,
            PLATE_HUE,
            PLATE_STEP_MM,
            self.looks.grain,
            GRAIN_STEP_MM,
            self.looks.bed_gloss,
            self._light(pose),
            self.shade.map,
            self.shade.frame,
            self.shade.crowd,
            self.shade.corner,
        )

    def paint_print(self, pose: Pose, count: int) -> None:
        """Paint the first `count` beads."""
        some, sieve = self._candidates(pose, count)
        spread = self._spread(some, pose)
        inside = spread.inside
        which, ends_px, reach_px = some[inside], spread.ends_px[inside], spread.reach_px[inside]
        window = self._window(ends_px.reshape(-1, 2), float(reach_px.max(initial=0)))
        if window is not None:
            colour, depth, base = self._open(window)
            corner = np.array([window.x * FINE, window.y * FINE])
            self._seen[which] = 0
            render_kernels.paint_beads(
                which,
                self.beads.first_mm,
                self.beads.last_mm,
                self.half_width,
                self.half_height,
                self.looks.hue,
                (_fine(ends_px) - np.tile(corner, 2)).astype(np.float32),
                (reach_px * FINE + 1).astype(np.float32),
                spread.near_mm[inside].astype(np.float32),
                _SLACK_MM if sieve else 0.0,
                pose.place_mm,
                pose.axes,
                self.fine_rays,
                corner,
                colour,
                depth,
                self._seen,
                self._light(pose),
                self.shade.map,
                self.shade.frame,
                self.shade.crowd,
                self.shade.corner,
            )
            self._settle(window, colour, depth, base)
        if sieve:
            outside = some[spread.about & ~inside]
            self._alive = np.sort(np.concatenate([which[self._seen[which] > 0], outside]))
            self._sieved = count

    def paint_mesh(self, mesh: Mesh, pose: Pose, colours: Float) -> None:
        """Paint a solid thing in the colours (n, 3, 3) of its corners; see `lit`."""
        pixels, depth_mm = see_with_depth(mesh.corners_mm.reshape(-1, 3), pose, self.lens)
        pixels = np.where(depth_mm[:, None] > 1, pixels, np.nan)
        front = np.isfinite(pixels).reshape(-1, 6).all(axis=1)
        if not front.any():
            return
        corners = pixels.reshape(-1, 3, 2)[front]
        window = self._window(corners.reshape(-1, 2), 1.0)
        if window is None:
            return
        colour, depth, base = self._open(window)
        offset = np.array([window.x * FINE, window.y * FINE])
        render_kernels.paint_triangles(
            _fine(corners) - offset, depth_mm.reshape(-1, 3)[front], colours[front], colour, depth
        )
        self._settle(window, colour, depth, base)

    def lit(self, mesh: Mesh, pose: Pose) -> Float:
        """Return the colours of a mesh in the light of the room and of the camera's lamp."""
        colours = room_lit(mesh.normals, mesh.hues[:, None, :], self.room)
        if self.lamp:
            way = pose.place_mm - mesh.corners_mm
            far = (way**2).sum(axis=-1)
            facing = np.clip((mesh.normals * way).sum(axis=-1) / np.sqrt(far), 0, None)
            gloss = 0.25 * facing**24
            colours = (
                colours
                + (mesh.hues[:, None, :] * facing[..., None] + gloss[..., None])
                * (self.lamp / far)[..., None]
            )
        return colours

    def _candidates(self, pose: Pose, count: int) -> tuple[NDArray[np.int64], bool]:
        """Return the beads that may be seen, and whether to sieve out those hidden behind others.

        Sieving costs more than painting, so it is done now and then, and from all beads when the camera has
        moved some way against the print.
        """
        moved = self._from is None or np.abs(pose.place_mm - self._from.place_mm).max() > FRESH_MM
        self._age = 0 if moved else self._age + 1
        if moved:
            self._from = pose
            return np.arange(count), True
        which = np.concatenate([self._alive, np.arange(self._sieved, count)])
        return which, self._age % SIEVE_EVERY == 0

    def _spread(self, which: NDArray[np.int64], pose: Pose) -> Spread:
        a, depth_a = see_with_depth(self.beads.first_mm[which], pose, self.lens)
        b, depth_b = see_with_depth(self.beads.last_mm[which], pose, self.lens)
        near = np.minimum(depth_a, depth_b)
        focal = focal_px(self.lens)
        oblique = 1 + np.square(a - np.array(axis_px(self.lens))).sum(axis=1) / focal**2
        size = np.maximum(self.half_width[which], self.half_height[which])
        reach = focal * size / np.maximum(near, 1) * oblique + 0.5
        low, high = np.minimum(a, b) - reach[:, None], np.maximum(a, b) + reach[:, None]
        picture = np.array([self.lens.width_px, self.lens.height_px])
        front = near > 2
        return Spread(
            ends_px=np.hstack([a, b]),
            reach_px=reach,
            near_mm=near - size,
            inside=front & ((high >= 0) & (low < picture)).all(axis=1),
            about=front & ((high >= -ABOUT_PX) & (low < picture + ABOUT_PX)).all(axis=1),
        )

    def _window(self, pixels: Float, margin: float) -> RenderWindow | None:
        if not len(pixels):
            return None
        low = np.floor(pixels.min(axis=0) - margin).astype(int)
        high = np.ceil(pixels.max(axis=0) + margin).astype(int) + 1
        x0, y0 = max(0, low[0]), max(0, low[1])
        x1, y1 = min(self.lens.width_px, high[0]), min(self.lens.height_px, high[1])
        return RenderWindow(x=x0, y=y0, width=x1 - x0, height=y1 - y0) if x1 > x0 and y1 > y0 else None

    def _open(self, window: RenderWindow) -> tuple[Float32, Float32, Float32]:
        base = self.depth[window.y : window.y + window.height, window.x : window.x + window.width]
        height, width = FINE * window.height, FINE * window.width
        depth = self._fine_depth[: height * width].reshape(height, width)
        for j in range(FINE):
            for i in range(FINE):
                depth[j::FINE, i::FINE] = base
        return self._colour[: 3 * height * width].reshape(height, width, 3), depth, base.copy()

    def _settle(self, window: RenderWindow, colour: Float32, depth: Float32, base: Float32) -> None:
        render_kernels.settle_window(
            self.picture, self.depth, np.array([window.x, window.y]), FINE, colour, depth, base
        )

    def _light(self, pose: Pose) -> Float:
        return room_light(pose.place_mm, self.lamp, self.room)


def _fine(pixels: Float) -> Float:
    """Return pixels of the picture as subpixels."""
    return np.asarray((pixels + 0.5) * FINE - 0.5)
