"""Original and written file, executed by an interpreter that is not ours, lay the same material.

Oracle: pyGCodeDecode (Knirsch, Frölich et al., Journal of Open Source Software), whose state generator reads
G0, G1, G90 to G92, M82, M83 by itself. It passes over G10 and G11, which move no axis.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from twinlapse.inject import inject_file

FILES = [
    pytest.param("cube_abs.gcode", "marlin"),
    pytest.param("cube_bare.gcode", "reprapfirmware"),
    pytest.param("table_support.gcode", "marlin", marks=pytest.mark.slow),
    pytest.param("vase_spiral_bare.gcode", "klipper", marks=pytest.mark.slow),
    pytest.param("bracket_fw_retract.gcode", "reprapfirmware", marks=pytest.mark.slow),
    pytest.param("towers_two_tools.gcode", "marlin", marks=pytest.mark.slow),
]


def laid(path: Path) -> np.ndarray:
    """Return start, end and filament of every move that lays material, rows of seven."""
    state_generator = pytest.importorskip("pyGCodeDecode.state_generator")
    states = state_generator.generate_states(path, {"initial_position": None})
    places = np.array([state.state_position.get_vec(withExtrusion=True) for state in states], dtype=float)
    start, end = places[:-1], places[1:]
    moves = (np.abs(end[:, :3] - start[:, :3]).sum(axis=1) > 1e-9) & (end[:, 3] > start[:, 3] + 1e-9)
    return np.column_stack([start[moves, :3], end[moves, :3], end[moves, 3] - start[moves, 3]])


@pytest.mark.filterwarnings("ignore::DeprecationWarning")
@pytest.mark.parametrize(("name", "firmware"), FILES)
def test_another_interpreter_lays_the_same(
    name: str, firmware: str, sliced_folder: Path, hand_plan: Callable[..., Any], tmp_path: Path
) -> None:
    toolpath, plan = hand_plan(sliced_folder / name, firmware=firmware, every=3)
    out = tmp_path / "filmed.gcode"
    inject_file(sliced_folder / name, plan, out, toolpath=toolpath)
    original, written = laid(sliced_folder / name), laid(out)
    assert len(original) > 1000
    assert original.shape == written.shape
    np.testing.assert_allclose(written, original, atol=2e-6)


def test_the_oracle_sees_a_fault(sliced_folder: Path, hand_plan: Callable[..., Any], tmp_path: Path) -> None:
    """The comparison can fail: one way back that is 0.1 mm off is seen."""
    toolpath, plan = hand_plan(sliced_folder / "cube_abs.gcode", every=9)
    out = tmp_path / "filmed.gcode"
    inject_file(sliced_folder / "cube_abs.gcode", plan, out, toolpath=toolpath)
    lines = out.read_text().split("\n")
    begin = next(i for i, line in enumerate(lines) if line.startswith("; twinlapse shot 5 begin"))
    back = max(i for i in range(begin, begin + 25) if lines[i].startswith("G1 X"))
    x = float(lines[back].split()[1][1:])
    lines[back] = lines[back].replace(lines[back].split()[1], f"X{x + 0.1:.3f}")
    out.write_text("\n".join(lines))
    original, written = laid(sliced_folder / "cube_abs.gcode"), laid(out)
    assert original.shape != written.shape or np.abs(original - written).max() > 0.05
