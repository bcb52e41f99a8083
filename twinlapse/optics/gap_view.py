"""Which gaps in lines a level camera on the toolhead shows: the line before a gap hides the bed in it.

Seen at an angle e above level, sides of lines as high as the layer, h, hide ``h (1 / sin e - 1)`` of the bed
along the line of sight. A gap is a hole as long as it is bare and as wide as its line; what is left must
fill pixels, and their blur of depth, both ways.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from twinlapse.arrays import Float
from twinlapse.errors import RigError
from twinlapse.optics.pose import pose_on_mount
from twinlapse.optics.view import pixel_sides
from twinlapse.optics.window import LEVEL_DEG, detail_mm, window_of
from twinlapse.rig.camera import Camera
from twinlapse.rig.printer import Printer

__all__ = [
    "GAP_MM",
    "LEVELLEST_DEG",
    "LONG_PX",
    "MOST_HIDING",
    "WIDE_PX",
    "GapView",
    "gap_view",
    "side_mm",
    "smallest_gap_mm",
]

LEVELLEST_DEG = 8.0  # pixels that look at the layer at less are left out
# of what is not hidden, so many pixels along the line and across it: of drawn gaps half of
# those that had fewer were found
LONG_PX, WIDE_PX = 1.5, 2.6
GAP_MM = 0.8  # the gap that a sound layer is promised not to have
MOST_HIDING = 0.05  # of the lines' length; more, and nothing found is no proof
_OWN_SHARE = 0.7
_BEST = 0.1  # share of the lines that show the shortest gaps


@dataclass(frozen=True, slots=True, kw_only=True)
class GapView:
    """What gaps the pictures of a layer can show."""

    hidden_share: float  # of the lines' length, in which no gap of GAP_MM is shown
    smallest_mm: float  # gap that the best tenth of the lines shows; endless: none

    @property
    def tells(self) -> bool:
        """Whether hardly a gap of GAP_MM can hide."""
        return self.hidden_share <= MOST_HIDING

    @property
    def words(self) -> str:
        """What cannot be seen; empty where all that matters can."""
        if self.tells:
            return ""
        most = "all" if self.hidden_share > 0.995 else f"{self.hidden_share:.0%} of"
        said = f"the camera looks too level to show a gap of {GAP_MM:g} mm in {most} the lines"
        if math.isinf(self.smallest_mm):
            return f"{said}, whatever its length"
        return f"{said}: it shows gaps from {self.smallest_mm:.1f} mm on in those that run along its view"


def side_mm(height_mm: float, steep_rad: float) -> float:
    """Return how far the sides of lines reach beyond their outline, seen `steep_rad` above level.

    A line has half round sides as high as the layer, as slicers reckon its material: from any direction the
    silhouette of a circle, laid along the lines of sight onto the plane of its middle.
    """
    return height_mm / 2 * (1 / math.sin(max(steep_rad, math.radians(LEVELLEST_DEG))) - 1)


def smallest_gap_mm(
    ways: Float, width_mm: Float, height_mm: float, camera: Camera, printer: Printer, rise_mm: float
) -> Float:
    """Return the shortest gap that is shown in each line at the far end of what one stop shows, (n,).

    Parameters
    ----------
    ways : ndarray of shape (n, 2)
        Directions of the lines, unit vectors.
    width_mm : ndarray of shape (n,)
    height_mm : float
        Of the layer.
    camera, printer
    rise_mm : float
        Of the tip above the layer.

    Returns
    -------
    ndarray of shape (n,)
        Endless where lines hide every gap; NaN where the camera has no window.
    """
    try:
        window = window_of(camera, printer, rise_mm)
    except RigError:
        return np.full(len(ways), np.nan)
    pose = pose_on_mount(camera, printer)
    middle, half = np.array(window.middle_mm), np.array(window.size_mm) / 2
    away = middle - pose.place_mm[:2]
    away /= max(float(np.hypot(*away)), 1e-9)
    # stops overlap: the rest of the window is shown better by the next one
    x, y = middle + _OWN_SHARE * half * away
    point = np.array([[x, y, -rise_mm]])
    sight = point[0] - pose.place_mm
    level = float(np.hypot(*sight[:2]))
    steep_rad = math.atan2(-sight[2], level)
    flat = sight[:2] / max(level, 1e-9)
    along = np.abs(ways @ flat)  # cosines of the angle between line and sight
    aside = np.abs(ways @ np.array([-flat[1], flat[0]]))
    pixel = pixel_sides(point, pose, camera.lens)[0]
    across_mm, along_mm = np.sort(pixel) * float(detail_mm(point, camera, printer)[0] / pixel.max())
    hidden_mm = 2 * side_mm(height_mm, steep_rad)
    wide = width_mm - hidden_mm * aside >= WIDE_PX * np.hypot(along_mm * aside, across_mm * along)
    shortest = hidden_mm * along + LONG_PX * np.hypot(along_mm * along, across_mm * aside)
    return np.asarray(np.where(wide, shortest, np.inf))


def gap_view(
    ways: Float,
    length_mm: Float,
    width_mm: Float,
    height_mm: float,
    camera: Camera,
    printer: Printer,
    rise_mm: float,
) -> GapView | None:
    """Return what gaps of a layer's lines a level camera can show; None for a steep one or without a window.

    `length_mm` (n,) are the lines' lengths; see `smallest_gap_mm` for the rest. What a steep camera shows is
    a matter of its pixels alone.
    """
    if pose_on_mount(camera, printer).steep_rad >= math.radians(LEVEL_DEG):
        return None
    least = smallest_gap_mm(ways, width_mm, height_mm, camera, printer, rise_mm)
    total = float(length_mm.sum())
    if not total or (not np.isfinite(least).any() and np.isnan(least).any()):
        return None
    order = np.argsort(least)
    best = order[np.searchsorted(np.cumsum(length_mm[order]), _BEST * total)]
    return GapView(
        hidden_share=float(length_mm[least > GAP_MM].sum()) / total, smallest_mm=float(least[best])
    )
