"""Side and top view of a rig to scale."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from twinlapse.files import replacing
from twinlapse.optics.layer_view import layer_view
from twinlapse.optics.lens import border_px, unproject
from twinlapse.optics.pose import Pose, bed_middle, pose_in_bed, rest_of, volume_corners
from twinlapse.optics.upright import upright_camera
from twinlapse.optics.view import footprint
from twinlapse.rig import Camera, Rig

__all__ = ["draw_rig"]

_COLOURS = ("#1b7f5a", "#b5541c", "#3b5fa8", "#8a3d8f")


def draw_rig(rig: Rig, path: Path) -> None:
    """Draw the rig from the side and from above; the kind of picture follows the suffix."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    rig = replace(rig, cameras=tuple(map(upright_camera, rig.cameras)))
    figure = Figure(figsize=(15, 6), layout="constrained")
    FigureCanvasAgg(figure)
    side, top, close = figure.subplots(1, 3, width_ratios=(1, 1, 1))
    _draw(side, rig, (1, 2), "from the right: Y, Z in mm")
    _draw(top, rig, (0, 1), "from above: X, Y in mm")
    _draw_close(close, rig)
    side.legend(loc="upper right", fontsize=8)
    with replacing(path) as file:
        figure.savefig(file, format=path.suffix.lstrip(".") or "png", dpi=110)


def _draw(axes: Any, rig: Rig, which: tuple[int, int], title: str) -> None:
    printer = rig.printer
    corners = volume_corners(printer)[:, which]
    low, high = corners.min(axis=0), corners.max(axis=0)
    axes.fill(
        [low[0], high[0], high[0], low[0]], [low[1], low[1], high[1], high[1]], color="#e4e8e6", zorder=0
    )
    if which == (1, 2):
        axes.plot([low[0], high[0]], [0, 0], color="#444", lw=3)
    for index, camera in enumerate(rig.cameras):
        rest = rest_of(camera, printer)
        nozzle = (*bed_middle(printer), 2.0) if camera.mount == "toolhead" else (rest[0], rest[1], 2.0)
        pose = pose_in_bed(camera, printer, nozzle)
        _draw_camera(axes, camera, pose, which, _COLOURS[index % len(_COLOURS)])
        if camera.mount != "toolhead":
            _draw_head(axes, rig, nozzle, which)
    for box in printer.keep_out:
        sides = (box.x_mm, box.y_mm, (0.0, min(box.z_mm, printer.height_mm)))
        (a0, a1), (b0, b1) = sides[which[0]], sides[which[1]]
        axes.fill([a0, a1, a1, a0], [b0, b0, b1, b1], color="#c33", alpha=0.3)
    places = [low, high]
    for camera in rig.cameras:
        places.append(pose_in_bed(camera, printer, (*bed_middle(printer), 0.0)).place_mm[list(which)])
    axes.set_xlim(min(p[0] for p in places) - 60, max(p[0] for p in places) + 60)
    axes.set_ylim(min(p[1] for p in places) - 60, max(p[1] for p in places) + 60)
    axes.set_aspect("equal")
    axes.set_title(title, fontsize=10)
    axes.grid(alpha=0.25)


def _draw_camera(axes: Any, camera: Camera, pose: Pose, which: tuple[int, int], colour: str) -> None:
    place = pose.place_mm[list(which)]
    back = (pose.place_mm - camera.body_mm[1] * pose.axes[2])[list(which)]
    axes.plot(*zip(back, place, strict=True), color=colour, lw=5, solid_capstyle="butt")
    ways = pose.to_world(unproject(border_px(camera.lens, 1), camera.lens))
    for way in ways[np.isfinite(ways).all(axis=1)]:
        fall = pose.place_mm[2] / -way[2] if way[2] < -1e-6 else np.inf
        end = pose.place_mm + min(fall, 700.0) * way
        axes.plot(*zip(place, end[list(which)], strict=True), color=colour, lw=0.7, alpha=0.7)
    axes.plot(*place, "o", color=colour, ms=5, label=f"{camera.name} ({camera.mount})")
    if which == (0, 1):
        outline = footprint(pose, camera.lens)
        if len(outline):
            axes.fill(*outline.T, color=colour, alpha=0.12)


def _draw_head(axes: Any, rig: Rig, nozzle: tuple[float, float, float], which: tuple[int, int]) -> None:
    head = rig.printer.toolhead
    if which == (0, 1):
        turn = np.linspace(0, 2 * np.pi, 60)
        axes.plot(
            nozzle[0] + head.radius_mm * np.cos(turn),
            nozzle[1] + head.radius_mm * np.sin(turn),
            color="#666",
            lw=1,
        )
        return
    low, top = nozzle[2] + head.nozzle_length_mm, nozzle[2] + head.height_mm
    y, r = nozzle[1], head.radius_mm
    axes.plot([y - r, y + r, y + r, y - r, y - r], [low, low, top, top, low], color="#666", lw=1)
    axes.plot(
        [y - head.nozzle_radius_mm, y, y + head.nozzle_radius_mm], [low, nozzle[2], low], color="#666", lw=1
    )


def _draw_close(axes: Any, rig: Rig) -> None:
    """Draw the cameras of the head in the upright plane through tip and camera."""
    axes.axhline(0, color="#444", lw=2)
    head = rig.printer.toolhead
    axes.fill([-1.5, 0, 1.5], [head.nozzle_length_mm, 0, head.nozzle_length_mm], color="#b58a2a")
    for index, camera in enumerate(rig.cameras):
        if camera.mount != "toolhead":
            continue
        pose = pose_in_bed(camera, rig.printer, (0.0, 0.0, 0.0))
        colour = _COLOURS[index % len(_COLOURS)]
        _draw_beside(axes, camera, pose, colour)
        before, behind = np.clip(layer_view(camera, rig.printer).sharp_mm, -60.0, 60.0)
        if before + behind > 0:
            axes.plot([before, -behind], [0, 0], color=colour, lw=6, alpha=0.6, solid_capstyle="butt")
    axes.set_aspect("equal")
    axes.set_title("beside the nozzle's tip: mm; thick: where the layer is sharp", fontsize=10)
    axes.grid(alpha=0.25)


def _draw_beside(axes: Any, camera: Camera, pose: Pose, colour: str) -> None:
    out = pose.place_mm[:2] / max(float(np.hypot(*pose.place_mm[:2])), 1e-9)

    def flat(point: Any) -> Any:
        return np.array([point[:2] @ out, point[2]])

    half, length = camera.body_mm[0] / 2, camera.body_mm[1]
    place, ahead = flat(pose.place_mm), flat(pose.axes[2])
    ahead = ahead / np.linalg.norm(ahead)
    aside = np.array([-ahead[1], ahead[0]]) * half
    body = [place + aside, place - aside, place - aside - length * ahead, place + aside - length * ahead]
    axes.fill(*np.array(body).T, color=colour, alpha=0.5)
    middle = border_px(camera.lens, 2)[[1, 5]]  # the middles of the upper and the lower edge
    for way in pose.to_world(unproject(middle, camera.lens)):
        along = flat(way)
        reach = place[1] / -along[1] if along[1] < -1e-6 else 80.0
        axes.plot(*zip(place, place + min(reach, 120.0) * along, strict=True), color=colour, lw=1)
    axes.plot(*zip(place, (0, 0), strict=True), color=colour, lw=0.8, ls="--")
    axes.annotate(f"{np.linalg.norm(pose.place_mm):.0f} mm", place / 2, fontsize=8, color=colour)
