"""What a shot is likely to cost before any is worked out: one in the middle of the print."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from twinlapse.gcode import Layers, Toolpath
from twinlapse.plan.cost import block_s, here_at
from twinlapse.plan.where.stop_positions import LIFT_MM, Places, stands_for
from twinlapse.rig import Camera, Rig
from twinlapse.shots import Shot, Stop

__all__ = ["estimated_shot_s"]

_BRAKING_S = 0.15  # lost by the print around a shot; measured on sliced files, 0.05 to 0.3


def estimated_shot_s(
    cameras: Sequence[Camera], toolpath: Toolpath, layers: Layers, rig: Rig, places: Places
) -> float:
    """Return the seconds that a shot for some cameras is likely to add, obstacles left aside."""
    if not cameras:
        return 0.0
    layer = len(layers) // 2
    here = here_at(toolpath, rig, int(layers.first_row[layer + 1]) - 1)
    (x0, y0), (x1, y1) = places.box
    middle = ((x0 + x1) / 2, (y0 + y1) / 2)
    here = replace(here, state=replace(here.state, x_mm=middle[0], y_mm=middle[1]))
    still = [camera for camera in cameras if camera.stance != "tour"]
    stops = [
        _stop(stand.cameras, stand.at_mm or middle, here.state.z_mm + LIFT_MM, rig)
        for stand in stands_for(still, places, rig.printer, layer, 0)
    ]
    stops += [
        _stop((camera.name,), middle, here.state.z_mm + LIFT_MM, rig)
        for camera in cameras
        if camera not in still
    ]
    moving = any(camera.stance != "still" for camera in cameras)
    shot = Shot(
        number=1,
        after_line=1,
        byte=0,
        layer=layer,
        z_mm=here.state.z_mm,
        at_s=0.0,
        cost_s=0.0,
        retract="already",
        retract_mm=0.0,
        retract_mm_s=rig.printer.retract_mm_s,
        lift_mm=LIFT_MM if moving else 0.0,
        stops=tuple(stops),
    )
    return block_s(shot, here, rig) + _BRAKING_S


def _stop(cameras: tuple[str, ...], place: tuple[float, float], z_mm: float, rig: Rig) -> Stop:
    dwell_s = max(camera.dwell_s for camera in rig.cameras if camera.name in cameras)
    return Stop(cameras=cameras, x_mm=place[0], y_mm=place[1], z_mm=z_mm, dwell_s=dwell_s, stance="clear")
