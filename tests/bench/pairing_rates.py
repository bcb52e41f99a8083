"""How well recordings without cues are paired, by judges that share nothing with what pairs them.

``python tests/bench/pairing_rates.py --table 11,12 --mixtures 41-60 --others 20-31`` prints tables as that of
docs/capture.md: named runs and random mixtures of their troubles (tests/pairing/recorded_runs.py), and runs
of other machines and cameras (tests/pairing/other_machines.py), each with its seeds. A stop is right
when every picture to choose from was exposed while the machine stood there.

By default the dome of tests/data/sliced.tar.xz is planned and written by tests/pairing/recording_rig.toml,
with stops of a second; ``--small 26`` takes a small print of so many layers. ``--video`` puts the pictures
through H.264 at 640 x 360, ``--plan-alone`` does not read the written file. ``--keep FOLDER`` keeps what the
cameras saw, so that a run is drawn once.
"""

from __future__ import annotations

import argparse
import sys
import tarfile
import tempfile
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT / "tests" / "pairing"))
from judging import RunRecording, file_course, strictly_judged, write_video, written  # noqa: E402
from other_machines import OtherRun, faults_of  # noqa: E402
from recorded_runs import Run, Troubles, pictures, run_of  # noqa: E402
from small_print import small_print  # noqa: E402

from twinlapse.pairing.extract_frames import view_of  # noqa: E402
from twinlapse.pairing.motion_signal import MotionSignal  # noqa: E402
from twinlapse.pairing.plan_course import plan_course  # noqa: E402
from twinlapse.pairing.recordings import open_recording  # noqa: E402
from twinlapse.pairing.stop_frames import RecordingView  # noqa: E402
from twinlapse.shots import read_plan  # noqa: E402

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
    "recorded from 2 s before the first stop to 2 s after the last": Troubles(close_s=2.0),
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
class Case:
    name: str
    seed: int
    run: Run | OtherRun
    blind: bool = False  # what the wide camera does not see is not counted


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--runs", help="numbers of runs of the table [default: all]")
    for name in ("table", "mixtures", "others"):
        parser.add_argument(f"--{name}", default="", help="seeds, such as 11,12 or 41-60")
    parser.add_argument("--small", type=int, metavar="LAYERS")
    for name in ("video", "plan-alone"):
        parser.add_argument(f"--{name}", action="store_true")
    parser.add_argument("--keep", type=Path)
    words = parser.parse_args()
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        gcode, plan_path = _print(folder, words.small)
        plan = read_plan(plan_path)
        course = plan_course(plan) if words.plan_alone else file_course(gcode, plan)
        print(
            "| run | seed | wide right / kept / due | sure, wrong | nozzle right / kept / due | sure, wrong |"
        )
        print("| --- | --- | --- | --- | --- | --- |")
        total = np.zeros((2, 5), dtype=int)
        for case in _cases(gcode, words):
            began_s = time.monotonic()
            views = {
                camera: _seen(case, camera, words.keep, folder if words.video else None)
                for camera in case.run.cameras
            }
            counts = strictly_judged(case.run, course, plan, views)
            rows = [counts["wide"], counts["nozzle"]]
            total += np.array([0 * rows[0] if case.blind else rows[0], rows[1]])
            took_s = time.monotonic() - began_s
            cells = f"{case.name} | {case.seed} | {_row(rows[0])} | {_row(rows[1])}"
            print(f"| {cells} | <!-- {took_s:.0f} s -->", flush=True)
        both = total.sum(axis=0)
        print(f"| all that can be seen | | {_row(total[0])} | {_row(total[1])} |")
        print(
            f"recall {both[0] / both[2]:.4f}, right of kept {both[0] / both[1]:.4f}, "
            f"wrong of sure {both[4]} of {both[3]}"
        )


def _print(folder: Path, layers: int | None) -> tuple[Path, Path]:
    if layers:
        return small_print(folder, layers)
    with tarfile.open(ROOT / "tests" / "data" / "sliced.tar.xz") as archive:
        archive.extract("dome_adaptive.gcode", folder, filter="data")
    return written(folder / "dome_adaptive.gcode", folder)


def _cases(gcode: Path, words: argparse.Namespace) -> Iterator[Case]:
    chosen = range(len(RUNS)) if words.runs is None else _numbers(words.runs)
    for number in chosen:
        name, troubles = list(RUNS.items())[number]
        for seed in _numbers(words.table):
            yield Case(name=name, seed=seed, run=run_of(gcode, troubles, seed), blind=troubles.blind)
    for seed in _numbers(words.mixtures):
        yield Case(name="mixture", seed=seed, run=run_of(gcode, mixture(seed), seed))
    for seed in _numbers(words.others):
        yield Case(name="other machine", seed=seed, run=OtherRun(gcode, faults_of(seed), seed))


def _numbers(said: str) -> list[int]:
    """Return 1, 2, 3, 7 of "1-3,7"."""
    numbers: list[int] = []
    for part in said.split(",") if said else []:
        first, _, last = part.partition("-")
        numbers += range(int(first), int(last or first) + 1)
    return numbers


def _seen(case: Case, camera: str, keep: Path | None, video: Path | None) -> RecordingView:
    """Return what a camera saw, and keep it."""
    words = (case.name, case.seed, camera, len(case.run.cameras[camera]), "video" if video else "")
    path = (
        None
        if keep is None
        else keep / ("-".join(map(str, words)).replace("%", "").replace(" ", "_") + ".npz")
    )
    if path is not None and path.exists():
        with np.load(path) as saved:
            return RecordingView(signal=MotionSignal(**{name: saved[name] for name in saved.files}))
    if video is None:
        view = view_of(RunRecording(case.run, camera))
    else:
        run = case.run
        drawn = pictures(run, camera) if isinstance(run, Run) else run.pictures(camera)
        file = video / f"{camera}.mp4"
        write_video(file, ((frame.stamp_s, picture) for frame, picture in drawn))
        view = view_of(open_recording(file))
    if path is not None:
        path.parent.mkdir(parents=True, exist_ok=True)
        signal = view.signal
        np.savez(path, before_s=signal.before_s, time_s=signal.time_s, motion=signal.motion)
    return view


def _row(n: np.ndarray) -> str:
    return f"{n[0]} / {n[1]} / {n[2]} | {n[3]}, {n[4]}"


if __name__ == "__main__":
    main()
