"""The chart as one HTML file that needs no network: step through the shots with the arrow keys."""

from __future__ import annotations

import base64
import html
import io
import json
import math
from importlib.resources import files
from typing import Any

import numpy as np
from matplotlib import colormaps
from PIL import Image

from twinlapse.plan.chart.drawn import COLOURS, SHAPES, Drawn, added_s, looks_away
from twinlapse.plan.summary import clock

_LINE_POINTS = 1500


def page_bytes(drawn: Drawn) -> bytes:
    """Return the page as UTF-8 bytes; what came from a file stands in it as data, never as markup."""
    template = (files("twinlapse.plan.chart") / "page.html").read_text("utf-8")
    data = json.dumps(_data(drawn), allow_nan=False, separators=(",", ":")).replace("<", "\\u003c")
    return template.replace("@TITLE@", html.escape(drawn.name)).replace("@DATA@", data).encode()


def _data(drawn: Drawn) -> dict[str, Any]:
    plan = drawn.plan
    share = 100 * plan.cost_s / max(plan.print_s, 1e-9)
    return {
        "name": drawn.name,
        "summary": (
            f"{len(plan.shots)} shots in {plan.layer_count} layers. Print {clock(plan.print_s)}, "
            f"added {clock(plan.cost_s)} ({share:.1f} %). Film {plan.film_s:.1f} s."
        ),
        "warnings": list(plan.warnings),
        "cameras": [
            {
                "name": camera.name,
                "stance": camera.stance,
                "colour": COLOURS[k % len(COLOURS)],
                "shape": SHAPES[k % len(SHAPES)],
                "look": looks_away(drawn, camera.name),
            }
            for k, camera in enumerate(drawn.rig.cameras)
        ],
        "print_s": plan.print_s,
        "line": _line(drawn),
        "shots": _shots(drawn),
        "bed": drawn.bed_mm,
        "round": drawn.round_bed,
        "keep_outs": [
            {"x": box.x_mm, "y": box.y_mm, "z": box.z_mm if math.isfinite(box.z_mm) else None}
            for box in drawn.keep_outs
        ],
        "tops": {"png": _tops_png(drawn), "extent": drawn.extent_mm},
    }


def _line(drawn: Drawn) -> list[list[float]]:
    step = max(1, len(drawn.time_s) // _LINE_POINTS)
    points = zip(drawn.time_s[::step].tolist(), drawn.height_mm[::step].tolist(), strict=True)
    return [[round(time_s, 3), round(height_mm, 3)] for time_s, height_mm in points]


def _shots(drawn: Drawn) -> list[dict[str, Any]]:
    return [
        {
            "n": shot.number,
            "line": shot.after_line,
            "layer": shot.layer + 1,
            "z": shot.z_mm,
            "at": shot.at_s,
            "clock": clock(shot.at_s),
            "cost": shot.cost_s,
            "added": round(float(added), 3),
            "retract": shot.retract,
            "retract_mm": shot.retract_mm,
            "lift": round(shot.lift_mm, 3),
            "way": way.round(3).tolist(),
            "stops": [
                {
                    "cameras": list(stop.cameras),
                    "x": stop.x_mm,
                    "y": stop.y_mm,
                    "z": round(stop.z_mm, 3),
                    "dwell": stop.dwell_s,
                    "stance": stop.stance,
                }
                for stop in shot.stops
            ],
        }
        for shot, way, added in zip(drawn.plan.shots, drawn.ways, added_s(drawn.plan), strict=True)
    ]


def _tops_png(drawn: Drawn) -> str:
    """Return the height map as base64 of a PNG, the back of the bed on top, clear where it is empty."""
    tops = drawn.tops.T[::-1]
    known = np.isfinite(tops)
    highest = float(tops[known].max()) if known.any() else 1.0
    shades = colormaps["cividis"](np.where(known, tops, 0.0) / highest)
    shades[..., 3] = known
    out = io.BytesIO()
    Image.fromarray((shades * 255).astype(np.uint8), "RGBA").save(out, "PNG", optimize=True)
    return base64.b64encode(out.getvalue()).decode()
