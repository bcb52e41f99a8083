"""Compare times with a real firmware's own planner, on original and written files; run by hand.

    python tests/bench/compare_firmware.py [FILE ...]

Without files: the sliced files of the tests and the sample job. Each is planned, written and run on two
machines through Klipper's batch mode (tests/firmware/klipper_oracle.py). Prints, a file and a machine: the
firmware's seconds and the difference of ours in percent, for the original, the written file and what the
stops add; then the lowest, the median and the highest difference.
"""

from __future__ import annotations

import argparse
import sys
import tarfile
import tempfile
from dataclasses import dataclass
from pathlib import Path

import numpy as np

ROOT = Path(__file__).parents[2]
KEYS = ("original_s", "written_s", "added_s")
sys.path.insert(0, str(ROOT / "tests/firmware"))

from klipper_oracle import Machine, Run, run  # noqa: E402
from machines import MACHINES, PairOfFiles, rig_for, write_pair  # noqa: E402

from twinlapse.gcode import read_toolpath  # noqa: E402
from twinlapse.motion import time_toolpath  # noqa: E402
from twinlapse.rig import Rig  # noqa: E402


@dataclass(frozen=True, slots=True, kw_only=True)
class Times:
    """Seconds of an original and a written file, by one of the two."""

    original_s: float
    written_s: float

    @property
    def added_s(self) -> float:
        return self.written_s - self.original_s


def ours(pair: PairOfFiles, rig: Rig) -> Times:
    """Return what the timeline says."""
    found = [
        time_toolpath(read_toolpath(file, firmware="klipper"), rig.printer).print_s
        for file in (pair.original, pair.written)
    ]
    return Times(original_s=found[0], written_s=found[1])


def firmwares(pair: PairOfFiles, machine: Machine) -> Times:
    """Return what the firmware says."""
    found = [_seconds(run(file, machine)) for file in (pair.original, pair.written)]
    return Times(original_s=found[0], written_s=found[1])


def _seconds(done: Run) -> float:
    if done.errors:
        raise ValueError(done.errors[0])
    return done.moving_s + done.dwell_s


def main() -> None:
    """Compare the files named."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("files", nargs="*", type=Path)
    files = parser.parse_args().files
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        if not files:
            with tarfile.open(ROOT / "tests/data/sliced.tar.xz") as archive:
                archive.extractall(folder, filter="data")
            files = [*sorted(folder.glob("*.gcode")), *sorted(ROOT.glob("sample_jobs/*/*.gcode"))]
        for label, machine in MACHINES.items():
            print(
                f"{label}\n{'file':36}{'original':>10}{'%':>8}{'written':>10}{'%':>8}{'added':>9}{'%':>8}{'shots':>7}"
            )
            rows = []
            for file in files:
                try:
                    rig = rig_for(label)
                    pair = write_pair(file, rig, folder)
                    theirs, mine = firmwares(pair, machine), ours(pair, rig)
                except Exception as error:
                    print(f"{file.name:36}{type(error).__name__}: {error}", flush=True)
                    continue
                parts = [
                    (getattr(theirs, key), getattr(mine, key))
                    for key in ("original_s", "written_s", "added_s")
                ]
                row = [100 * (ours_s / theirs_s - 1) for theirs_s, ours_s in parts]
                rows.append(row)
                figures = "".join(
                    f"{part[0]:10.1f}{share:+8.3f}" for part, share in zip(parts, row, strict=True)
                )
                print(f"{file.name:36}{figures}{pair.shots:7}", flush=True)
            low, mid, high = (np.percentile(np.array(rows), q, axis=0) for q in (0, 50, 100))
            for k, what in enumerate(("original", "written", "added")):
                print(f"{what:10} lowest {low[k]:+.3f} %, median {mid[k]:+.3f} %, highest {high[k]:+.3f} %")


if __name__ == "__main__":
    main()
