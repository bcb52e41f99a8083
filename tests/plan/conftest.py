"""Rigs and plans that the tests of this folder share."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from twinlapse.gcode import Layers, Toolpath, find_layers, read_toolpath
from twinlapse.motion import Timeline, time_toolpath
from twinlapse.plan import Planning, work_out
from twinlapse.rig import Rig, rig_from_mapping

CAMERAS = (
    {"name": "wide", "mount": "frame", "stance": "clear"},
    {"name": "nozzle", "mount": "toolhead", "stance": "over"},
)
PRINTERS: dict[str, dict[str, Any]] = {
    "bed moves y": {
        "bed_mm": [220, 220],
        "height_mm": 250,
        "keep_out": [{"x_mm": [0, 20], "y_mm": [200, 220], "z_mm": 12}],
    },
    "bed moves z": {
        "bed_mm": [210, 210],
        "height_mm": 200,
        "kinematics": "bed-moves-z",
        "firmware": "reprapfirmware",
        "accel_mm_s2": 3000,
        "cornering": {"jerk_mm_s": 8},
    },
    "fixed round bed": {
        "bed_mm": [620, 620],
        "height_mm": 300,
        "kinematics": "bed-fixed",
        "firmware": "klipper",
        "bed_shape": "round",
        "origin": "center",
        "accel_mm_s2": 3000,
        "cornering": {"square_corner_mm_s": 5},
    },
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Worked:
    """A planned print with all that it came from."""

    path: Toolpath
    layers: Layers
    timeline: Timeline
    rig: Rig
    planning: Planning


@pytest.fixture(scope="session")
def make_rig() -> Callable[..., Rig]:
    """Make a rig: a printer by name or table, cameras that shoot at every layer, limits of the plan."""

    def make(printer: str | dict[str, Any] = "bed moves y", *cameras: dict[str, Any], **plan: Any) -> Rig:
        table = PRINTERS[printer] if isinstance(printer, str) else printer
        return rig_from_mapping(
            {
                "printer": table,
                "camera": [{"every": "layer", **camera} for camera in cameras or CAMERAS],
                "plan": plan,
            }
        )

    return make


@pytest.fixture(scope="session")
def plan_file() -> Callable[[Path, Rig], Worked]:
    """Plan a file; each file is read once for each firmware, and planned once for each rig."""
    planned: dict[tuple[Path, str], Worked] = {}
    read: dict[tuple[Path, str], tuple[Toolpath, Layers]] = {}

    def plan(file: Path, rig: Rig) -> Worked:
        key = (file, rig.printer.firmware)
        if key not in read:
            path = read_toolpath(file, firmware=rig.printer.firmware)
            read[key] = (path, find_layers(path))
        path, layers = read[key]
        asked = (file, json.dumps(rig.raw, sort_keys=True))
        if asked in planned:
            return planned[asked]
        timeline = time_toolpath(path, rig.printer)
        planning = work_out(path, layers, timeline, rig)
        worked = Worked(path=path, layers=layers, timeline=timeline, rig=rig, planning=planning)
        return planned.setdefault(asked, worked)

    return plan


def box_gcode(
    layers: int = 6,
    size_mm: float = 20.0,
    *,
    at: tuple[float, float] = (100.0, 100.0),
    retract: bool = True,
    head: str = "G28\nG90\nM83\nG1 Z5 F600\n",
    first_z: float = 0.2,
) -> str:
    """Return a hollow box with layer comments; each layer ends with a retracted travel when asked."""
    x, y = at
    lines = [head]
    for k in range(layers):
        z = first_z + 0.2 * k
        lines.append(f";LAYER:{k}\nG1 Z{z:.2f} F600\nG1 X{x} Y{y} F9000\n")
        if retract:
            lines.append("G1 E1 F2400\n")
        lines.append(";TYPE:WALL-OUTER\n")
        for cx, cy in ((x + size_mm, y), (x + size_mm, y + size_mm), (x, y + size_mm), (x, y)):
            lines.append(f"G1 X{cx} Y{cy} E0.8 F1800\n")
        if retract:
            lines.append("G1 E-1 F2400\n")
        lines.append(f"G1 X{x + 5} Y{y + 5} F9000\n")
    return "".join(lines)


@pytest.fixture(scope="session")
def boxes() -> Callable[..., str]:
    """The maker of hollow boxes."""
    return box_gcode
