"""The 15 sliced files against facts worked out by an independent reader (tests/data/TRUTH.json)."""

from __future__ import annotations

import functools
import re
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from twinlapse.gcode import Kind, Toolpath, find_layers, read_toolpath, row_before_line, state_after
from twinlapse.gcode.filament import fresh_filament

Truth = dict[str, dict[str, Any]]


@functools.cache
def toolpath_of(path: Path) -> Toolpath:
    return read_toolpath(path)


def test_layer_count(sliced: Path, truth: Truth) -> None:
    facts = truth[sliced.name]
    layers = find_layers(toolpath_of(sliced))
    assert len(layers) == facts["n_layers"] + facts.get("n_raft_layers", 0)
    assert layers.raft.sum() == facts.get("n_raft_layers", 0)
    assert layers.sequential == facts["sequential"]
    assert layers.spiral == facts["vase"]
    assert np.all(np.diff(layers.first_row) > 0)
    assert np.all(layers.height_mm > 0)


def test_layer_heights(sliced: Path, truth: Truth) -> None:
    facts = truth[sliced.name]
    if facts["vase"]:
        pytest.skip("turns: the heights depend on where a turn is said to end")
    z = facts["z"]
    want = z["list"] if "list" in z else [z["first"] + z["step"] * k for k in range(z["count"])]
    got = find_layers(toolpath_of(sliced)).z_mm
    offset = 0.05 if "z-offset" in facts["features"] else 0.0
    np.testing.assert_allclose(got, np.array(want) + offset, atol=0.011)


def test_filament(sliced: Path, truth: Truth) -> None:
    path = toolpath_of(sliced)
    reference = truth[sliced.name]["reference"]
    assert fresh_filament(path).sum() == pytest.approx(reference["e_used"], abs=0.01)
    assert path.e_mm.sum() == pytest.approx(reference["e_net"], abs=0.01)
    assert int((path.kind == Kind.FW_RETRACT).sum()) == reference["fw_retracts"]


def test_extents(sliced: Path, truth: Truth) -> None:
    path = toolpath_of(sliced)
    reference = truth[sliced.name]["reference"]
    assert path.z_mm.max() == pytest.approx(reference["max_z"], abs=1e-6)


def test_state_at_the_end(sliced: Path, truth: Truth) -> None:
    path = toolpath_of(sliced)
    reference = truth[sliced.name]["reference"]
    end = reference["end_state"]
    state = state_after(path, row_before_line(path, path.line_count + 1))
    place = (*state.logical_mm, state.e_word)
    assert place == pytest.approx(tuple(reference["final"][axis] for axis in "XYZE"), abs=1e-4)
    assert state.relative_xyz == (end["motion"] == "G91")
    assert state.relative_e == (end["e"] == "M83")
    assert state.inch == (end["units"] == "G20")
    assert state.tool == end["tool"]
    assert state.feed_mm_s * 60 == pytest.approx(end["feed"])
    assert state.retracted_mm == pytest.approx(end["retracted_mm"], abs=1e-3)


def test_bytes_and_lines_point_into_the_file(sliced: Path, truth: Truth) -> None:
    path = toolpath_of(sliced)
    assert path.sha256 == truth[sliced.name]["sha256"]
    data = sliced.read_bytes()
    assert path.size == len(data)
    starts = np.concatenate([[0], np.flatnonzero(np.frombuffer(data, np.uint8) == 10) + 1])
    assert path.line_count == len(data.splitlines())
    np.testing.assert_array_equal(path.byte, starts[path.line - 1])


def test_layers_without_any_comment(sliced: Path, truth: Truth, tmp_path: Path) -> None:
    bare = tmp_path / "bare.gcode"
    bare.write_bytes(re.sub(rb";[^\n]*", b"", sliced.read_bytes()))
    layers = find_layers(read_toolpath(bare))
    facts = truth[sliced.name]
    assert layers.source != "comments"
    assert len(layers) == facts["n_layers"] + facts.get("n_raft_layers", 0)
    assert layers.sequential == facts["sequential"]
    assert layers.spiral == facts["vase"]
