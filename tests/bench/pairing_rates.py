"""How well recordings without cues are paired: precision and recall by print, night and camera.

``python tests/bench/pairing_rates.py [--prints cube,dome] [--seeds 1,2] [--keep FOLDER] [--apart]`` prints
the table of docs/capture.md. Every night is rendered by the rehearsal: 5 % of the stops left out, 30 %
strays, clocks up to 1 % off, two pauses, both cameras unsynchronised, five pictures a second of which 5 %
are missing. Nights and what was seen of them stay in FOLDER; rendering one takes about five minutes, pairing
it half a minute. Only a camera's own stops count. A pair is right when its standstill overlaps the one at
which the machine truly stood for that stop by the camera's clock; a stop that was left out has none.
"""

from __future__ import annotations

import argparse
import json
import tarfile
import time
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from twinlapse.frames.job import Job
from twinlapse.job_folder import prepare
from twinlapse.pairing.extract_frames import look, shortest_of
from twinlapse.pairing.joint_alignment import Paired, Seen, pair
from twinlapse.pairing.recordings import open_recording
from twinlapse.pairing.standstills import Watched, find_standstills
from twinlapse.pairing.stop_matching import DOUBT, Match, Schedule, Standstill, schedule_of
from twinlapse.rehearsal.recordings import FILE, Night, record
from twinlapse.rig import read_rig
from twinlapse.shots import Plan, read_plan

ROOT = Path(__file__).parents[2]
RIG = ROOT / "sample_jobs" / "seedling_pot" / "rig.toml"
CLOCKS = ((1.01, 0.995), (0.99, 1.005), (1.01, 0.99), (0.995, 1.01))  # of wide and nozzle, by seed
PRINTS: dict[str, tuple[str | None, int | None]] = {  # file of tests/data/sliced.tar.xz, shots recorded
    "cube": ("cube_start_end.gcode", None),
    "dome": ("dome_adaptive.gcode", None),
    "towers": ("towers_one_at_a_time.gcode", 120),
    "pot": (None, 70),
}
OVERLAP_S = 0.2


def sliced(name: str, folder: Path) -> Path:
    """Return the sliced file of a print."""
    member, _ = PRINTS[name]
    if member is None:
        return ROOT / "sample_jobs" / "seedling_pot" / "pot.gcode"
    with tarfile.open(ROOT / "tests" / "data" / "sliced.tar.xz") as archive:
        archive.extract(member, folder, filter="data")
    return folder / member


def night(name: str, seed: int, keep: Path) -> Path:
    """Return the folder of a rendered night; render it when it is not there."""
    folder = keep / f"{name}-{seed}"
    if not (folder / FILE).exists():
        folder.mkdir(parents=True, exist_ok=True)
        rig, job = read_rig(RIG), Job(folder)
        prepare(sliced(name, folder), rig, job)
        clock = CLOCKS[seed % len(CLOCKS)]
        record(job.filmed, rig, folder, seed=seed, night=Night(clock=clock), shots=PRINTS[name][1])
    return folder


def seen_of(folder: Path, camera: str, schedule: Schedule) -> Seen:
    """Return what a camera's recording shows, looked at once."""
    file = folder / f"{camera}.npz"
    if not file.exists():
        found = look(open_recording(folder / camera), schedule, lambda share: None)
        watched = found.watched
        np.savez(file, time_s=watched.time_s, motion=watched.motion, looks=watched.looks, span_s=found.span_s)
    with np.load(file) as data:
        watched = Watched(time_s=data["time_s"], motion=data["motion"], looks=data["looks"])
        span_s = (float(data["span_s"][0]), float(data["span_s"][1]))
    stills = find_standstills(watched.time_s, watched.motion, shortest_of(schedule))
    return Seen(watched=watched, found=stills, span_s=span_s)


def recorded(plan: Plan, shots: int | None) -> Plan:
    """Return the plan of what was recorded: the print was stopped then."""
    return replace(plan, shots=tuple(shot for shot in plan.shots if shots is None or shot.number <= shots))


def right(match: Match, found: list[Standstill], stands: dict[tuple[int, int], Any]) -> bool:
    """Whether a pair is the truth."""
    truth, still = stands.get((match.shot, match.stop)), found[match.index]
    return (
        truth is not None
        and still.start_s < truth["end_s"] - OVERLAP_S
        and still.end_s > truth["start_s"] + OVERLAP_S
    )


def counts(paired: Paired, truth: dict[str, Any], camera: str, own: set[tuple[int, int]]) -> np.ndarray:
    """Return right pairs, pairs, stops at which the machine stood, doubtful pairs, wrong and not doubtful."""
    stands = {(s["shot"], s["stop"]): s for s in truth["cameras"][camera]["stands"]}
    matches = [match for match in paired.alignment.matches if (match.shot, match.stop) in own]
    good = [right(match, paired.found, stands) for match in matches]
    sure = [match.confidence >= DOUBT for match in matches]
    wrong = sum(s and not g for s, g in zip(sure, good, strict=True))
    return np.array([sum(good), len(matches), len(own & set(stands)), sure.count(False), wrong])


def row(words: list[str], n: np.ndarray) -> str:
    """Return a line of the table."""
    cells = [*words, f"{n[0] / n[1]:.4f} ({n[0]} of {n[1]})", f"{n[0] / n[2]:.4f} ({n[0]} of {n[2]})"]
    return "| " + " | ".join([*cells, str(n[3]), str(n[4])]) + " |"


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--prints", default=",".join(PRINTS))
    parser.add_argument("--seeds", default="1,2,3")
    parser.add_argument("--keep", type=Path, default=Path("nights"))
    parser.add_argument("--apart", action="store_true", help="pair every camera for itself, to compare")
    words = parser.parse_args()
    print("| print | night | camera | precision | recall | doubtful | wrong and not doubtful |")
    print("| --- | --- | --- | --- | --- | --- | --- |")
    total = np.zeros(5, dtype=int)
    for name in words.prints.split(","):
        for seed in map(int, words.seeds.split(",")):
            folder = night(name, seed, words.keep)
            truth = json.loads((folder / FILE).read_text())
            plan = recorded(read_plan(folder / "plan.json"), PRINTS[name][1])
            schedule = schedule_of(plan)
            cameras = list(truth["cameras"])
            seen = [seen_of(folder, camera, schedule) for camera in cameras]
            groups = [[one] for one in seen] if words.apart else [seen]
            began_s = time.monotonic()
            paired = [one for group in groups for one in pair(schedule, group, shortest_of(schedule))]
            took_s = time.monotonic() - began_s
            for camera, one in zip(cameras, paired, strict=True):
                own = {(shot.number, n) for shot in plan.shots for n, stop in enumerate(shot.stops, 1)
                       if camera in stop.cameras}  # fmt: skip
                some = counts(one, truth, camera, own)
                total += some
                print(row([name, str(seed), camera], some), f"<!-- {took_s:.0f} s -->", flush=True)
    print(row(["all", "", ""], total))


if __name__ == "__main__":
    main()
