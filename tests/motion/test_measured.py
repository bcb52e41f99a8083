"""The cost of a stop and the pace, found again in made-up prints whose figures are known."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from twinlapse.cli.rig import command as rig_command
from twinlapse.errors import TwinlapseError
from twinlapse.motion import moves_s, time_toolpath
from twinlapse.motion.measured import fit_timing
from twinlapse.rig import Printer
from twinlapse.rig.limits import Limits


@pytest.mark.parametrize("seed", range(10))
def test_the_figures_are_found_among_pauses(seed: int) -> None:
    rng = np.random.default_rng(seed)
    moving, waiting = rng.uniform(4, 60, 80), rng.choice([1.3, 2.5], 80)
    stop, factor = rng.uniform(0.0, 0.6), rng.uniform(0.95, 1.1)
    measured = factor * moving + waiting + stop + rng.normal(0, 0.05, 80)
    measured[rng.choice(80, 6, replace=False)] += rng.uniform(20, 900, 6)  # pauses, heating
    found = fit_timing(moving, waiting, measured)
    assert found.stop_s == pytest.approx(stop, abs=0.06)
    assert found.travel_factor == pytest.approx(factor, abs=0.002)
    assert 6 <= found.left_out <= 10


def test_what_no_machine_could_be_is_refused() -> None:
    rng = np.random.default_rng(1)
    with pytest.raises(TwinlapseError, match="too few"):
        fit_timing(np.ones(5), np.ones(5), np.ones(5))
    with pytest.raises(TwinlapseError, match="fit no machine"):
        fit_timing(rng.uniform(4, 60, 50), np.ones(50), rng.uniform(4, 600, 50))


def test_the_measured_pace_is_that_of_what_moves_alone(tmp_path: Path) -> None:
    from twinlapse.gcode import read_toolpath

    file = tmp_path / "a.gcode"
    file.write_text("G28\nG90\nM83\nG1 X50 F6000 E1\nG4 P2000\nG1 X0 E1\n")
    path = read_toolpath(file, firmware="marlin")
    plain = Printer(bed_mm=(200, 200), height_mm=200)
    slow = Printer(bed_mm=(200, 200), height_mm=200, limits=Limits(travel_factor=1.25))
    moving_s = time_toolpath(path, plain).print_s - 2.0
    assert time_toolpath(path, slow).print_s == pytest.approx(1.25 * moving_s + 2.0)
    points = [(0.0, 0.0, 0.0), (50.0, 0.0, 0.0)]
    assert moves_s(points, [100], slow) == pytest.approx(1.25 * moves_s(points, [100], plain))


def test_the_command_measures_a_filmed_print_and_writes_the_rig(tmp_path: Path) -> None:
    import twinlapse
    from twinlapse.frames.job import Job
    from twinlapse.frames.journal import FrameTimes
    from twinlapse.frames.store import FrameStore
    from twinlapse.job_timing import cue_rows
    from twinlapse.shots import write_plan

    sample = twinlapse.sample_job()
    job = Job(tmp_path / "job")
    job.folder.mkdir()
    job.rig.write_bytes((sample / "rig.toml").read_bytes())
    rig = twinlapse.load_rig(job.rig)
    sliced = twinlapse.read_sliced(sample / "pot.gcode", rig)
    plan = twinlapse.plan(sliced, rig)
    twinlapse.inject(sample / "pot.gcode", plan, job.filmed, toolpath=sliced.toolpath)
    write_plan(job.plan, plan)
    # the print of a machine whose stops cost 0.42 s and which is 2 % slower, heard by the capture
    path = twinlapse.read(job.filmed, firmware=rig.printer.firmware)
    end_s = time_toolpath(path, rig.printer).end_s
    waits_s = np.cumsum(path.dwell_s, dtype=float)
    rng = np.random.default_rng(4)
    with FrameStore(job, plan) as store:
        for k, ((shot, stop), row) in enumerate(cue_rows(path).items()):
            at_s = float(1.02 * (end_s[row] - waits_s[row]) + waits_s[row] + 0.42 * k + rng.normal(0, 0.02))
            camera = next(s for s in plan.shots if s.number == shot).stops[stop - 1].cameras[0]
            store.miss(store.key(shot, stop, camera), FrameTimes(cue_mono_s=at_s, cue_wall_s=at_s), "none")
    said = CliRunner().invoke(rig_command, ["timing", str(job.rig), str(job.folder), "--write"])
    assert said.exit_code == 0, said.output
    limits = twinlapse.load_rig(job.rig).printer.limits
    assert limits.stop_s == pytest.approx(0.42, abs=0.05)
    assert limits.travel_factor == pytest.approx(1.02, abs=0.003)
