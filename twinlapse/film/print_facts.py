"""What the film has to know of the sliced file, and where a camera sees the print by the rig's geometry."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import product

import numpy as np

from twinlapse.arrays import Float
from twinlapse.optics.lens import axis_px, focal_px, project
from twinlapse.optics.pose import pose_in_bed
from twinlapse.optics.upright import upright_camera
from twinlapse.rig.camera import Camera, Lens
from twinlapse.rig.film_settings import Box
from twinlapse.rig.model import Rig
from twinlapse.rig.printer import Printer
from twinlapse.shots import Plan

__all__ = ["AROUND_TIP_MM", "PrintFacts", "projected_print"]

AROUND_TIP_MM = 6.0  # what a camera that rides with the nozzle shows: the tip, and the lines just laid


@dataclass(frozen=True, slots=True, kw_only=True)
class PrintFacts:
    """What the sliced file says of the print, in G-code coordinates."""

    low_mm: tuple[float, float, float]  # of the box around all that is printed, skirt and first layer apart
    high_mm: tuple[float, float, float]
    filament_mm: float
    # layers, from 0, before which the filament is changed, and what is said of it: "filament 2" or ""
    filament_changes: tuple[tuple[int, str], ...] = ()


def projected_print(rig: Rig, plan: Plan, facts: PrintFacts) -> dict[str, Box]:
    """Return for each camera the box of its upright picture around the print at all its shots, in shares.

    A camera that rides with the nozzle shows the tip instead. Cameras that see nothing of it are left out.
    """
    found = {}
    for camera in rig.cameras:
        ends = [_seen(camera, rig.printer, nozzle, facts, top) for nozzle, top in _stops(plan, camera.name)]
        if not ends:
            continue
        pixels = np.concatenate(ends)
        lens = upright_camera(camera).lens
        shares = (pixels + 0.5) / (lens.width_px, lens.height_px)
        if not np.isfinite(shares).all():
            continue
        low, high = shares.min(axis=0).clip(0, 1), shares.max(axis=0).clip(0, 1)
        if (high - low > 0.01).all():
            width, height = high - low
            found[camera.name] = (float(low[0]), float(low[1]), float(width), float(height))
    return found


def _stops(plan: Plan, camera: str) -> Iterator[tuple[tuple[float, float, float], float]]:
    for shot in plan.shots:
        for stop in shot.stops:
            if camera in stop.cameras:
                yield (stop.x_mm, stop.y_mm, stop.z_mm), shot.z_mm


def _seen(
    camera: Camera, printer: Printer, nozzle: tuple[float, float, float], facts: PrintFacts, top_mm: float
) -> Float:
    """Return the pixels of the corners of what a camera is there for, while the nozzle stands at a place."""
    if camera.mount == "toolhead":
        spread = (-AROUND_TIP_MM, AROUND_TIP_MM)
        ways = product(spread, spread, (0.0, -0.2 * AROUND_TIP_MM))
        corners = np.array([np.add(nozzle, way) for way in ways])
    else:
        (x0, y0, _), (x1, y1, _) = facts.low_mm, facts.high_mm
        corners = np.array(list(product((x0, x1), (y0, y1), (0.0, top_mm))))
    upright = upright_camera(camera)
    rays = pose_in_bed(upright, printer, nozzle).to_camera(corners)
    if camera.film.straighten and (any(camera.lens.distortion) or camera.lens.kind == "fisheye"):
        return _straight(rays, upright.lens)
    return project(rays, upright.lens)


def _straight(rays: Float, lens: Lens) -> Float:
    """Return the pixels in the straightened picture, which keeps the focal length and the axis."""
    depth = np.where(rays[:, 2] > 1e-6, rays[:, 2], np.nan)
    focal = focal_px(lens if lens.kind == "fisheye" else replace(lens, distortion=()))
    return np.asarray(rays[:, :2] / depth[:, None] * focal + np.array(axis_px(lens)))
