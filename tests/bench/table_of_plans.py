"""Plan files on three kinds of machine and print a table of shots, cost, walls and refusals; run by hand.

python tests/bench/table_of_plans.py [--prove] FILE ...
"""

from __future__ import annotations

import argparse
import tempfile
import time
from pathlib import Path
from typing import Any

from twinlapse.gcode import find_layers, read_toolpath
from twinlapse.inject import inject_file
from twinlapse.motion import time_toolpath
from twinlapse.plan import work_out
from twinlapse.rig import Rig, rig_from_mapping

PRINTERS: dict[str, dict[str, Any]] = {
    "bed moves y": {"bed_mm": [220, 220], "height_mm": 2000},
    "bed moves z": {"bed_mm": [220, 220], "height_mm": 2000, "kinematics": "bed-moves-z"},
    "fixed, round": {
        "bed_mm": [620, 620],
        "height_mm": 2000,
        "kinematics": "bed-fixed",
        "bed_shape": "round",
        "origin": "center",
    },
}
CAMERAS = [{"name": "wide", "mount": "frame"}, {"name": "nozzle", "mount": "toolhead"}]


def row_of(file: Path, machine: str, rig: Rig, prove: bool) -> str:
    """Return a row of the table."""
    path = read_toolpath(file, firmware=rig.printer.firmware)
    layers, timeline = find_layers(path), time_toolpath(path, rig.printer)
    start = time.perf_counter()
    planning = work_out(path, layers, timeline, rig)
    took_s = time.perf_counter() - start
    plan = planning.plan
    walls = sum(choice.outer for choice in planning.choices)
    own = sum(shot.retract in ("own", "firmware") for shot in plan.shots)
    proof = ""
    if prove:
        with tempfile.TemporaryDirectory() as folder:
            report = inject_file(file, plan, Path(folder) / "filmed.gcode", toolpath=path)
        proof = " | holds" if report.proof.holds else " | fails"
    return (
        f"| {file.name} | {machine} | {len(plan.shots)} | {plan.cost_s:.0f} | "
        f"{100 * plan.cost_s / plan.print_s:.0f} | {own} | {walls} | {len(planning.refusals)} | "
        f"{took_s:.2f}{proof} |"
    )


def main() -> None:
    """Print the table of the files named."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--prove", action="store_true")
    parser.add_argument("files", nargs="+", type=Path)
    asked = parser.parse_args()
    proof = " | proof" if asked.prove else ""
    print(
        "| file | machine | shots | cost s | cost % | retractions | at walls | refused | planned in s"
        f"{proof} |"
    )
    for file in asked.files:
        for machine, printer in PRINTERS.items():
            rig = rig_from_mapping({"printer": printer, "camera": CAMERAS})
            print(row_of(file, machine, rig, asked.prove), flush=True)


if __name__ == "__main__":
    main()
