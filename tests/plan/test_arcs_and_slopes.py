"""Prints of arcs and of falling strokes: what the plan made of them when it laid chords and ends."""

from __future__ import annotations

import math
from collections.abc import Callable
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from twinlapse.gcode import find_layers, read_toolpath
from twinlapse.inject import inject_file
from twinlapse.plan.where.survey_grid import plan_survey
from twinlapse.rig import Camera, Printer, Rig

CAMERA = Camera(
    name="nozzle", mount="toolhead", place_mm=(0.0, -28.0, 34.0), look_mm=(0.0, -6.0, 0.0), stance="over"
)
WIDE = {"name": "wide", "mount": "frame", "stance": "clear", "every": "layer"}


def rings(layers: int, *, arcs: bool) -> str:
    """Return a tube of radius 60 about (130, 110), each ring one G2 or 120 straight pieces."""
    lines = ["G28", "G90", "M83", "G1 F1800"]
    for layer in range(layers):
        lines += [f";LAYER:{layer}", f"G0 X190 Y110 Z{0.2 * (layer + 1):.2f}", "G1 E1"]
        if arcs:
            lines.append("G2 X190 Y110 I-60 J0 E18")
        else:
            turns = [-2 * math.pi * k / 120 for k in range(1, 121)]
            lines += [f"G1 X{130 + 60 * math.cos(t):.3f} Y{110 + 60 * math.sin(t):.3f} E.15" for t in turns]
        lines.append("G1 E-1")
    return "\n".join([*lines, "M84"]) + "\n"


def test_a_survey_of_arcs_needs_what_its_twin_in_straight_lines_needs(tmp_path: Path) -> None:
    """One stop was said to see all of a ring that is 120 mm across; its twin needed dozens."""
    stops = []
    for arcs in (True, False):
        file = tmp_path / f"ring{arcs}.gcode"
        file.write_text(rings(3, arcs=arcs))
        path = read_toolpath(file)
        survey = plan_survey(path, find_layers(path), 0, CAMERA, Printer(bed_mm=(260, 240), height_mm=250))
        assert survey.seen_share == pytest.approx(1.0)
        stops.append({(round(stop.x_mm, 1), round(stop.y_mm, 1)) for stop in survey.stops})
    assert len(stops[0]) == len(stops[1]) > 20


def test_no_path_leads_through_a_wall_of_arcs(
    tmp_path: Path, make_rig: Callable[..., Rig], plan_file: Callable[..., Any]
) -> None:
    """A tall tube of full circles, then a low ring inside it: every path out must clear the wall."""
    file = tmp_path / "arcs.gcode"
    low = "".join(
        f";LAYER:{k}\nG0 X135 Y110 Z{0.2 * (k + 1):.2f}\nG1 E1\nG3 X135 Y110 I-5 J0 E1.5\nG1 E-1\n"
        for k in range(8)
    )
    climb = "G0 Z40\nG0 X135 Y110\n"
    file.write_text(rings(80, arcs=True).replace("M84\n", climb + low + "M84\n"))
    rig = make_rig({"bed_mm": [260, 240], "height_mm": 250}, WIDE)
    worked = plan_file(file, rig)
    inner = [shot for shot in worked.planning.plan.shots if shot.z_mm < 3 and shot.layer >= 80 and shot.stops]
    assert inner
    for shot in inner:
        assert shot.z_mm + shot.lift_mm > 16  # the tube is 16 mm high and closed
    assert inject_file(file, worked.planning.plan, tmp_path / "filmed.gcode").proof.holds


def test_no_path_leads_through_a_falling_stroke(
    tmp_path: Path, make_rig: Callable[..., Rig], plan_file: Callable[..., Any]
) -> None:
    """A stroke across the bed falls from Z 60 at X 215 to Z 10 at X 5; all shots must go over it."""
    lines = ["G28", "G90", "M83", "G1 F1800", "G0 X215 Y100 Z60", "G1 X5 Y100 Z10 E9", "G1 E-1"]
    for layer in range(6):
        lines += [f";LAYER:{layer}", f"G0 X60 Y60 Z{0.2 * (layer + 1):.2f}", "G1 E1"]
        lines += ["G1 X160 Y60 E4", "G1 X160 Y61 E.05", "G1 X60 Y61 E4", "G1 E-1", "G0 X60 Y60"]
    file = tmp_path / "downhill.gcode"
    file.write_text("\n".join([*lines, "M84"]) + "\n")
    camera = {**WIDE, "park_mm": [155, 150]}
    rig = make_rig({"bed_mm": [220, 220], "height_mm": 250}, camera)
    worked = plan_file(file, rig)
    crossed = 0
    for shot in worked.planning.plan.shots:
        row = int(np.searchsorted(worked.path.line, shot.after_line, "right")) - 1
        place = (float(worked.path.x_mm[row]), float(worked.path.y_mm[row]))
        for stop in shot.stops:
            points = [place, *stop.via_mm, (stop.x_mm, stop.y_mm)]
            for (ax, ay), (bx, by) in pairwise(points):
                if (ay - 100) * (by - 100) < 0:  # the path crosses the line of the stroke
                    x = ax + (bx - ax) * (100 - ay) / (by - ay)
                    assert 5 <= x <= 215
                    top = 10 + 50 * (x - 5) / 210
                    assert shot.z_mm + shot.lift_mm > top
                    crossed += 1
            place = (stop.x_mm, stop.y_mm)
    assert crossed == 6
    assert inject_file(file, worked.planning.plan, tmp_path / "filmed.gcode").proof.holds
