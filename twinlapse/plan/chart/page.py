"""The viewer: one HTML file that needs no network, with the plan and the print's lines inside it."""

from __future__ import annotations

import base64
import gzip
import html
import json
import math
import struct
from importlib.resources import files
from typing import Any

import numpy as np
from numpy.typing import NDArray

from twinlapse.optics.lens import axis_px, focal_px
from twinlapse.optics.pose import pose_along
from twinlapse.plan.chart.content import CAMERA_COLOURS, CAMERA_SHAPES, ChartContent, look_offset_mm
from twinlapse.plan.chart.printed_paths import UNIT_MM, stored_steps
from twinlapse.plan.clearance.height_map import MARGIN_MM
from twinlapse.plan.where.stop_positions import LIFT_MM
from twinlapse.rig import Camera, Printer
from twinlapse.shots import plan_to_json

__all__ = ["packed", "page_bytes"]

_PARTS = ("unpack", "edit", "camera_view", "bed", "timeline", "lists", "main")


def page_bytes(content: ChartContent) -> bytes:
    """Return the page as UTF-8 bytes; what came from a file stands in it as data, never as markup."""
    folder = files("twinlapse.plan.chart") / "viewer"
    page = (folder / "viewer.html").read_text("utf-8")
    style = (folder / "viewer.css").read_text("utf-8")
    script = "\n".join((folder / f"{part}.js").read_text("utf-8") for part in _PARTS)
    title = html.escape(content.name)
    for mark, text in (("@TITLE@", title), ("@STYLE@", style), ("@SCRIPT@", script)):
        page = page.replace(mark, text)
    return page.replace("@DATA@", packed(*_data(content))).encode()


def packed(head: dict[str, Any], arrays: dict[str, NDArray[Any]]) -> str:
    """Return base64 of gzip of: length of the head (4 bytes, little endian), the head as JSON, the arrays.

    The head names each array's type, offset and count; arrays start at multiples of four bytes.
    """
    places: dict[str, dict[str, Any]] = {}
    offset, blobs = 0, []
    for name, array in arrays.items():
        blob = np.ascontiguousarray(array).tobytes()
        places[name] = {"type": array.dtype.str[1:], "offset": offset, "count": array.size}
        blobs.append(blob + b"\0" * (-len(blob) % 4))
        offset += len(blobs[-1])
    # offsets count from the file's start: the head is padded to a fixed length that holds them
    text = json.dumps({**head, "arrays": places}, allow_nan=False, separators=(",", ":"))
    room = (len(text.encode()) + 24 * len(places) + 3) // 4 * 4
    for place in places.values():
        place["offset"] += 4 + room
    text = json.dumps({**head, "arrays": places}, allow_nan=False, separators=(",", ":"))
    body = struct.pack("<I", room) + text.encode().ljust(room) + b"".join(blobs)
    return base64.b64encode(gzip.compress(body, 6, mtime=0)).decode()


def _data(content: ChartContent) -> tuple[dict[str, Any], dict[str, NDArray[Any]]]:
    plan, rig, grid = content.plan, content.rig, content.first_layer
    (x0, _), (y0, _) = rig.printer.x_range_mm, rig.printer.y_range_mm
    head: dict[str, Any] = {
        "plan": plan_to_json(plan),
        "printer": _printer(rig.printer),
        "cameras": [_camera(camera, rig.printer, index) for index, camera in enumerate(rig.cameras)],
        "film": {"seconds": rig.film.length_s, "fps": float(rig.film.fps)},
        "shots": [
            {
                "home_mm": [round(value, 4) for value in note.home_mm],
                "why": note.why,
                "object": content.layer_object[shot.layer],
            }
            for note, shot in zip(content.notes, plan.shots, strict=True)
        ],
        "visible": [k for k, note in enumerate(content.notes) if note.visible_wall],
        "left_out": [
            {"layer": other.layer, "at_s": round(other.at_s, 3), "cameras": other.cameras, "why": other.why}
            for other in content.left_out
        ],
        "layer_object": content.layer_object,
        "print_box_mm": [round(value, 3) for value in content.print_box_mm],
        "clearance_mm": LIFT_MM + MARGIN_MM,
        "unit_mm": UNIT_MM,
        "origin_mm": [x0, y0],
        "grid": {
            "rows": grid.layer.shape[0],
            "columns": grid.layer.shape[1],
            "x_mm": grid.x_mm,
            "y_mm": grid.y_mm,
            "cell_mm": grid.cell_mm,
        },
    }
    arrays: dict[str, NDArray[Any]] = {
        "steps": stored_steps(content.paths, (x0, y0)),
        "path_start": content.paths.path_start.astype(np.uint32),
        "layer_path": content.paths.layer_path.astype(np.uint32),
        "first_layer": grid.layer,
        "layer_z_mm": content.layer_z_mm.astype(np.float32),
        "layer_end_s": content.layer_end_s.astype(np.float32),
        "highest_mm": content.highest_mm.astype(np.float32),
    }
    return head, arrays


def _printer(printer: Printer) -> dict[str, Any]:
    toolhead = printer.toolhead
    return {
        "bed_mm": [*printer.x_range_mm, *printer.y_range_mm],
        "round": printer.bed_shape == "round",
        "height_mm": printer.height_mm,
        "travel_mm_s": printer.travel_mm_s,
        "travel_z_mm_s": printer.travel_z_mm_s,
        "accel_mm_s2": printer.accel_mm_s2,
        "accel_z_mm_s2": printer.accel_z_mm_s2,
        "toolhead": {
            "radius_mm": toolhead.radius_mm,
            "height_mm": toolhead.height_mm,
            "nozzle_radius_mm": toolhead.nozzle_radius_mm,
            "nozzle_length_mm": toolhead.nozzle_length_mm,
        },
        "keep_outs": [
            {"x_mm": box.x_mm, "y_mm": box.y_mm, "z_mm": box.z_mm if math.isfinite(box.z_mm) else None}
            for box in printer.keep_out
        ],
    }


def _camera(camera: Camera, printer: Printer, index: int) -> dict[str, Any]:
    """Return a camera; its pose is a linear function of the nozzle's place on every machine."""
    still, along = pose_along(camera, printer)
    lens = camera.lens
    return {
        "name": camera.name,
        "stance": camera.stance,
        "mount": camera.mount,
        "colour": CAMERA_COLOURS[index % len(CAMERA_COLOURS)],
        "shape": CAMERA_SHAPES[index % len(CAMERA_SHAPES)],
        "look_mm": look_offset_mm(camera),
        "at_mm": [round(float(value), 4) for value in still.place_mm],
        "along": along.tolist(),
        "axes": still.axes.round(6).tolist(),
        "rotate_deg": camera.rotate_deg,
        "mirror": camera.mirror,
        "lens": {
            "width_px": lens.width_px,
            "height_px": lens.height_px,
            "kind": lens.kind,
            "focal_px": focal_px(lens),
            "axis_px": axis_px(lens),
            "distortion": list(lens.distortion),
        },
    }
