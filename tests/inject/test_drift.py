"""Nothing drifts over 1,500 shots, in the single precision that firmware calculates with.

Marlin keeps places as ``float`` (src/core/types.h: xyze_pos_t), RepRapFirmware likewise, Klipper in double
precision (Python). From memory.
"""

from __future__ import annotations

import random
import re
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from twinlapse.gcode import ModalState
from twinlapse.inject.blocks import block_lines
from twinlapse.rig import rig_from_mapping
from twinlapse.shots import Shot, Stop

F = np.float32
STATE = ModalState(
    x_mm=0.0, y_mm=0.0, z_mm=0.0, e_word=0.0, shift_mm=(0.0, 0.0, 0.0), relative_xyz=False, relative_e=False,
    inch=False, volumetric=False, homed=True, fw_retracted=False, retracted_mm=0.0, feed_mm_s=30.0, tool=0,
    accel_mm_s2=0.0, travel_accel_mm_s2=0.0, speed_factor=1.0, flow=1.0,
)  # fmt: skip


@pytest.mark.parametrize("relative", [False, True])
def test_single_precision_does_not_drift(relative: bool, rig_values: dict[str, Any]) -> None:
    rig = rig_from_mapping(rig_values)
    rng = random.Random(3)
    machine = {axis: F(0) for axis in "XYZE"}
    fed_by_blocks = 0.0
    e = 0.0
    for number in range(1, 1501):
        x, y, z = (round(rng.uniform(60, 160), 3) for _ in range(3))
        e = round(e + rng.uniform(0.1, 8), 5)
        machine.update(X=F(x), Y=F(y), Z=F(z), E=machine["E"] if relative else F(e))
        state = replace(STATE, x_mm=x, y_mm=y, z_mm=z, e_word=e, relative_xyz=relative, relative_e=relative)
        stop = Stop(cameras=("wide",), x_mm=5.0, y_mm=210.0, z_mm=z + 1, dwell_s=1.0, stance="clear")
        shot = Shot(
            number=number, after_line=1, byte=0, layer=number, z_mm=z, at_s=0.0, cost_s=1.0, retract="own",
            retract_mm=0.8, retract_mm_s=40.0, lift_mm=1.0, stops=(stop,),
        )  # fmt: skip
        before = dict(machine)
        for line in block_lines(shot, state, rig):
            if line.startswith("G1"):
                for axis, value in re.findall(r"([XYZE])(-?[\d.]+)", line):
                    machine[axis] = F(machine[axis] + F(value)) if relative else F(value)
        if not relative:
            assert machine == before  # to the last bit
        for axis, place in zip("XYZ", (x, y, z), strict=True):
            assert abs(float(machine[axis]) - place) < 5e-5
        fed_by_blocks += float(machine["E"]) - float(before["E"])
        if relative:
            machine["E"] = F(machine["E"] + F(rng.uniform(0.1, 8)))
    assert abs(fed_by_blocks) < 0.05  # mm, of six metres of filament
