"""Checks of a rig: does each camera see what it should, how sharply, and is anything in the way."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from twinlapse.arrays import Float
from twinlapse.optics.layer_view import SURVEY_DEG, LayerView, layer_view
from twinlapse.optics.pose import (
    Place,
    Pose,
    bed_middle,
    in_picture,
    pose_in_bed,
    pose_on_mount,
    rest_of,
    see,
)
from twinlapse.optics.upright import upright_camera
from twinlapse.optics.view import Sharpness, blur_px, hidden, pixel_size, sharpness
from twinlapse.rig.camera import Camera
from twinlapse.rig.kinematics import shift_axes
from twinlapse.rig.model import Rig
from twinlapse.rig.printer import Printer, Toolhead

__all__ = [
    "LINE_PX",
    "RAW_BYTES",
    "RAW_FPS",
    "REHEARSED_MM",
    "USB2_BYTES_S",
    "Finding",
    "check_rig",
    "looked_at_mm",
    "lowest_mm",
    "reach_mm",
    "volume_grid",
]

_CLEAR_MM = 3.0  # a housing stays this far above the layer; common practice, no source
REHEARSED_MM = 0.1  # of a pixel, for which the rate of found gaps was measured
LINE_PX = 3.0  # of a printed line's width: less, and its edges run together; common practice, no source
USB2_BYTES_S = (
    24_576_000  # 3 x 1024 bytes in each of 8000 microframes a second (USB 2.0 specification, 5.6.4)
)
RAW_BYTES = 2  # of a pixel in the uncompressed 4:2:2 form
RAW_FPS = 30


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """One check of one camera and its result."""

    camera: str
    name: str  # short, stable, hyphenated
    holds: bool | None  # None: for information, neither good nor bad
    text: str
    hint: str = ""
    values: dict[str, Any] = field(default_factory=dict)


def _finding(
    camera: str,
    name: str,
    *,
    holds: bool | None,
    text: str,
    hint: str = "",
    values: dict[str, Any] | None = None,
) -> Finding:
    """Return a finding; the hint is kept only where something does not hold."""
    return Finding(
        camera=camera,
        name=name,
        holds=holds,
        text=text,
        hint=hint if holds is False else "",
        values=values or {},
    )


def check_rig(rig: Rig, *, circle_px: float = 1.0) -> list[Finding]:
    """Return every finding on the cameras of a rig, in the order of the file.

    Parameters
    ----------
    rig : Rig
    circle_px : float
        Circle of confusion: blur up to this diameter counts as sharp.
    """
    findings = []
    for camera in map(upright_camera, rig.cameras):
        if camera.mount == "toolhead":
            findings += _check_toolhead_camera(camera, rig.printer, circle_px)
        else:
            findings += _check_standing_camera(camera, rig.printer, circle_px)
    return findings + _check_bus(rig)


def looked_at_mm(camera: Camera, printer: Printer) -> float:
    """Return the distance from a camera to what it is aimed at: the nozzle tip, or the middle of the bed."""
    own = pose_on_mount(camera, printer)
    if camera.mount in ("toolhead", "gantry"):
        return float(np.linalg.norm(own.place_mm))
    return float(np.linalg.norm(own.place_mm - [*bed_middle(printer), 0.0]))


def _check_standing_camera(camera: Camera, printer: Printer, circle_px: float) -> list[Finding]:
    rest = rest_of(camera, printer)
    pose = pose_in_bed(camera, printer, rest)
    return [
        _sees_volume(camera, printer, rest),
        *_resolves_bed(camera, printer, pose),
        _sharp_volume(camera, printer, pose, circle_px),
        _hides(camera, printer, pose, rest),
    ]


def _sees_volume(camera: Camera, printer: Printer, rest: Place) -> Finding:
    at_rest = _share_seen(camera, printer, rest)
    worst, where = at_rest, rest
    for nozzle in _extremes(camera, printer, rest):
        share = _share_seen(camera, printer, nozzle)
        if share < worst:
            worst, where = share, nozzle
    far = f"; with the nozzle at {_named(where)}: {worst:.0%}" if worst < at_rest else ""
    return _finding(
        camera.name,
        "sees-volume",
        holds=at_rest > 0.9999,
        text=f"{at_rest:.0%} of the build volume is in the picture at a shot{far}",
        hint="move it back, turn it, or use a wider lens",
        values={"share_at_shot": round(at_rest, 4), "share_at_worst": round(worst, 4)},
    )


def _share_seen(camera: Camera, printer: Printer, nozzle: Place) -> float:
    """Return the share of the build volume, up to the layer being printed, that is in the picture."""
    pose = pose_in_bed(camera, printer, nozzle)
    sinking = "z" in shift_axes(printer.kinematics, camera.mount)
    points = volume_grid(printer, nozzle[2] if sinking else printer.height_mm)
    return float(in_picture(see(points, pose, camera.lens), camera.lens).mean())


def volume_grid(printer: Printer, height_mm: float, count: int = 9) -> Float:
    """Return points spread evenly over the build volume up to a height, edges included: (n, 3), mm."""
    x, y = (np.linspace(*pair, count) for pair in (printer.x_range_mm, printer.y_range_mm))
    z = np.linspace(0, height_mm, count) if height_mm > 0 else np.zeros(1)
    points = np.stack(np.meshgrid(x, y, z), axis=-1).reshape(-1, 3)
    if printer.bed_shape == "round":
        off = points[:, :2] - bed_middle(printer)
        points = points[np.hypot(off[:, 0], off[:, 1]) <= min(printer.bed_mm) / 2 + 1e-9]
    return points


def _extremes(camera: Camera, printer: Printer, rest: Place) -> list[Place]:
    """Return the nozzle positions at which the print is shifted furthest in the picture."""
    axes = shift_axes(printer.kinematics, camera.mount)
    ranges = {"x": printer.x_range_mm, "y": printer.y_range_mm, "z": (0.0, printer.height_mm)}
    places = []
    for index, axis in enumerate("xyz"):
        for value in ranges[axis] if axis in axes else ():
            place = list(rest)
            place[index] = value
            places.append((place[0], place[1], place[2]))
    return places


def _resolves_bed(camera: Camera, printer: Printer, pose: Pose) -> list[Finding]:
    points = volume_grid(printer, 0.0, 21)
    size = pixel_size(points, pose, camera.lens)
    shown = np.isfinite(size) & in_picture(see(points, pose, camera.lens), camera.lens)
    if not shown.any():
        return [
            _finding(
                camera.name,
                "resolution",
                holds=False,
                text="no part of the bed is in the picture",
                hint="check place_mm and look_mm",
            )
        ]
    away = np.where(shown, np.linalg.norm(points - pose.place_mm, axis=1), np.nan)
    near, far = size[np.nanargmin(away)], size[np.nanargmax(away)]
    return [
        _finding(
            camera.name,
            "resolution",
            holds=None,
            text=f"a pixel shows {near:.2f} mm of the bed at the near edge and {far:.2f} mm at the far edge; "
            f"a line of the {printer.nozzle_mm:g} mm nozzle is {printer.nozzle_mm / far:.1f} to "
            f"{printer.nozzle_mm / near:.1f} pixels wide",
            values={
                "mm_per_px_near": round(float(near), 4),
                "mm_per_px_far": round(float(far), 4),
                "px_per_line": round(printer.nozzle_mm / float(far), 3),
            },
        )
    ]


def _sharp_volume(camera: Camera, printer: Printer, pose: Pose, circle_px: float) -> Finding:
    points = volume_grid(printer, printer.height_mm if printer.kinematics != "bed-moves-z" else 0.0, 5)
    depth = pose.to_camera(points)[:, 2]
    depth = depth[depth > 0]
    field = sharpness(camera.lens, looked_at_mm(camera, printer), circle_px)
    near, far = float(depth.min(initial=math.inf)), float(depth.max(initial=0.0))
    worst = max(blur_px(camera.lens, field.focus_mm, d) for d in (near, far)) if len(depth) else math.inf
    return _finding(
        camera.name,
        "sharp",
        holds=field.holds(near) and field.holds(far),
        text=f"sharp from {_far(field.near_mm)} to {_far(field.far_mm)}, the build volume is at "
        f"{near:.0f} to {far:.0f} mm; worst blur {worst:.1f} px",
        hint="focus nearer to the middle, or move the camera back",
        values=_field_values(field, worst),
    )


def _hides(camera: Camera, printer: Printer, pose: Pose, rest: Place) -> Finding:
    points = volume_grid(printer, 0.0, 41)
    shadow = hidden(points, pose, printer.toolhead, (rest[0], rest[1], 1.0)).mean()
    where = "at park_mm" if camera.park_mm else "over the middle of the bed (park_mm is not set)"
    return _finding(
        camera.name,
        "toolhead-hides",
        holds=None if camera.park_mm is None else bool(shadow < 0.1),
        text=f"the toolhead {where} hides {shadow:.0%} of the bed",
        hint="park the toolhead on the side away from the camera",
        values={"hidden_share": round(float(shadow), 4)},
    )


def _check_toolhead_camera(camera: Camera, printer: Printer, circle_px: float) -> list[Finding]:
    own = pose_on_mount(camera, printer)
    return [
        *_tip(camera, printer, own, circle_px),
        _clear_of_layer(camera, own),
        _inside_toolhead(camera, printer, own),
        _sight(camera, printer, own),
        *_keep_outs(camera, printer, own),
        _cable(camera, printer),
    ]


def _tip(camera: Camera, printer: Printer, own: Pose, circle_px: float) -> list[Finding]:
    tip = np.zeros((1, 3))
    at = see(tip, own, camera.lens)[0]
    shown = bool(in_picture(at, camera.lens))
    depth = float(own.to_camera(tip)[0, 2])
    found = [
        _finding(
            camera.name,
            "tip-in-picture",
            holds=shown,
            text=f"the nozzle tip is at pixel {at[0]:.0f}, {at[1]:.0f}"
            if shown
            else "the nozzle tip is not in the picture",
            hint="turn the camera toward the tip, or correct place_mm and look_mm",
            values={"tip_px": [round(float(v), 1) for v in at] if np.isfinite(at).all() else None},
        )
    ]
    if not shown:
        return found
    field = sharpness(camera.lens, looked_at_mm(camera, printer), circle_px)
    blur = blur_px(camera.lens, field.focus_mm, depth)
    size = float(pixel_size(tip, own, camera.lens)[0])
    wide = printer.nozzle_mm / size
    view = layer_view(camera, printer, circle_px)
    rehearsed = not view.level and size <= 1.05 * REHEARSED_MM
    return [
        *found,
        _finding(
            camera.name,
            "sharp",
            holds=field.holds(depth),
            text=f"sharp from {_far(field.near_mm)} to {_far(field.far_mm)}, the tip is {depth:.1f} mm away; "
            f"blur {blur:.1f} px",
            hint="turn the focus ring, or move the camera to its focus distance",
            values=_field_values(field, blur),
        ),
        _finding(
            camera.name,
            "resolution",
            holds=_resolves(wide, view),
            text=f"a pixel shows {size:.3f} mm at the tip; a line of the {printer.nozzle_mm:g} mm nozzle is "
            f"{wide:.1f} pixels wide; gaps of {_found_gap_mm(size):.1f} mm are found "
            f"({'rehearsed: 240 of 240' if rehearsed else 'estimated from its pixels'})",
            hint="move it nearer, or use a narrower lens or more pixels",
            values={
                "mm_per_px": round(size, 4),
                "px_per_line": round(wide, 2),
                "smallest_mm": round(_found_gap_mm(size), 3),
            },
        ),
        _survey(camera, printer, view),
    ]


def _resolves(line_px: float, view: LayerView) -> bool | None:
    """Return whether lines are told apart; None for a level camera, which tells those along its view."""
    if line_px >= LINE_PX:
        return True
    return None if view.level and view.surveys else False


def _survey(camera: Camera, printer: Printer, view: LayerView) -> Finding:
    """Return what a survey of a layer gets from a camera on the toolhead."""
    before, behind = view.sharp_mm
    return _finding(
        camera.name,
        "survey",
        holds=None if view.surveys else False,
        text=view.words(printer.nozzle_mm),
        hint="aim it at the tip from 12 degrees and more above level"
        if view.steep_deg < SURVEY_DEG
        else "move it away from the tip, or focus it there: so near little of the layer is sharp",
        values={
            "steep_deg": round(view.steep_deg, 1),
            "window_mm": None if view.window is None else [round(v, 1) for v in view.window.size_mm],
            "sharp_before_mm": round(before, 2) if math.isfinite(before) else None,
            "sharp_behind_mm": round(behind, 2) if math.isfinite(behind) else None,
            "gap_along_mm": round(view.gaps_mm[0], 2) if math.isfinite(view.gaps_mm[0]) else None,
            "gap_across_mm": round(view.gaps_mm[1], 2) if math.isfinite(view.gaps_mm[1]) else None,
            "mm_per_px_across": round(view.across_mm, 4),
            "mm_per_px_along": round(view.along_mm, 4),
        },
    )


def _found_gap_mm(pixel_mm: float) -> float:
    """Return the gap that the first-layer check finds by its measured rate: 0.8 mm with pixels of 0.1 mm."""
    return 0.8 * max(1.0, pixel_mm / REHEARSED_MM)


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
    return _finding(
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
    return _finding(
        camera.name,
        "clear-of-objects",
        holds=holds,
        text=f"the housing reaches {reach:.1f} mm from the nozzle; toolhead.radius_mm is {head.radius_mm:g}. "
        f"Beside a finished object it clears what is less than {low:.1f} mm higher than the layer",
        hint=f"write toolhead = {{ radius_mm = {math.ceil(reach)} ... }}, or it may hit objects",
        values={"reach_mm": round(reach, 2), "clearance_mm": round(low, 2)},
    )


def _sight(camera: Camera, printer: Printer, own: Pose) -> Finding:
    """Return whether the heater block stands between the camera and the tip, or around the camera."""
    head = printer.toolhead
    block = Toolhead(
        radius_mm=head.block_radius_mm,
        height_mm=max(head.height_mm, head.nozzle_length_mm + 1),
        nozzle_radius_mm=0.01,
        nozzle_length_mm=head.nozzle_length_mm,
    )
    away = own.place_mm[:2] / max(float(np.hypot(*own.place_mm[:2])), 1e-9)
    before_tip = np.array([[*(0.5 * away), 0.0]])  # the camera's side of the tip
    inside = bool(np.hypot(*own.place_mm[:2]) < head.block_radius_mm and own.place_mm[2] > 0)
    covered = inside or bool(hidden(before_tip, own, block, (0.0, 0.0, 0.0))[0])
    text = "the camera stands inside the block" if inside else "the block stands between camera and tip"
    return Finding(
        camera=camera.name,
        name="sight",
        holds=not covered,
        text=f"{text} ([printer.toolhead] block_radius_mm is {head.block_radius_mm:g})"
        if covered
        else "nothing hides the tip",
        hint="lower it or move it away from the nozzle, and write place_mm as it is" if covered else "",
        values={"block_radius_mm": head.block_radius_mm},
    )


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
    return _finding(
        camera.name,
        "cable",
        holds=None,
        text=f"leave {loose:.0f} mm of cable from the toolhead to its clamp (its longest travel and a fifth, "
        "common practice), away from belts and hot parts; USB 2.0 without a hub: 5 m in all",
        values={"loose_mm": round(loose)},
    )


def _check_bus(rig: Rig) -> list[Finding]:
    plugged = [camera for camera in rig.cameras if camera.source.startswith("v4l2:")]
    load = {c.name: c.lens.width_px * c.lens.height_px * RAW_BYTES * RAW_FPS for c in plugged}
    if not load:
        return []
    total, holds = sum(load.values()), sum(load.values()) <= USB2_BYTES_S
    return [
        _finding(
            "+".join(load),
            "bandwidth",
            holds=None if holds else False,
            text=f"uncompressed at {RAW_FPS} frames per second: {total / 1e6:.1f} MB/s of the "
            f"{USB2_BYTES_S / 1e6:.1f} MB/s that a USB 2.0 bus gives one stream",
            hint="let the camera send JPEG, or plug the cameras into different controllers",
            values={"bytes_s": total, "limit_bytes_s": USB2_BYTES_S},
        )
    ]


def _field_values(field: Sharpness, worst_px: float) -> dict[str, Any]:
    return {
        "focus_mm": round(field.focus_mm, 2),
        "near_mm": round(field.near_mm, 2),
        "far_mm": None if math.isinf(field.far_mm) else round(field.far_mm, 2),
        "blur_px": round(worst_px, 3) if math.isfinite(worst_px) else None,
    }


def _far(distance_mm: float) -> str:
    return "any distance" if math.isinf(distance_mm) else f"{distance_mm:.1f} mm"


def _named(place: Place) -> str:
    return f"X{place[0]:g} Y{place[1]:g} Z{place[2]:g}"
