"""The painting loops are ordinary Python: without the compiler they give the same picture."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

PAINT = """
import sys
import numpy as np
from twinlapse.rehearsal.beads import Beads
from twinlapse.rehearsal.faults import Mishap
from twinlapse.rehearsal.scene import Scene, VirtualCamera
from twinlapse.rehearsal.virtual_camera import Materials
from twinlapse.rehearsal.machine_meshes import grain_tile
from twinlapse.rig import Camera, Lens, Printer

first = np.array([[50, 55, 0.2], [70, 55, 0.2], [60, 50, 0.6]], np.float32)
last = np.array([[70, 55, 0.2], [70, 65, 0.2], [60, 70, 0.6]], np.float32)
size = np.full(3, 0.8, np.float32)
beads = Beads(first_mm=first, last_mm=last, half_width_mm=size, half_height_mm=size / 2, row=np.arange(3))
plate = np.linspace(0.01, 0.05, 9600, dtype=np.float32).reshape(80, 120)
looks = Materials(hue=np.full((3, 3), 0.4, np.float32), plate=plate, grain=grain_tile())
printer = Printer(bed_mm=(60, 40), height_mm=60)
foot = np.array([30.0, 20, 0])
scene = Scene(beads=beads, printer=printer, rest_mm=(30.0, 20.0, 0.0), foot_mm=foot, looks=looks)
still = Mishap(shake_rad=(0.001, 0.002, 0.0), gain=0.9, state="ok", seed=1)
out = []
for mount in ("frame", "toolhead"):
    camera = Camera(name="c", mount=mount, lens=Lens(width_px=48, height_px=36, across_deg=60))
    virtual = VirtualCamera(scene, camera)
    out.append(virtual.take((60.0, 52.0, 3.0), (0.1, 0.0, 0.0), 3, still, 1.0))
np.save(sys.argv[1], np.stack(out))
"""


@pytest.mark.slow
def test_uncompiled_kernels_paint_the_same_picture(tmp_path: Path) -> None:
    script = tmp_path / "paint.py"
    script.write_text(PAINT)
    shots = []
    for disable in ("0", "1"):
        out = tmp_path / f"{disable}.npy"
        environment = {**os.environ, "NUMBA_DISABLE_JIT": disable}
        subprocess.run([sys.executable, script, out], env=environment, check=True)
        shots.append(np.load(out).astype(int))
    assert shots[0].std() > 10
    assert np.abs(shots[0] - shots[1]).max() <= 1
