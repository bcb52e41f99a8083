"""Is the housing of a camera on the toolhead in the way of the print, of objects or of keep-outs."""

from __future__ import annotations

import math

import numpy as np

from twinlapse.optics.pose import Pose
from twinlapse.rig.camera import Camera
from twinlapse.rig.finding import Finding, finding
from twinlapse.rig.printer import Printer

__all__ = ["check_housing", "lowest_mm", "reach_mm"]

_CLEAR_MM = 3.0  # a housing stays this far above the layer; common practice, no source


def lowest_mm(camera: Camera, own: Pose) -> float:
    """Return the height above the tip of the lowest point of a round housing whose front is at the pupil."""
    sideways = math.sqrt(max(0.0, 1 - float(own.axes[2, 2]) ** 2))
    ends = (own.place_mm[2], own.place_mm[2] - camera.body_mm[1] * own.axes[2, 2])
    return float(min(ends)) - camera.body_mm[0] / 2 * sideways


def reach_mm(camera: Camera, own: Pose) -> float:
    """Return how far the housing reaches from the nozzle, seen from above."""
    ends = own.place_mm[:2], (own.place_mm - camera.body_mm[1] * own.axes[2])[:2]
    return float(max(np.hypot(*end) for end in ends)) + camera.body_mm[0] / 2


def _clear_of_layer(camera: Camera, own: Pose) -> Finding:
    low = lowest_mm(camera, own)
    return finding(
        camera.name,
        "clear-of-layer",
        holds=low >= _CLEAR_MM,
        text=f"the lowest point of the housing is {low:.1f} mm above the layer",
        hint=f"raise it: at least {_CLEAR_MM:g} mm keep it clear of curled edges",
        values={"clearance_mm": round(low, 2)},
    )


def _inside_toolhead(camera: Camera, printer: Printer, own: Pose) -> Finding:
    reach, head = reach_mm(camera, own), printer.toolhead
    low = lowest_mm(camera, own)
    holds = reach <= head.radius_mm
    return finding(
        camera.name,
        "clear-of-objects",
        holds=holds,
        text=f"the housing reaches {reach:.1f} mm from the nozzle; toolhead.radius_mm is {head.radius_mm:g}. "
        f"Beside a finished object it clears what is less than {low:.1f} mm higher than the layer",
        hint=f"write toolhead = {{ radius_mm = {math.ceil(reach)} ... }}, or it may hit objects",
        values={"reach_mm": round(reach, 2), "clearance_mm": round(low, 2)},
    )


def check_housing(camera: Camera, printer: Printer, own: Pose) -> list[Finding]:
    """Return the findings on a housing and its cable, ``own`` being its pose beside the nozzle."""
    return [
        _clear_of_layer(camera, own),
        _inside_toolhead(camera, printer, own),
        *_keep_outs(camera, printer, own),
        _cable(camera, printer),
    ]


def _keep_outs(camera: Camera, printer: Printer, own: Pose) -> list[Finding]:
    """Return the keep-outs that the housing may meet though the nozzle keeps clear of them."""
    low, reach = lowest_mm(camera, own), reach_mm(camera, own)
    high = [box for box in printer.keep_out if box.z_mm > low]
    if not high:
        return []
    box = max(high, key=lambda box: box.z_mm)
    return [
        Finding(
            camera=camera.name,
            name="clear-of-keep-outs",
            holds=None,
            text=f"{len(high)} of {len(printer.keep_out)} keep-outs stand higher than the housing's lowest "
            f"point ({low:.1f} mm above the tip): on low layers the housing, {reach:.0f} mm beside the "
            f"nozzle, can meet the one at X{box.x_mm[0]:g} Y{box.y_mm[0]:g}",
            hint=f"widen these keep-outs by {reach:.0f} mm away from the camera, or raise the camera",
            values={"clearance_mm": round(low, 2), "reach_mm": round(reach, 2)},
        )
    ]


def _cable(camera: Camera, printer: Printer) -> Finding:
    moving = {
        "bed-moves-y": (True, False, True),
        "bed-moves-z": (True, True, False),
        "bed-fixed": (True,) * 3,
    }
    travel = (*printer.bed_mm, printer.height_mm)
    way = math.hypot(*(t for t, m in zip(travel, moving[printer.kinematics], strict=True) if m))
    loose = 1.2 * way + 100
    return finding(
        camera.name,
        "cable",
        holds=None,
        text=f"leave {loose:.0f} mm of cable from the toolhead to its clamp (its longest travel and a fifth, "
        "common practice), away from belts and hot parts; USB 2.0 without a hub: 5 m in all",
        values={"loose_mm": round(loose)},
    )
