"""The whole rehearsal: execute the written file, photograph it at every cue, keep frames and truth."""

from __future__ import annotations

import shutil
import threading
from concurrent.futures import ThreadPoolExecutor
from dataclasses import asdict, dataclass
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from twinlapse.arrays import Progress
from twinlapse.errors import PlanError
from twinlapse.files import replacing
from twinlapse.frames.job import Job
from twinlapse.frames.journal import FrameTimes
from twinlapse.frames.store import FrameStore
from twinlapse.gcode import read_toolpath
from twinlapse.motion import time_toolpath
from twinlapse.motion.stream import stop_cost_s
from twinlapse.optics.pose import rest_of
from twinlapse.records import ArrayRecord
from twinlapse.rehearsal.beads import beads_of
from twinlapse.rehearsal.faults import Faults, Mishap, mishaps, parking_error
from twinlapse.rehearsal.nuisances import NO_NUISANCES, Nuisances
from twinlapse.rehearsal.scene import Scene, VirtualCamera
from twinlapse.rehearsal.truth import FrameTruth, Truth, write_truth
from twinlapse.rehearsal.virtual_machine import Place, Standing, cue_times, laid_before, standings
from twinlapse.rig import Rig
from twinlapse.shots import Plan, read_plan

__all__ = ["EPOCH_S", "LATENCY_S", "Rehearsal", "broken_off", "encode", "rehearse", "rest_place"]

EPOCH_S = 1_775_000_000.0  # when every rehearsal begins: equal seeds give equal files
_QUALITY = 91
LATENCY_S = 0.12  # from cue to frame


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class Rehearsal(ArrayRecord):
    """What a rehearsal left behind."""

    job: Job
    frames: dict[str, int]  # whole frames by camera
    missing: dict[str, int]
    damaged: dict[str, int]
    print_s: float  # of the written file, stops included
    truth: Truth


@dataclass(frozen=True, slots=True, kw_only=True)
class _Exposure:
    """One frame to be taken."""

    standing: Standing
    repeat: int
    at_s: float
    mishap: Mishap
    error_mm: Place


def rehearse(
    gcode: Path,
    rig: Rig,
    job: Job,
    *,
    seed: int = 1,
    faults: Faults | None = None,
    nuisances: Nuisances = NO_NUISANCES,
    progress: Progress | None = None,
) -> Rehearsal:
    """Execute a written file with a virtual machine and take its pictures.

    Parameters
    ----------
    gcode : Path
        A file with shots.
    rig : Rig
    job : Job
        The folder, made when missing; ``plan.json`` must lie there. Frames of an earlier rehearsal are
        replaced.
    seed : int
        Equal seeds give equal frames.
    faults : Faults, optional
        What goes wrong; `PERFECT` for nothing.
    nuisances : Nuisances
        What the nozzle's cameras show that exact ones do not, and threads, dirt and sheet for all cameras.
    progress : callable, optional
        Takes the share done, 0 to 1.

    Raises
    ------
    GcodeError
        when the file asks for no frame.
    PlanError
        when the job folder holds no plan.
    """
    faults = faults or Faults()
    tell = _Telling(progress)
    plan = _plan_of(job)
    toolpath = read_toolpath(gcode, firmware=rig.printer.firmware)
    stands = standings(toolpath)
    end_s = time_toolpath(toolpath, rig.printer).end_s
    beads = beads_of(toolpath, rig.printer.filament_mm, rig.printer.nozzle_mm)
    scene = Scene.of(beads, toolpath, rig.printer, rest_place(rig), nuisances=nuisances)
    _keep_written(gcode, job)
    _clear(job)
    exposures = _exposures(rig, stands, end_s, seed, faults)
    eyes = {name: _eye(scene, rig, name, nuisances, seed) for name in exposures}
    tell.total = sum(map(len, exposures.values()))
    with (
        FrameStore(job, plan, wall_s=lambda: EPOCH_S) as store,
        _one_thread_a_picture(),
        ThreadPoolExecutor(max_workers=2) as pool,
    ):
        running = {
            name: pool.submit(_photograph, eyes[name], name, some, faults, store, tell)
            for name, some in exposures.items()
        }
        truths = {name: future.result() for name, future in running.items()}
    truth = Truth(
        seed=seed,
        faults=asdict(faults),
        nuisances=asdict(nuisances),
        sizes={
            camera.name: (camera.lens.width_px, camera.lens.height_px)
            for camera in rig.cameras
            if camera.name in truths
        },
        frames=truths,
    )
    write_truth(job.folder, truth)
    return Rehearsal(
        job=job,
        frames={name: _count(rows, "ok") for name, rows in truths.items()},
        missing={name: _count(rows, "missing") for name, rows in truths.items()},
        damaged={name: _count(rows, "damaged") for name, rows in truths.items()},
        print_s=float(end_s[-1]) + len(stands) * stop_cost_s(rig.printer),
        truth=truth,
    )


class _Telling:
    """Progress from several threads."""

    def __init__(self, progress: Progress | None) -> None:
        self.progress, self.total, self.done = progress, 1, 0
        self._lock = threading.Lock()

    def step(self) -> None:
        with self._lock:
            self.done += 1
            if self.progress is not None:
                self.progress(self.done / self.total)


