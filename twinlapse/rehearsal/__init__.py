"""The print simulated: the written file executed by a virtual machine, photographed by virtual cameras."""

from __future__ import annotations

from typing import TYPE_CHECKING

from twinlapse.rehearsal.faults import PERFECT, Faults

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from twinlapse.frames.job import Job
    from twinlapse.rehearsal.execution import Rehearsal
    from twinlapse.rehearsal.nuisances import Nuisances
    from twinlapse.rig import Rig

__all__ = ["PERFECT", "Faults", "rehearse"]


def rehearse(
    gcode: Path,
    rig: Rig,
    job: Job,
    *,
    seed: int = 1,
    faults: Faults | None = None,
    nuisances: Nuisances | None = None,
    progress: Callable[[float], None] | None = None,
) -> Rehearsal:
    """Execute a written file and keep its pictures; see `twinlapse.rehearsal.execution.rehearse`."""
    from twinlapse.rehearsal.execution import rehearse as shoot
    from twinlapse.rehearsal.nuisances import NO_NUISANCES

    how = nuisances or NO_NUISANCES
    return shoot(gcode, rig, job, seed=seed, faults=faults or Faults(), nuisances=how, progress=progress)
