"""A small print of the garden club (a plant label's foot), two small cameras, and a rehearsed job of it."""

from __future__ import annotations

import itertools
import math
import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from twinlapse.frames.job import Job
from twinlapse.rig import Rig, rig_from_mapping

RIG = """
[printer]
bed_mm = [120, 120]
height_mm = 100
kinematics = "bed-moves-y"
firmware = "marlin"

[[camera]]
name = "wide"
mount = "frame"
every = "layer"
stance = "clear"
place_mm = [0, -80, 90]
look_mm = [60, 60, 3]
lens = { width_px = 320, height_px = 240, across_deg = 60 }

[[camera]]
name = "nozzle"
mount = "toolhead"
every = "layer"
stance = "over"
lens = { width_px = 320, height_px = 240, across_deg = 45 }
"""


def label_gcode(layers: int = 8, height_mm: float = 0.3, start: str = "") -> str:
    """Return a hexagonal foot with crossing lines, 24 mm across, in the middle of a 120 mm bed."""
    lines = ["G21", "G90", "M83", "G28", start, "G1 Z5 F600"]
    for index in range(layers):
        z = height_mm * (index + 1)
        lines += [f";LAYER:{index}", "G1 E-1 F2100", f"G1 Z{z:.2f} F600"]
        ring = [(60 + 12 * math.cos(a), 60 + 12 * math.sin(a)) for a in (k * math.pi / 3 for k in range(7))]
        lines += [f"G0 X{ring[0][0]:.3f} Y{ring[0][1]:.3f} F9000", "G1 E1 F2100"]
        for before, (x, y) in itertools.pairwise(ring):
            lines.append(f"G1 X{x:.3f} Y{y:.3f} E{0.0561 * math.dist(before, (x, y)):.5f} F1800")
        for k in range(-3, 4):
            at = 60 + 2.4 * k
            x0, y0, x1, y1 = (at, 52, at, 68) if index % 2 else (52, at, 68, at)
            lines += [f"G0 X{x0:.3f} Y{y0:.3f} F9000", f"G1 X{x1:.3f} Y{y1:.3f} E0.9 F1800"]
    return "\n".join([*lines, "G1 E-1 F2100", "G1 Z30 F600", "M84", ""])


@pytest.fixture(scope="session")
def small_rig() -> Callable[..., Rig]:
    """A maker of rigs; keywords change the printer, ``wide`` and ``nozzle`` are dicts for the cameras."""

    def make(wide: dict[str, Any] | None = None, nozzle: dict[str, Any] | None = None, **printer: Any) -> Rig:
        values = tomllib.loads(RIG)
        values["printer"].update(printer)
        for camera, changes in zip(values["camera"], (wide, nozzle), strict=True):
            camera.update(changes or {})
        return rig_from_mapping(values)

    return make


@pytest.fixture(scope="session")
def label_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The sliced file of the foot."""
    path = tmp_path_factory.mktemp("label") / "label.gcode"
    path.write_text(label_gcode())
    return path


@pytest.fixture(scope="session")
def make_job(
    label_file: Path, small_rig: Callable[..., Rig], tmp_path_factory: pytest.TempPathFactory
) -> Callable[..., tuple[Job, Any]]:
    """A maker of rehearsed jobs of the foot; returns the job and the Rehearsal."""
    from twinlapse.job_folder import prepare
    from twinlapse.rehearsal import Faults, rehearse

    def make(seed: int = 1, faults: Faults | None = None, rig: Rig | None = None) -> tuple[Job, Any]:
        job = Job(tmp_path_factory.mktemp("job"))
        rig = rig or small_rig()
        prepare(label_file, rig, job)
        return job, rehearse(job.filmed, rig, job, seed=seed, faults=faults)

    return make


@pytest.fixture(scope="session")
def rehearsed(make_job: Callable[..., tuple[Job, Any]]) -> tuple[Job, Any]:
    """One rehearsed job with the usual faults."""
    return make_job(seed=5)
