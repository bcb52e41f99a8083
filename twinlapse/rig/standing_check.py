"""Does a camera beside the printer see what it should, how sharply, and does the toolhead hide it."""

from __future__ import annotations

import math

import numpy as np

from twinlapse.arrays import Float
from twinlapse.optics.pose import Place, Pose, bed_middle, in_picture, looked_at_mm, pose_in_bed, rest_of, see
from twinlapse.optics.view import blur_px, hidden, pixel_size, sharpness
from twinlapse.rig.camera import Camera
from twinlapse.rig.finding import Finding, far_text, finding, sharp_values
from twinlapse.rig.kinematics import shift_axes
from twinlapse.rig.printer import Printer

__all__ = ["check_standing_camera", "volume_grid"]


def check_standing_camera(camera: Camera, printer: Printer, circle_px: float) -> list[Finding]:
    """Return the findings on a camera beside the printer; blur up to ``circle_px`` counts as sharp."""
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
    return finding(
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
            finding(
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
        finding(
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
    return finding(
        camera.name,
        "sharp",
        holds=field.holds(near) and field.holds(far),
        text=f"sharp from {far_text(field.near_mm)} to {far_text(field.far_mm)}, the build volume is at "
        f"{near:.0f} to {far:.0f} mm; worst blur {worst:.1f} px",
        hint="focus nearer to the middle, or move the camera back",
        values=sharp_values(field, worst),
    )


def _hides(camera: Camera, printer: Printer, pose: Pose, rest: Place) -> Finding:
    points = volume_grid(printer, 0.0, 41)
    shadow = hidden(points, pose, printer.toolhead, (rest[0], rest[1], 1.0)).mean()
    where = "at park_mm" if camera.park_mm else "over the middle of the bed (park_mm is not set)"
    return finding(
        camera.name,
        "toolhead-hides",
        holds=None if camera.park_mm is None else bool(shadow < 0.1),
        text=f"the toolhead {where} hides {shadow:.0%} of the bed",
        hint="park the toolhead on the side away from the camera",
        values={"hidden_share": round(float(shadow), 4)},
    )


def _named(place: Place) -> str:
    return f"X{place[0]:g} Y{place[1]:g} Z{place[2]:g}"
