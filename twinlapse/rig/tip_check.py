"""Does a camera on the toolhead see the tip and the layer, how sharply, and does the block hide them."""

from __future__ import annotations

import math

import numpy as np

from twinlapse.optics.layer_view import SURVEY_DEG, LayerView, layer_view
from twinlapse.optics.pose import Pose, in_picture, looked_at_mm, see
from twinlapse.optics.view import blur_px, hidden, pixel_size, sharpness
from twinlapse.rig.camera import Camera
from twinlapse.rig.finding import Finding, far_text, finding, sharp_values
from twinlapse.rig.printer import Printer, Toolhead

__all__ = ["LINE_PX", "REHEARSED_MM", "check_sight", "check_tip"]

REHEARSED_MM = 0.1  # of a pixel, for which the rate of found gaps was measured
LINE_PX = 3.0  # of a printed line's width: less, and its edges run together; common practice, no source


def check_tip(camera: Camera, printer: Printer, own: Pose, circle_px: float) -> list[Finding]:
    """Return whether the tip is in the picture; if so, how sharp and large it and the layer about it are."""
    tip = np.zeros((1, 3))
    at = see(tip, own, camera.lens)[0]
    shown = bool(in_picture(at, camera.lens))
    depth = float(own.to_camera(tip)[0, 2])
    found = [
        finding(
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
        finding(
            camera.name,
            "sharp",
            holds=field.holds(depth),
            text=f"sharp from {far_text(field.near_mm)} to {far_text(field.far_mm)}, "
            f"the tip is {depth:.1f} mm away; blur {blur:.1f} px",
            hint="turn the focus ring, or move the camera to its focus distance",
            values=sharp_values(field, blur),
        ),
        finding(
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
    return finding(
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


def check_sight(camera: Camera, printer: Printer, own: Pose) -> Finding:
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
