"""How fast and how lean `twinlapse analyse` reads a large file; run by hand.

    python tests/bench/bench_analyse.py [MEGABYTES] [--keep FILE]

Writes a file of a pot, 150 MB and 5.5 million lines by default, and compares the whole process with
``python -c "for l in open(F,'rb'): l.split()"`` in the same run. Aims: at most 3.0 times its time, at most
7 bytes resident a byte of file.
"""

from __future__ import annotations

import argparse
import math
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

ROUND = 900  # moves of one outline


def write_pot(path: Path, size: int) -> int:
    """Write layers of a fluted pot until the file is large enough; return the count of layers."""
    head = ";FLAVOR:Marlin\nM140 S60\nM104 S205\nM190 S60\nM109 S205\nG21\nG90\nM82\nG28\nG92 E0\n"
    shape = [
        (
            math.cos(k * math.tau / ROUND),
            math.sin(k * math.tau / ROUND),
            1 + 0.05 * math.cos(24 * k * math.tau / ROUND),
        )
        for k in range(ROUND)
    ]
    layer = 0
    with path.open("w") as file:
        file.write(head)
        while file.tell() < size:
            file.write(_layer(layer, shape))
            layer += 1
        file.write("G1 E-2 F2400\nM104 S0\nM140 S0\nG28 X0\nM84\n")
    return layer


def _layer(layer: int, shape: list[tuple[float, float, float]]) -> str:
    z = 0.2 * (layer + 1)
    lines = [f";LAYER:{layer}", f"G0 F9000 Z{z:.2f}", "G92 E0"]
    e = 0.0
    for wall, kind in enumerate(("WALL-INNER", "WALL-INNER", "WALL-OUTER")):
        lines.append(f";TYPE:{kind}")
        radius = 40 + 0.4 * wall
        points = [(100 + radius * c * flute, 100 + radius * s * flute) for c, s, flute in shape]
        lines.append(f"G0 F9000 X{points[0][0]:.3f} Y{points[0][1]:.3f}")
        lines.append("G1 F1800")
        for x, y in points[1:]:
            e += 0.0112
            lines.append(f"G1 X{x:.3f} Y{y:.3f} E{e:.5f}")
    return "\n".join(lines) + "\n"


def run(command: list[str]) -> tuple[float, int]:
    """Return the wall time of a process and its greatest resident size in bytes."""
    began = time.perf_counter()
    process = subprocess.Popen(command, stdout=subprocess.DEVNULL)
    _, status, usage = os.wait4(process.pid, 0)
    process.returncode = os.waitstatus_to_exitcode(status)
    if process.returncode:
        raise SystemExit(f"{command} failed: {process.returncode}")
    return time.perf_counter() - began, usage.ru_maxrss * 1024


def main() -> None:
    """Write the file, take the times, print the ratios."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("megabytes", nargs="?", type=float, default=150)
    parser.add_argument(
        "--keep", type=Path, help="write the file here and leave it; reuse it when it is there"
    )
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        path = options.keep or Path(folder) / "pot.gcode"
        if not path.exists():
            write_pot(path, int(options.megabytes * 1e6))
        size = path.stat().st_size
        split = [sys.executable, "-c", f"for l in open({str(path)!r},'rb'): l.split()"]
        analyse = [sys.executable, "-m", "twinlapse", "analyse", "--no-layers", "--json", str(path)]
        run(analyse)  # compiles, fills the caches
        for _ in range(3):
            plain, _ = run(split)
            ours, resident = run(analyse)
            print(
                f"{size / 1e6:.0f} MB: split {plain:.2f} s, analyse {ours:.2f} s, ratio {ours / plain:.2f}; "
                f"resident {resident / 1e6:.0f} MB, {resident / size:.2f} bytes a byte"
            )


if __name__ == "__main__":
    main()
