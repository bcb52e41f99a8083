"""Two printers, each described twice: as the firmware's configuration and as a rig."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

from klipper_oracle import Machine

from twinlapse.gcode import find_layers, read_toolpath
from twinlapse.inject import inject_file
from twinlapse.motion import time_toolpath
from twinlapse.plan import make_plan
from twinlapse.rig import Rig, rig_from_mapping

MACHINES = {
    "bed moves y, 1500 mm/s2": Machine(
        kinematics="cartesian", max_velocity=300.0, max_accel=1500.0, max_z_velocity=12.0, max_z_accel=100.0
    ),
    "bed moves z, 5000 mm/s2": Machine(
        kinematics="corexy", max_velocity=400.0, max_accel=5000.0, max_z_velocity=20.0, max_z_accel=300.0
    ),
}
_CAMERAS = [
    {
        "name": "wide",
        "mount": "frame",
        "every": "layer",
        "settle_s": 0.3,
        "dwell_s": 1.0,
        "park_mm": [10, 200],
    },
    {"name": "nozzle", "mount": "toolhead", "settle_s": 0.2, "dwell_s": 0.8, "every": {"layers": 3}},
]


@dataclass(frozen=True, slots=True, kw_only=True)
class PairOfFiles:
    """An original and what was written of it."""

    original: Path
    written: Path
    shots: int


def rig_for(label: str, **more: Any) -> Rig:
    """Return the rig of a machine."""
    machine = MACHINES[label]
    printer = {
        "bed_mm": [220, 220],
        "height_mm": 250,
        "firmware": "klipper",
        "kinematics": "bed-moves-y" if machine.kinematics == "cartesian" else "bed-moves-z",
        "accel_mm_s2": machine.max_accel,
        "accel_z_mm_s2": machine.max_z_accel,
        "travel_mm_s": 150,
        "travel_z_mm_s": 10,
        "limits": {"speed_mm_s": machine.max_velocity, "z_mm_s": machine.max_z_velocity},
        **more,
    }
    return rig_from_mapping({"printer": printer, "camera": _CAMERAS})


def write_pair(original: Path, rig: Rig, folder: Path) -> PairOfFiles:
    """Plan and write a file."""
    toolpath = read_toolpath(original, firmware=rig.printer.firmware)
    layers = find_layers(toolpath)
    plan = make_plan(toolpath, layers, time_toolpath(toolpath, rig.printer), rig)
    written = folder / f"{original.stem}.filmed.gcode"
    report = inject_file(original, plan, written, toolpath=toolpath)
    return PairOfFiles(original=original, written=written, shots=report.shots)
