"""A small print with stops, and its plan: a few minutes, for tests that must be quick."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from recorded_runs import course_of, read_moves

from twinlapse.rig import read_rig
from twinlapse.shots import Plan, Shot, Stop, write_plan

RIG = Path(__file__).with_name("recording_rig.toml")


def small_print(folder: Path, layers: int = 14) -> tuple[Path, Path]:
    """Write a file with two stops after every layer, and its plan; return both."""
    dice = np.random.default_rng(4)
    lines = ["G21", "G90", "M83", "G28", "G1 Z5 F600", "G1 X60 Y60 F9000"]
    shots = []
    place = {"dwell_s": 1.0, "stance": "clear", "z_mm": 1.0}
    for layer in range(layers):
        lines += [f";LAYER:{layer}", f"G1 Z{0.2 * (layer + 1):.2f} F600"]
        size = 18 + 8 * np.sin(layer / 3) + dice.uniform(-3, 3)
        for _ in range(3):
            for x, y in ((0, 0), (size, 0), (size, size), (0, size), (0, 0)):
                lines.append(f"G1 X{90 + x:.2f} Y{90 + y:.2f} E1 F{int(dice.uniform(1200, 2600))}")
        shot = layer + 1
        for stop, (camera, x, y) in enumerate((("wide", 62, 214), ("nozzle", 99, 99)), 1):
            lines += [f"G1 X{x} Y{y} F9000", "M400", "G4 P300"]
            lines += [f"M118 E1 twinlapse cue {shot}.{stop} {camera}", "G4 P1000"]
    lines += ["G1 Z20 F600", "G1 X10 Y200 F9000"]
    gcode, plan = folder / "filmed.gcode", folder / "plan.json"
    gcode.write_text("\n".join(lines) + "\n")
    course, added_s = course_of(read_moves(gcode)), 0.0
    for layer in range(layers):
        shot = layer + 1
        stops = tuple(
            Stop(cameras=(camera,), x_mm=x, y_mm=y, **place)  # type: ignore[arg-type]
            for camera, x, y in (("wide", 62.0, 214.0), ("nozzle", 99.0, 99.0))
        )
        first_s, last_s = course.stops[shot, 1][0] - 0.6, course.stops[shot, 2][1] + 0.6
        shots.append(
            Shot(number=shot, after_line=1, byte=0, layer=layer, z_mm=0.2 * shot, at_s=first_s - added_s,
                 cost_s=last_s - first_s, retract="none", retract_mm=0.0, retract_mm_s=0.0, lift_mm=0.0,
                 stops=stops)
        )  # fmt: skip
        added_s += last_s - first_s
    write_plan(plan, Plan(original_sha256="ab" * 32, rig=dict(read_rig(RIG).raw), shots=tuple(shots),
                          print_s=course.end_s - added_s, cost_s=added_s, film_s=1.0,
                          layer_count=layers))  # fmt: skip
    return gcode, plan
