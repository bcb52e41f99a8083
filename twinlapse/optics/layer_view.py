"""What a camera on the toolhead shows of the layer: how steeply, how much at a stop, where it is sharp."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from twinlapse.errors import RigError
from twinlapse.optics.gap_view import smallest_gap_mm
from twinlapse.optics.pose import Pose, pose_on_mount
from twinlapse.optics.view import Sharpness, pixel_sides, sharpness
from twinlapse.optics.window import LEVEL_DEG, RISE_MM, Window, window_of
from twinlapse.rig.camera import Camera
from twinlapse.rig.printer import Printer

__all__ = ["GROOVE_PX", "LEAST_GAP_MM", "SURVEY_DEG", "LayerView", "layer_view"]

LEAST_GAP_MM = 0.5  # that the first-layer check finds, whatever the camera
GROOVE_PX = 2.0  # of a line's width: fewer pixels do not show the grooves between lines (Nyquist)
SURVEY_DEG = 12.0  # above level: a more level camera was not tried
_STEEPEST_DEG = 85.0  # seen from straight above all of the layer is equally far


@dataclass(frozen=True, slots=True, kw_only=True)
class LayerView:
    """How a camera on the toolhead sees the layer around the nozzle."""

    steep_deg: float  # above level, 90: from straight above
    window: Window | None  # of one stop of a survey; None: it shows no part well enough
    sharp_mm: tuple[float, float]  # on the layer: so far before the tip, and behind it; may be endless
    across_mm: float  # what a pixel shows at the tip across the line of sight
    along_mm: float  # and along it, which is more the more level it looks
    gaps_mm: tuple[float, float]  # shortest shown in lines along and across the line of sight; endless: none

    @property
    def level(self) -> bool:
        """Whether it looks so level that its foreground is much finer than the rest."""
        return round(self.steep_deg) < LEVEL_DEG

    @property
    def surveys(self) -> bool:
        """Whether a survey of a layer can be made with it."""
        return self.window is not None and self.steep_deg >= SURVEY_DEG

    def words(self, nozzle_mm: float) -> str:
        """Return one sentence on what it shows and what not."""
        before, behind = self.sharp_mm
        sharp = f"the layer is sharp from {_length(before)} before the tip to {_length(behind)} behind it"
        if before <= 0 or behind <= 0:
            sharp = "the layer is not sharp at the tip"
        said = (
            f"it looks down by {self.steep_deg:.0f} degrees; {sharp}; a pixel shows {self.across_mm:.2f} mm "
            f"across and {self.along_mm:.2f} mm along the line of sight. "
        )
        if self.window is None or not self.surveys:
            return said + "No part of the layer is shown well enough for a survey"
        wide, deep = self.window.size_mm
        said += f"A stop of a survey shows {wide:.0f} x {deep:.0f} mm"
        if self.level:
            along, across = self.gaps_mm
            said += ": outlines and what is absent; a lump hides what lies behind it; "
            if math.isinf(along):
                said += "no gaps"
            else:
                said += f"gaps from {max(along, LEAST_GAP_MM):.1f} mm on in lines along its view"
                said += ", none in lines across it" if math.isinf(across) else " and across it"
        if nozzle_mm / self.along_mm < GROOVE_PX:
            said += "; grooves of lines that run across the picture are not shown"
        return said


def layer_view(camera: Camera, printer: Printer, circle_px: float = 1.0) -> LayerView:
    """Return how a camera on the toolhead, with its upright picture, sees the layer.

    Parameters
    ----------
    camera : Camera
    printer : Printer
    circle_px : float
        Blur up to this diameter counts as sharp.
    """
    own = pose_on_mount(camera, printer)
    tip = np.zeros((1, 3))
    try:
        window = window_of(camera, printer, RISE_MM)
    except RigError:
        window = None
    field = sharpness(camera.lens, float(np.linalg.norm(own.place_mm)), circle_px)
    sides = pixel_sides(tip, own, camera.lens)[0]
    return LayerView(
        steep_deg=math.degrees(own.steep_rad),
        window=window,
        sharp_mm=_sharp_mm(own, field),
        across_mm=float(sides.min()),
        along_mm=float(sides.max()),
        gaps_mm=_gaps_mm(own, camera, printer),
    )


def _gaps_mm(own: Pose, camera: Camera, printer: Printer) -> tuple[float, float]:
    """Return the shortest gaps that lines of the nozzle show, along and across the line of sight."""
    level = np.hypot(*own.axes[2, :2])
    way = own.axes[2, :2] / level if level > 1e-9 else np.array([0.0, 1.0])
    wide_mm, tall_mm = 1.1 * printer.nozzle_mm, 0.5 * printer.nozzle_mm  # common practice, no source
    ways = np.array([way, [-way[1], way[0]]])
    along, across = smallest_gap_mm(ways, np.full(2, wide_mm), tall_mm, camera, printer, RISE_MM)
    return float(along), float(across)


def _sharp_mm(own: Pose, field: Sharpness) -> tuple[float, float]:
    """Return how far before and behind the tip the layer is sharp, along the line of sight on it."""
    depth = float(own.to_camera(np.zeros((1, 3)))[0, 2])
    level = math.hypot(float(own.axes[2, 0]), float(own.axes[2, 1]))
    if level < math.cos(math.radians(_STEEPEST_DEG)):
        return (math.inf, math.inf) if field.holds(depth) else (0.0, 0.0)
    return (depth - field.near_mm) / level, (field.far_mm - depth) / level


def _length(value_mm: float) -> str:
    return "any distance" if math.isinf(value_mm) else f"{value_mm:.1f} mm"
