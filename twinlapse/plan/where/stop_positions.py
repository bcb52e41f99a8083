"""Where the machine stands for each camera of a shot, by the camera's stance."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from twinlapse.arrays import Float, Int
from twinlapse.gcode import Layers, Toolpath
from twinlapse.gcode.segments import printed_boxes
from twinlapse.plan.clearance.height_map import BedPlace, inside_bed
from twinlapse.plan.where.look_points import LastingTargets, touring_targets
from twinlapse.plan.where.parking import PrintBox, park_for
from twinlapse.records import ArrayRecord
from twinlapse.rig import Camera, Printer, Rig, shift_axes

__all__ = [
    "LIFT_MM",
    "Places",
    "StopPosition",
    "find_places",
    "into_bed",
    "print_box",
    "stands_for",
    "with_tour",
]

LIFT_MM = 1.0  # the nozzle rises this far before it travels; common practice, no source


@dataclass(frozen=True, slots=True, kw_only=True)
class StopPosition:
    """A standing place that serves some cameras."""

    cameras: tuple[str, ...]
    stance: str
    at_mm: BedPlace | None  # None: where the nozzle is anyway
    rise_mm: float | None  # of the nozzle above the layer just printed; None: at the height of the travel
    steady_z: bool  # the print would jump in the picture if the nozzle stood higher


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class Places(ArrayRecord):
    """What is worked out once for the whole print: parks and points to look at."""

    parks: dict[str, BedPlace]  # by camera
    over: LastingTargets
    tour: Float  # (shots of the touring camera, 2)
    box: PrintBox


def find_places(toolpath: Toolpath, layers: Layers, rig: Rig) -> Places:
    """Return the parking places and the points to look at of all cameras, a tour's points left out."""
    box = print_box(toolpath, layers)
    parks: dict[str, BedPlace] = {}
    shared: BedPlace | None = None
    for camera in sorted(rig.cameras, key=lambda camera: camera.park_mm is None):
        if camera.stance != "clear":
            continue
        if camera.park_mm is None and shared is not None:
            parks[camera.name] = shared  # one place out of everybody's picture is one stop
        else:
            parks[camera.name] = park_for(camera, rig.printer, box, float(layers.z_mm.max()))
            shared = shared or parks[camera.name]
    over = LastingTargets(toolpath, layers, rig.printer)
    if not layers.sequential and any(camera.stance == "over" for camera in rig.cameras):
        _ = over[0]  # the one object's, while others look at the gaps
    return Places(parks=parks, over=over, tour=np.zeros((0, 2)), box=box)


def with_tour(places: Places, toolpath: Toolpath, layers: Layers, tour_layers: Int) -> Places:
    """Return the places with the points of a tour.

    Parameters
    ----------
    tour_layers : ndarray of int
        The layers of the touring camera's shots, in order.
    """
    return replace(places, tour=touring_targets(toolpath, layers, tour_layers))


def stands_for(
    cameras: Sequence[Camera], places: Places, printer: Printer, layer: int, tour_index: int
) -> list[StopPosition]:
    """Return the standing places of one shot, cameras that can share one put together."""
    stands: list[StopPosition] = []
    for camera in cameras:
        wanted = _stand(camera, places, printer, layer, tour_index)
        for k, other in enumerate(stands):
            joined = _joined(other, wanted)
            if joined is not None:
                stands[k] = joined
                break
        else:
            stands.append(wanted)
    return stands


def _stand(camera: Camera, places: Places, printer: Printer, layer: int, tour_index: int) -> StopPosition:
    names = (camera.name,)
    axes = shift_axes(printer.kinematics, camera.mount)
    if camera.stance in ("last", "still"):
        return StopPosition(cameras=names, stance=camera.stance, at_mm=None, rise_mm=None, steady_z=False)
    if camera.stance == "clear":
        rise = max(camera.nozzle_height_mm, LIFT_MM) if "z" in axes or camera.nozzle_height_mm > 0 else None
        at = places.parks[camera.name]
        return StopPosition(cameras=names, stance="clear", at_mm=at, rise_mm=rise, steady_z="z" in axes)
    point = places.over[layer] if camera.stance == "over" else places.tour[tour_index]
    if camera.stance == "over" and camera.over_mm is not None:
        point = np.array(camera.over_mm)
    look = camera.look_mm if camera.look_mm is not None and camera.mount == "toolhead" else (0.0, 0.0, 0.0)
    at = into_bed(printer, (float(point[0]) - look[0], float(point[1]) - look[1]))
    rise = max(camera.nozzle_height_mm, LIFT_MM)
    return StopPosition(cameras=names, stance=camera.stance, at_mm=at, rise_mm=rise, steady_z="z" in axes)


def _joined(one: StopPosition, other: StopPosition) -> StopPosition | None:
    """Return the place that serves both, None when there is none."""
    cameras = one.cameras + other.cameras
    if one.stance == other.stance and one.at_mm is None:
        return StopPosition(cameras=cameras, stance=one.stance, at_mm=None, rise_mm=None, steady_z=False)
    if "last" in (one.stance, other.stance) and "still" not in (one.stance, other.stance):
        place = other if one.stance == "last" else one  # `last` takes whatever place comes
        return StopPosition(
            cameras=cameras,
            stance=place.stance,
            at_mm=place.at_mm,
            rise_mm=place.rise_mm,
            steady_z=place.steady_z,
        )
    if one.at_mm is None or one.at_mm != other.at_mm:
        return None
    if one.rise_mm is not None and other.rise_mm is not None and one.rise_mm != other.rise_mm:
        if one.steady_z and other.steady_z:
            return None
        rise: float | None = one.rise_mm if one.steady_z else other.rise_mm
    else:
        rise = one.rise_mm if one.rise_mm is not None else other.rise_mm
    return StopPosition(
        cameras=cameras,
        stance=one.stance,
        at_mm=one.at_mm,
        rise_mm=rise,
        steady_z=one.steady_z or other.steady_z,
    )


def into_bed(printer: Printer, place: BedPlace) -> BedPlace:
    """Return the nearest place on the bed."""
    if inside_bed(printer, place):
        return place
    (x0, x1), (y0, y1) = printer.x_range_mm, printer.y_range_mm
    if printer.bed_shape == "round":
        centre = np.array([(x0 + x1) / 2, (y0 + y1) / 2])
        ray = np.array(place) - centre
        x, y = (centre + ray / np.hypot(*ray) * min(printer.bed_mm) / 2 * 0.9999).tolist()
        return (x, y)
    return (min(max(place[0], x0), x1), min(max(place[1], y0), y1))


def print_box(toolpath: Toolpath, layers: Layers) -> PrintBox:
    """Return the box around all layers, seen from above."""
    box = printed_boxes(toolpath, layers.first_row[[0, -1]])
    (x0, y0), (x1, y1) = box.low_mm[0, :2].tolist(), box.high_mm[0, :2].tolist()
    return ((x0, y0), (x1, y1))
