#!/usr/bin/env python3
"""Print what a frame of the rehearsal costs: processor time in ms, by camera, on the sample job.

Run by hand: ``python tests/bench/bench_rehearsal.py``. The first figure of each camera is its first frame,
which paints the room and, on a cold cache, compiles the loops.
"""

from __future__ import annotations

import time
from pathlib import Path
from tempfile import TemporaryDirectory

import cv2

from twinlapse.frames.job import Job
from twinlapse.gcode import read_toolpath
from twinlapse.job_folder import prepare
from twinlapse.rehearsal.beads import beads_of
from twinlapse.rehearsal.execution import encode, rest_place
from twinlapse.rehearsal.faults import Faults, mishaps, parking_error
from twinlapse.rehearsal.scene import Scene, VirtualCamera
from twinlapse.rehearsal.virtual_machine import laid_before, standings
from twinlapse.rig import read_rig

SAMPLE = Path(__file__).parents[2] / "sample_jobs" / "seedling_pot"


def main() -> None:
    """Take every frame of the sample job with one camera after the other."""
    cv2.setNumThreads(1)
    rig, faults = read_rig(SAMPLE / "rig.toml"), Faults()
    with TemporaryDirectory() as folder:
        job = Job(Path(folder))
        prepare(SAMPLE / "pot.gcode", rig, job)
        path = read_toolpath(job.filmed, firmware=rig.printer.firmware)
        stands = standings(path)
    beads = beads_of(path, rig.printer.filament_mm, rig.printer.nozzle_mm)
    scene = Scene.of(beads, path, rig.printer, rest_place(rig))
    for camera in rig.cameras:
        own = [standing for standing in stands if camera.name in standing.cue.cameras]
        virtual, times = VirtualCamera(scene, camera), []
        for standing, mishap in zip(own, mishaps(1, 0, len(own), faults), strict=True):
            began = time.thread_time()
            error = parking_error(1, standing.cue.shot, standing.cue.stop, faults)
            count = laid_before(beads.row, standing)
            encode(virtual.take(standing.nozzle_mm, error, count, mishap, faults.noise))
            times.append(1000 * (time.thread_time() - began))
        rest = sorted(times[1:])
        print(
            f"{camera.name}: first {times[0]:.0f} ms, then median {rest[len(rest) // 2]:.0f} ms, "
            f"most {rest[-1]:.0f} ms; {len(times)} frames, {sum(times) / 1000:.1f} s"
        )


if __name__ == "__main__":
    main()
