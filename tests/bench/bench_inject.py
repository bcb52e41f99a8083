"""Time and memory of writing 1,500 shots into a large file, proof included, beside the analysis alone.

Run: ``python tests/bench/bench_inject.py [MEGABYTES]``. Each part runs in a process of its own; the best of
three is told, and the memory that was resident at most.
"""

from __future__ import annotations

import json
import math
import subprocess
import sys
import tempfile
from pathlib import Path

LAYERS = 1500
RIG = {
    "printer": {"bed_mm": [220, 220], "height_mm": 500},
    "camera": [
        {"name": "wide", "mount": "frame", "every": "layer"},
        {"name": "nozzle", "mount": "toolhead", "every": "layer"},
    ],
}

BOTH = """
import json, resource, sys, time
def memory():
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
"""
ANALYSE = """
from pathlib import Path
import numpy
from twinlapse.gcode import find_layers, read_toolpath
from twinlapse.motion import time_toolpath
from twinlapse.rig import rig_from_mapping
rig = rig_from_mapping(json.loads(sys.argv[2]))
start = time.perf_counter()
path = read_toolpath(Path(sys.argv[1]), firmware="marlin")
layers = find_layers(path)
line = time_toolpath(path, rig.printer)
took = time.perf_counter() - start
print(json.dumps([took, memory(), len(layers), len(path)]))
"""

INJECT = """
from pathlib import Path
import numpy
from twinlapse.gcode import read_toolpath
from twinlapse.inject import inject_file
from twinlapse.shots import read_plan
plan = read_plan(Path(sys.argv[2]))
start = time.perf_counter()
report = inject_file(Path(sys.argv[1]), plan, Path(sys.argv[1] + ".out"))
took = time.perf_counter() - start
print(json.dumps([took, memory(), report.shots, report.bytes]))
"""


def write_print(path: Path, size: int) -> None:
    """Write a ribbed tube of 1,500 layers."""
    per_layer = size // LAYERS // 36
    head = "M109 S200\nG28\nG21\nG90\nM82\nG92 E0\nG1 Z0.3 F600\nG1 E-1 F2400\n"
    with path.open("w") as file:
        file.write(head)
        e = 0.0
        for layer in range(LAYERS):
            z = 0.3 + 0.2 * layer
            lines = [f";LAYER:{layer}", f"G0 F9000 X140.000 Y110.000 Z{z:.3f}", f"G1 F2400 E{e:.5f}"]
            for k in range(1, per_layer + 1):
                angle = 8 * math.pi * k / per_layer
                radius = 30 + 3 * math.sin(11 * angle) + 0.4 * (k * 4 // per_layer)
                e += 0.033
                lines.append(
                    f"G1 X{110 + radius * math.cos(angle):.3f} Y{110 + radius * math.sin(angle):.3f} E{e:.5f}"
                )
            lines.append(f"G1 F2400 E{e - 1:.5f}")
            file.write("\n".join(lines) + "\n")


def write_plan_for(path: Path, plan_path: Path) -> None:
    """Plan a shot at the end of each layer, two stops each."""
    from twinlapse.files import sha256_of
    from twinlapse.shots import Plan, Shot, Stop, write_plan

    shots = []
    byte, line = 0, 0
    with path.open("rb") as file:
        for text in file:
            byte += len(text)
            line += 1
            if text.startswith(b"G1 F2400 E"):
                shots.append((line, byte))
    ends = shots[1::2]
    made = tuple(
        Shot(
            number=i + 1,
            after_line=line,
            byte=byte,
            layer=i,
            z_mm=round(0.3 + 0.2 * i, 3),
            at_s=0.0,
            cost_s=5.5,
            retract="already",
            retract_mm=0.0,
            retract_mm_s=40.0,
            lift_mm=1.0,
            stops=(
                Stop(
                    cameras=("wide",),
                    x_mm=10.0,
                    y_mm=200.0,
                    z_mm=round(1.3 + 0.2 * i, 3),
                    dwell_s=1.0,
                    stance="clear",
                ),
                Stop(
                    cameras=("nozzle",),
                    x_mm=90.0,
                    y_mm=100.0,
                    z_mm=round(1.3 + 0.2 * i, 3),
                    dwell_s=1.0,
                    stance="over",
                ),
            ),
        )
        for i, (line, byte) in enumerate(ends)
    )
    write_plan(
        plan_path,
        Plan(
            original_sha256=sha256_of(path),
            rig=RIG,
            shots=made,
            print_s=1e5,
            cost_s=5.5 * len(made),
            film_s=50.0,
            layer_count=LAYERS,
        ),
    )


def run(code: str, *arguments: str) -> list[float]:
    """Return the best of three runs: seconds, MB resident, and two counts."""
    runs = []
    for _ in range(3):
        done = subprocess.run(
            [sys.executable, "-c", BOTH + code, *arguments], capture_output=True, text=True, check=False
        )
        if done.returncode:
            sys.exit(done.stderr)
        runs.append(json.loads(done.stdout))
    return min(runs)


def main() -> None:
    """Make the file, measure, tell."""
    size = int(float(sys.argv[1]) * 1e6) if len(sys.argv) > 1 else 150_000_000
    with tempfile.TemporaryDirectory() as folder:
        path, plan = Path(folder) / "tube.gcode", Path(folder) / "plan.json"
        write_print(path, size)
        write_plan_for(path, plan)
        analysis = run(ANALYSE, str(path), json.dumps(RIG))
        inject = run(INJECT, str(path), str(plan))
        print(
            f"file      {path.stat().st_size / 1e6:.0f} MB, {analysis[3]:.0f} rows, {analysis[2]:.0f} layers"
        )
        print(f"analysis  {analysis[0]:.2f} s, {analysis[1]:.0f} MB")
        print(f"inject    {inject[0]:.2f} s, {inject[1]:.0f} MB, {inject[2]:.0f} shots, proof included")
        print(f"ratio     {inject[0] / analysis[0]:.2f} in time, {inject[1] / analysis[1]:.2f} in memory")


if __name__ == "__main__":
    main()
