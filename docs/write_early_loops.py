"""Write twinlapse/early_loops.txt: the loops that a demo calls after it has read its file.

    python docs/write_early_loops.py

Each line is a loop and the types of its arguments (`twinlapse.early_compiling`). Pictures come last, in the
list as in the demo.
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path
from typing import Any

import twinlapse
from twinlapse import jit, machine_code
from twinlapse.early_compiling import LIST
from twinlapse.rig import rig_from_mapping

LABEL = """G90
M83
G28
G1 X80 Y80 Z0.2 F3000
;LAYER:0
G1 X120 Y80 E1
G1 X120 Y120 E1
G1 E-1 F2100
G1 Z0.4 F600
;LAYER:1
G1 X80 Y80
G1 E1 F2100
G1 X120 Y80 E1
G1 X120 Y120 E1
G1 E-1
G1 Z30
"""
LENS = {"width_px": 160, "height_px": 120, "across_deg": 60}


def called_loops() -> list[str]:
    """Return a line for each loop that is called between reading a file and the last picture of its print."""
    seen: dict[str, None] = {}
    plain = jit.Kernel.__call__

    def call(self: jit.Kernel, *arguments: Any) -> Any:
        module = self.py_func.__module__.removeprefix("twinlapse.")
        codes = [machine_code.type_code(one) or "?" for one in arguments]
        seen[" ".join([f"{module}.{self.py_func.__qualname__}", *codes])] = None
        return plain(self, *arguments)

    jit.Kernel.__call__ = call  # type: ignore[method-assign]
    try:
        with tempfile.TemporaryDirectory() as name:
            folder, sample = Path(name), twinlapse.sample_job()
            rig = twinlapse.load_rig(sample / "rig.toml")
            sliced = twinlapse.read_sliced(sample / "pot.gcode", rig)
            reading = set(seen)
            plan = twinlapse.plan(sliced, rig)
            twinlapse.inject(sample / "pot.gcode", plan, folder / "filmed.gcode", toolpath=sliced.toolpath)
            (folder / "label.gcode").write_text(LABEL, encoding="utf-8")
            cameras = [{**camera, "lens": LENS, "every": "layer"} for camera in rig.raw["camera"]]
            small = rig_from_mapping({**rig.raw, "camera": cameras})
            twinlapse.rehearse(folder / "label.gcode", small, folder / "job")
    finally:
        jit.Kernel.__call__ = plain  # type: ignore[method-assign]
    return sorted(line for line in seen if line not in reading)


def main() -> None:
    """Write the file."""
    if not jit.COMPILED:
        sys.exit("there is no compiler here: nothing is written")
    LIST.write_text("".join(f"{line}\n" for line in called_loops()), encoding="utf-8")


if __name__ == "__main__":
    main()
