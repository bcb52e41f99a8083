"""The virtual machine reads places and material off the written file alone."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from twinlapse.errors import GcodeError
from twinlapse.gcode import Kind, read_toolpath
from twinlapse.rehearsal.beads import beads_of
from twinlapse.rehearsal.virtual_machine import laid_before, standings

HEAD = "G21\nG90\nM83\nG28\nG1 Z0.3 F600\n"


def test_a_cue_is_shot_where_the_last_move_before_it_ends(tmp_path: Path) -> None:
    path = tmp_path / "foot.gcode"
    path.write_text(
        HEAD
        + "G1 X10 Y10 F3000\nG1 X20 Y10 E1 F1200\nM400\nM118 E1 twinlapse cue 1.1 wide\nG1 X30 Y10 E1\n"
        + "G91\nG1 X5 Z2\nG90\n; twinlapse cue 2.1 wide+nozzle\nG1 X50 Y50 E1\n"
    )
    toolpath = read_toolpath(path, firmware="marlin")
    first, second = standings(toolpath)
    assert (first.line, first.nozzle_mm) == (9, (20.0, 10.0, 0.3))
    assert (second.cue.shot, second.cue.cameras) == (2, ("wide", "nozzle"))
    assert second.nozzle_mm == pytest.approx((35.0, 10.0, 2.3))
    beads = beads_of(toolpath, 1.75, 0.4)
    laid = [laid_before(beads.row, standing) for standing in (first, second)]
    assert [float(beads.last_mm[count - 1, 0]) for count in laid] == [20.0, 30.0]


STOP = "G1 X150 Y150 E1 F9000\n{}\nG1 X20 Y20 F9000\n"
CUE = "M118 twinlapse cue 1.1 wide"


@pytest.mark.parametrize(
    ("firmware", "lines", "stood_s"),
    [
        ("klipper", "M400\nG4 P300\n{}\nG4 P1000", 0.0),  # the old order: G4 does not hold the stream
        ("klipper", "G4 P300\nM400\nM400\n{}\nG4 P1000", 0.3),
        ("marlin", "M400\nG4 P300\nM400\n{}\nG4 P1000", 0.3),
        ("marlin", "{}\nG4 P1000", -2.0),  # no wait: the queue of moves is full yet
    ],
)
def test_a_cue_is_sent_when_its_line_is_taken(
    firmware: str, lines: str, stood_s: float, tmp_path: Path
) -> None:
    path = tmp_path / "stop.gcode"
    path.write_text(HEAD + STOP.format(lines.format(CUE)))
    (found,) = standings(read_toolpath(path, firmware=firmware))
    assert found.stood_s == pytest.approx(stood_s)
    assert found.stands_s >= 1.0 or stood_s < 0


def test_a_file_without_cues_is_refused(label_file: Path) -> None:
    with pytest.raises(GcodeError, match="no line of this file asks for a frame"):
        standings(read_toolpath(label_file, firmware="marlin"))


def test_width_follows_from_the_filament(tmp_path: Path) -> None:
    # (w - h) h + pi h^2 / 4 = e pi d^2 / (4 l): 0.5 mm wide, 0.3 mm high
    area = (0.5 - 0.3) * 0.3 + np.pi * 0.3**2 / 4
    e = area * 20 / (np.pi * 1.75**2 / 4)
    path = tmp_path / "line.gcode"
    path.write_text(HEAD + f";LAYER:0\nG1 X10 Y10 F3000\nG1 X30 Y10 E{e:.6f}\nG1 X30 Y30 E{e:.6f}\n")
    beads = beads_of(read_toolpath(path, firmware="marlin"), 1.75, 0.4)
    np.testing.assert_allclose(2 * beads.half_width_mm, 0.5, atol=1e-4)
    np.testing.assert_allclose(2 * beads.half_height_mm, 0.3, atol=1e-6)
    np.testing.assert_allclose(beads.first_mm[:, 2], 0.15, atol=1e-6)
    lengths = np.linalg.norm(beads.last_mm - beads.first_mm, axis=1)
    assert lengths.max() <= 6 and lengths.sum() == pytest.approx(40, abs=1e-4)


def test_arcs_are_laid_along_their_circle(tmp_path: Path) -> None:
    path = tmp_path / "ring.gcode"
    path.write_text(HEAD + ";LAYER:0\nG1 X70 Y60 F3000\nG3 X70 Y60 I-10 J0 E3\nG1 X60 Y60 E0.5\n")
    beads = beads_of(read_toolpath(path, firmware="marlin"), 1.75, 0.4)
    ring = beads.row == beads.row[0]
    radius = np.hypot(beads.last_mm[ring, 0] - 60, beads.last_mm[ring, 1] - 60)
    np.testing.assert_allclose(radius, 10, atol=1e-4)
    chords = np.linalg.norm(beads.last_mm[ring] - beads.first_mm[ring], axis=1)
    assert chords.sum() == pytest.approx(2 * np.pi * 10, rel=2e-3)


def test_every_extruding_move_becomes_beads(sliced: Path) -> None:
    toolpath = read_toolpath(sliced)
    beads = beads_of(toolpath, 1.75, 0.4)
    rows = np.flatnonzero((toolpath.kind == Kind.EXTRUDE) & (toolpath.length_mm > 1e-3))
    np.testing.assert_array_equal(np.unique(beads.row), rows)
    assert (np.diff(beads.row) >= 0).all()
    assert np.isfinite(beads.half_width_mm).all() and (beads.half_width_mm > 0).all()


def test_stops_of_the_plan_are_where_the_file_stands(rehearsed: tuple, small_rig: Callable) -> None:
    from twinlapse.shots import read_plan

    job, _ = rehearsed
    plan = read_plan(job.plan)
    planned = {(shot.number, k): stop for shot in plan.shots for k, stop in enumerate(shot.stops, 1)}
    found = standings(read_toolpath(job.filmed, firmware="marlin"))
    assert len(found) == len(planned)
    for standing in found:
        stop = planned[standing.cue.shot, standing.cue.stop]
        assert standing.nozzle_mm == pytest.approx((stop.x_mm, stop.y_mm, stop.z_mm), abs=2e-3)
        assert standing.cue.cameras == stop.cameras