def _plan_of(job: Job) -> Plan:
    if not job.plan.exists():
        raise PlanError("this job has no plan", "write plan.json first", path=job.folder)
    return read_plan(job.plan)


def rest_place(rig: Rig) -> Place:
    """Return the one place of the nozzle from which the places of all frame cameras are measured."""
    fixed = [camera for camera in rig.cameras if camera.mount == "frame"]
    return rest_of(next((camera for camera in fixed if camera.park_mm), rig.cameras[0]), rig.printer)


def _keep_written(gcode: Path, job: Job) -> None:
    if job.filmed.exists() and gcode.samefile(job.filmed):
        return
    with gcode.open("rb") as source, replacing(job.filmed) as target:
        shutil.copyfileobj(source, target, 1 << 20)


def _clear(job: Job) -> None:
    """Remove what an earlier rehearsal left."""
    shutil.rmtree(job.frames, ignore_errors=True)
    for path in job.folder.glob("journal.db*"):
        path.unlink()


def _exposures(
    rig: Rig, stands: list[Standing], end_s: NDArray[np.float64], seed: int, faults: Faults
) -> dict[str, list[_Exposure]]:
    """Return the frames of each camera in the order of cues."""
    found: dict[str, list[_Exposure]] = {}
    at_s = cue_times(stands, end_s, rig.printer)
    for index, camera in enumerate(rig.cameras):
        own = [standing for standing in stands if camera.name in standing.cue.cameras]
        repeats: dict[int, int] = {}
        some = []
        for standing, mishap in zip(own, mishaps(seed, index, len(own), faults), strict=True):
            cue = standing.cue
            repeats[cue.shot] = repeats.get(cue.shot, 0) + 1
            some.append(
                _Exposure(
                    standing=standing,
                    repeat=repeats[cue.shot],
                    at_s=at_s[standing.line],
                    mishap=mishap,
                    error_mm=parking_error(seed, cue.shot, cue.stop, faults),
                )
            )
        if some:
            found[camera.name] = some
    return found


def _eye(scene: Scene, rig: Rig, name: str, nuisances: Nuisances, seed: int) -> VirtualCamera:
    """Return a camera of the rig; one that looks from far off is exact, but for what the machine has."""
    camera = rig.camera(name)
    assert camera is not None
    if camera.mount == "frame":
        nuisances = Nuisances(dirty_nozzle=nuisances.dirty_nozzle)
    return VirtualCamera(scene, camera, nuisances, seed)


def _photograph(
    virtual: VirtualCamera,
    name: str,
    exposures: list[_Exposure],
    faults: Faults,
    store: FrameStore,
    tell: _Telling,
) -> tuple[FrameTruth, ...]:
    """Take all frames of one camera."""
    truths = []
    for exposure in exposures:
        cue, mishap = exposure.standing.cue, exposure.mishap
        key = store.key(cue.shot, cue.stop, name)
        times = FrameTimes(
            cue_wall_s=EPOCH_S + exposure.at_s,
            cue_mono_s=exposure.at_s,
            frame_wall_s=EPOCH_S + exposure.at_s + LATENCY_S,
            frame_mono_s=exposure.at_s + LATENCY_S,
        )
        if mishap.state == "missing":
            store.miss(key, times, "rehearsal: never came")
        else:
            count = laid_before(virtual.scene.beads.row, exposure.standing)
            picture = virtual.take(
                exposure.standing.nozzle_mm, exposure.error_mm, count, mishap, faults.noise
            )
            data = encode(picture)
            store.put(key, data if mishap.state == "ok" else broken_off(data), times)
        shift = virtual.shifts(exposure.standing.nozzle_mm, exposure.error_mm, mishap.shake_rad)
        truths.append(
            FrameTruth(
                shot=cue.shot,
                stop=cue.stop,
                repeat=exposure.repeat,
                state=mishap.state,
                gain=mishap.gain,
                error_mm=exposure.error_mm,
                shake_deg=_degrees(mishap.shake_rad),
                print=shift[0],
                surroundings=shift[1],
            )
        )
        tell.step()
    return tuple(truths)


def encode(picture: NDArray[np.uint8], quality: int = _QUALITY) -> bytes:
    """Return an RGB picture as JPEG."""
    done, data = cv2.imencode(".jpg", picture[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, quality])
    assert done
    return data.tobytes()


def broken_off(data: bytes) -> bytes:
    """Return a JPEG as a camera leaves it whose cable slipped: the last two fifths are gone."""
    return data[: len(data) * 3 // 5]


def _degrees(angles_rad: tuple[float, float, float]) -> tuple[float, float, float]:
    a, b, c = (float(np.degrees(angle)) for angle in angles_rad)
    return a, b, c


def _count(rows: tuple[FrameTruth, ...], state: str) -> int:
    return sum(row.state == state for row in rows)


class _one_thread_a_picture:  # noqa: N801 (used as a with-statement reads)
    """Two cameras at once keep two cores busier than two threads on one picture."""

    def __enter__(self) -> None:
        self.before = cv2.getNumThreads()
        cv2.setNumThreads(1)

    def __exit__(self, *_: object) -> None:
        cv2.setNumThreads(self.before)
