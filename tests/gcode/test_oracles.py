"""Words, places and filament against two independent G-code libraries, gcodeparser and pygcode."""

from __future__ import annotations

import re
from pathlib import Path

import gcodeparser
import numpy as np
import pytest

from twinlapse.gcode import Kind, Mode, read_toolpath, row_before_line, state_after

SMALL = (
    "cube_abs.gcode",
    "cube_raft.gcode",
    "cube_start_end.gcode",
    "cube_bare.gcode",
    "table_support.gcode",
)


def _walk(file: Path) -> dict[int, tuple[float, float, float, float, float]]:
    """Return logical X, Y, Z, E and the sum of all feeds after each G0 and G1, by gcodeparser's words."""
    place = dict.fromkeys("XYZE", 0.0)
    fed = 0.0
    absolute = absolute_e = True
    found = {}
    for line in gcodeparser.parse_gcode_lines(file.read_text(), include_comments=False):
        letter, number = line.command
        words = {
            axis: float(v)
            for axis, v in line.params.items()
            if axis in "XYZE" and not isinstance(v, str | bool)
        }
        if (letter, number) in (("G", 90), ("G", 91)):
            absolute = absolute_e = number == 90
        elif (letter, number) in (("M", 82), ("M", 83)):
            absolute_e = number == 82
        elif (letter, number) == ("G", 92):
            place.update(words)
        elif (letter, number) == ("G", 28):
            place.update(dict.fromkeys(line.params or "XYZ", 0.0))
        elif letter == "G" and number in (0, 1):
            for axis, value in words.items():
                before = place[axis]
                place[axis] = value if (absolute_e if axis == "E" else absolute) else before + value
                if axis == "E":
                    fed += place[axis] - before
            found[line.line_index + 1] = (*(place[axis] for axis in "XYZE"), fed)
    return found


def _compare(file: Path) -> None:
    oracle = _walk(file)
    path = read_toolpath(file)
    moves = np.flatnonzero(
        np.isin(path.kind, [Kind.TRAVEL, Kind.EXTRUDE, Kind.RETRACT, Kind.PRIME, Kind.WIPE])
    )
    lines = path.line[moves].tolist()
    known = np.array([oracle[line] for line in lines if line in oracle])
    mine = moves[[line in oracle for line in lines]]
    assert len(mine) > 0.99 * len(oracle)
    ours = np.column_stack([path.x_mm, path.y_mm, path.z_mm, path.e_word, np.cumsum(path.e_mm)])[mine]
    np.testing.assert_allclose(ours, known, atol=2e-4)


@pytest.mark.parametrize("name", SMALL)
def test_every_line_against_gcodeparser(name: str, sliced_folder: Path) -> None:
    _compare(sliced_folder / name)


@pytest.mark.slow
def test_every_file_against_gcodeparser(sliced: Path) -> None:
    _compare(sliced)


@pytest.mark.filterwarnings("ignore::DeprecationWarning")
def test_places_against_pygcode(sliced_folder: Path, tmp_path: Path) -> None:
    from pygcode import Line, Machine

    text = (sliced_folder / "towers_two_tools.gcode").read_text().splitlines()
    plain = [
        re.sub(r" [EF]-?[\d.]+", "", line.split(";")[0])
        for line in text[:900]
        if line.startswith(("G0", "G1", "G90", "G91"))
    ]
    plain = [line for line in plain if len(line) > 3]
    plain[100:100] = ["G92 X50 Z3", "G91", "G1 X2 Y-3 Z0.5", "G90"]
    plain[300:300] = ["G20", "G0 X2 Y3", "G21", "G92 Y0"]
    file = tmp_path / "label.gcode"
    file.write_text("\n".join([*plain, "M83", "G1 X1 E1"]))
    path = read_toolpath(file)
    assert not path.mode[-1] & Mode.RELATIVE_XYZ
    machine = Machine()
    for number, line in enumerate(plain, 1):
        machine.process_block(Line(line).block)
        if number % 10 == 0:
            state = state_after(path, row_before_line(path, number + 1))
            unit = 25.4 if state.inch else 1.0
            theirs = [machine.pos.values[axis] for axis in "XYZ"]
            np.testing.assert_allclose(np.array(state.logical_mm) / unit, theirs, atol=1e-6)
