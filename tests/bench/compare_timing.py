"""Compare the timeline with an independent planner library; run by hand.

    pip install pyGCodeDecode
    python tests/bench/compare_timing.py FILE ...

pyGCodeDecode (Knirsch et al., Journal of Open Source Software, 2024) plans G-code move by move in plain
Python. It knows one acceleration for all axes and two corner rules that exist here too: junction deviation,
stated as the speed at a square corner, and classic jerk. It has no limit for short pieces of a curve. It is
heavy, so it is no requirement of the tests.

Prints, a file and a rule: both totals, their difference, and the largest difference at every 1,000th move as
a share of the total.
"""

from __future__ import annotations

import argparse
import contextlib
import io
import tempfile
from pathlib import Path

import numpy as np

from twinlapse.gcode import read_toolpath
from twinlapse.motion import time_toolpath
from twinlapse.rig import Cornering, Printer

ACCEL_MM_S2 = 1000.0
CORNER_MM_S = 8.0
RULES = {
    "junction_deviation": Cornering(square_corner_mm_s=CORNER_MM_S),
    "marlin": Cornering(jerk_mm_s=CORNER_MM_S),
}
PRESET = """
bench:
  nozzle_diam: 0.4
  filament_diam: 1.75
  p_vel: 30
  p_acc: {accel}
  jerk: {corner}
  vX: 1000
  vY: 1000
  vZ: 1000
  vE: 1000
  firmware: {rule}
"""


def independent(file: Path, rule: str) -> tuple[np.ndarray, np.ndarray]:
    """Return lines and the times at which the library says their moves end."""
    from pyGCodeDecode.gcode_interpreter import setup, simulation

    with tempfile.TemporaryDirectory() as folder, contextlib.redirect_stdout(io.StringIO()):
        preset = Path(folder) / "preset.yaml"
        preset.write_text(PRESET.format(accel=ACCEL_MM_S2, corner=CORNER_MM_S, rule=rule))
        machine = setup(presets_file=preset, printer="bench", verbosity_level=0)
        done = simulation(gcode_path=file, initial_machine_setup=machine, verbosity_level=0)
    ends = [(block.state_B.line_number, block.get_segments()[-1].t_end) for block in done.blocklist]
    lines, times = np.array(ends, float).T
    return lines.astype(int), times


def ours(file: Path, rule: str) -> tuple[np.ndarray, np.ndarray]:
    """Return the lines and end times of all rows."""
    path = read_toolpath(file, firmware="marlin")
    printer = Printer(
        bed_mm=(300.0, 300.0),
        height_mm=300.0,
        accel_mm_s2=ACCEL_MM_S2,
        accel_z_mm_s2=ACCEL_MM_S2,
        cornering=RULES[rule],
    )
    return path.line, time_toolpath(path, printer).end_s


def compare(file: Path, rule: str) -> str:
    """Return one line of figures."""
    lines, times = independent(file, rule)
    my_lines, my_times = ours(file, rule)
    row = np.minimum(np.searchsorted(my_lines, lines, "right") - 1, len(my_times) - 1)
    away = np.abs(my_times[row] - times)[::1000] / times[-1]
    total = my_times[row[-1]]
    return (
        f"{file.name:32} {rule:20} {times[-1]:9.1f} s {total:9.1f} s {100 * (total / times[-1] - 1):+6.2f} % "
        f"{100 * away.max():6.2f} % at most, {len(away)} moves looked at"
    )


def main() -> None:
    """Compare the files named."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("files", nargs="+", type=Path)
    print(f"{'file':32} {'corner rule':20} {'library':>11} {'twinlapse':>11} {'total':>8}   1,000th moves")
    for file in parser.parse_args().files:
        for rule in RULES:
            print(compare(file, rule), flush=True)


if __name__ == "__main__":
    main()
