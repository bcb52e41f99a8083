"""How well recordings without cues are paired, by a judge that shares nothing with what pairs them.

``python tests/bench/pairing_rates.py [--gcode FILE --plan FILE] [--runs clean,drift] [--seeds 1,2]
[--mixtures 20]`` prints the table of docs/capture.md. Runs are printed, drawn and recorded by
tests/pairing/recorded_runs.py. A frame is right when it was exposed while the machine stood at its stop.
By default the dome of tests/data/sliced.tar.xz is planned and written by
tests/pairing/recording_rig.toml, with stops of a second.
"""

from __future__ import annotations

import argparse
import sys
import tarfile
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

import numpy as np

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT / "tests" / "pairing"))
from judging import judged, written  # noqa: E402
from recorded_runs import Troubles, run_of  # noqa: E402

RUNS = {
    "clean": Troubles(),
    "one camera records 7 minutes longer": Troubles(longer_s=(8, 420)),
    "clocks 1 % fast and 0.5 % slow, 5 minutes apart": Troubles(clock=(1.01, 0.995), start_s=(-300.0, -12.0)),
    "a pause of 5 minutes, 9 minutes apart": Troubles(pauses=((300, 1),), start_s=(-30.0, -560.0)),
    "exposure hunting": Troubles(hunting=0.3),
    "noise": Troubles(noise=2.5),
    "head hidden": Troubles(hidden=True),
    "aborted at 60 %": Troubles(ends_at=0.6),
    "pauses in 18 and 6 pieces, hunting": Troubles(pauses=((300, 18), (120, 6)), hunting=0.3),
    "skips 5 %, strays 30 %, pauses, hunting, drops 5 %, drift": Troubles(
        skips=0.05, strays=0.3, pauses=((300, 18), (60, 1)), hunting=0.25, drops=0.05, clock=(1.008, 0.993)
    ),
    "10 % of the pictures dropped, rate 2.5 to 6 Hz": Troubles(drops=0.1, rate_hz=(2.5, 6.0)),
    "people in the wide picture": Troubles(people=25, visits_s=240.0),
    "wide sees nothing move": Troubles(blind=True),
    "recorders that lose 3 % without a gap in time": Troubles(slips=0.03),
}


def mixture(seed: int) -> Troubles:
    """Return a random mixture of the troubles."""
    dice = np.random.default_rng([seed, 99])

    def some(chance: float) -> bool:
        return bool(dice.random() < chance)

    pauses = tuple(
        (float(dice.uniform(20, 600)), int(dice.integers(1, 25))) for _ in range(dice.integers(0, 4))
    )
    return Troubles(
        clock=(float(dice.uniform(0.99, 1.01)), float(dice.uniform(0.99, 1.01))),
        start_s=(float(dice.uniform(-600, -5)), float(dice.uniform(-600, -5))),
        longer_s=(float(dice.uniform(5, 600)), float(dice.uniform(5, 600))),
        pauses=pauses,
        skips=0.05 * some(0.5),
        strays=float(dice.uniform(0, 0.4)),
        drops=float(dice.uniform(0, 0.12)) * some(0.6),
        rate_hz=(2.5, 6.0) if some(0.3) else (5.0, 5.0),
        hunting=0.3 * some(0.5),
        noise=float(dice.uniform(0.4, 2.5)),
        people=25 * some(0.3),
        visits_s=240.0 * some(0.2),
        hidden=some(0.2),
        ends_at=float(dice.uniform(0.4, 0.9)) if some(0.2) else 1.0,
    )


@dataclass(frozen=True, kw_only=True)
class Words:
    gcode: Path
    plan: Path


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--gcode", type=Path, help="a written file; needs --plan")
    parser.add_argument("--plan", type=Path)
    parser.add_argument("--runs", default=",".join(str(k) for k in range(len(RUNS))), help="numbers of runs")
    parser.add_argument("--seeds", default="1")
    parser.add_argument("--mixtures", type=int, default=0)
    parser.add_argument("--plan-alone", action="store_true", help="do not read the written file")
    words = parser.parse_args()
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        if words.gcode is None:
            with tarfile.open(ROOT / "tests" / "data" / "sliced.tar.xz") as archive:
                archive.extract("dome_adaptive.gcode", folder, filter="data")
            gcode, plan = written(folder / "dome_adaptive.gcode", folder)
        else:
            gcode, plan = words.gcode, words.plan
        print(
            "| run | seed | wide right / kept / due | sure, wrong | nozzle right / kept / due | sure, wrong |"
        )
        print("| --- | --- | --- | --- | --- | --- |")
        total = np.zeros((2, 5), dtype=int)
        seeds = [int(seed) for seed in words.seeds.split(",")]
        todo = [(list(RUNS.items())[int(k)], seed) for k in words.runs.split(",") if k for seed in seeds]
        todo += [((f"mixture {k}", mixture(k)), k) for k in range(words.mixtures)]
        for (name, troubles), seed in todo:
            began_s = time.monotonic()
            run = run_of(gcode, troubles, seed)
            counts = judged(run, plan, None if words.plan_alone else gcode, folder / f"job-{name[:9]}-{seed}")
            cells = []
            for place_, camera in enumerate(("wide", "nozzle")):
                n = counts[camera]
                if not (troubles.blind and camera == "wide"):
                    total[place_] += n
                cells.append(f"{n[0]} / {n[1]} / {n[2]} | {n[3]}, {n[4]}")
            print(
                f"| {name} | {seed} | {cells[0]} | {cells[1]} | <!-- {time.monotonic() - began_s:.0f} s -->",
                flush=True,
            )
        both = total.sum(axis=0)
        print(f"| all that can be seen | | {_row(total[0])} | {_row(total[1])} |")
        print(
            f"recall {both[0] / both[2]:.4f}, right of kept {both[0] / both[1]:.4f}, "
            f"wrong of sure {both[4]} of {both[3]}"
        )


def _row(n: np.ndarray) -> str:
    return f"{n[0]} / {n[1]} / {n[2]} | {n[3]}, {n[4]}"


if __name__ == "__main__":
    main()
