"""Reading a written file back in stretches gives what reading all of it gives; else all of it is read."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from twinlapse.buffered_bytes import file_bytes
from twinlapse.errors import ProofError
from twinlapse.gcode import read_toolpath
from twinlapse.inject import inject_file, prove
from twinlapse.inject.proof.block_rows import ROW_COLUMNS
from twinlapse.inject.proof.fences import read_fences
from twinlapse.inject.proof.rereading import read_stretches, read_whole, stretches_of
from twinlapse.rig import rig_from_mapping

pytestmark = pytest.mark.usefixtures("both_ways")

FILES = {
    "cube_abs.gcode": "marlin",
    "bracket_fw_retract.gcode": "reprapfirmware",
    "vase_spiral_bare.gcode": "klipper",
    "towers_two_tools.gcode": "marlin",
    "cup_rel_marked.gcode": "klipper",
}


def many_ways(firmware: str) -> str:
    """Write a pot whose file moves origins, sets limits, lays arcs and says how long it takes."""
    lines = [
        "; a pot for seedlings",
        "M109 S200",
        "G28",
        "G21",
        "G90",
        "M83",
        "M204 S900",
        "G1 X80 Y80 Z5 F3000",
    ]
    for layer in range(40):
        z = 0.3 + 0.2 * layer
        lines += [f"M73 P{layer} R{60 - layer}", f";LAYER:{layer}", f"G1 Z{z:.2f} F600", "G1 F1500"]
        for k in range(12):
            lines += [
                f"G1 X{80 + k} Y{80 + layer % 3} E0.05",
                f"G2 X{81 + k} Y{81 + layer % 3} I.5 J.5 E0.05",
            ]
            lines += [f"M204 P{700 + 10 * k} T2000"] if firmware != "klipper" and k % 4 == 1 else []
            lines += [f"SET_VELOCITY_LIMIT ACCEL={700 + k}"] if firmware == "klipper" and k % 5 == 2 else []
        lines += ["G92 X70", "G1 X75", "G92 X96"] if layer % 9 == 4 else []
        lines += ["G92 E0", "M106 S90", "G4 P20"]
    return "\n".join([*lines, "M104 S0", "G1 X10 Y200"]) + "\n" * (firmware != "marlin")


@pytest.fixture(params=[*FILES, "marlin", "klipper", "reprapfirmware"])
def written(
    request: pytest.FixtureRequest,
    sliced_folder: Path,
    hand_plan: Callable[..., Any],
    rig_values: dict[str, Any],
    tmp_path: Path,
) -> tuple[Path, Path, Any]:
    """An original, the file written from it, and the plan."""
    name = request.param
    source = sliced_folder / name
    if name not in FILES:
        source = tmp_path / "pot.gcode"
        source.write_text(many_ways(name))
    firmware = FILES.get(name, name)
    printer = {**rig_values["printer"], "firmware": firmware, "limits": {"stop_s": 0.0}}  # as the plan counts
    toolpath, plan = hand_plan(source, firmware=firmware, every=8, rig={**rig_values, "printer": printer})
    assert inject_file(source, plan, tmp_path / "filmed.gcode", toolpath=toolpath).proof.holds
    return source, tmp_path / "filmed.gcode", plan


def test_stretches_give_what_the_whole_file_gives(written: tuple[Path, Path, Any], both_ways: Any) -> None:
    source, out, plan = written
    firmware = rig_from_mapping(plan.rig).printer.firmware
    toolpath = read_toolpath(source, firmware=firmware)
    with file_bytes(out, "written file") as view:
        fenced = read_fences(view)
    stretches = stretches_of(fenced, toolpath, firmware, out.stat().st_size)
    assert stretches is not None
    assert len(stretches) > len(fenced.blocks) // 2
    some = read_stretches(out, stretches, fenced, toolpath, None)
    whole = read_whole(out, firmware, fenced, toolpath, None)
    assert some is not None and some.block_rows is not None and whole.block_rows is not None
    mine, theirs = some.block_rows, whole.block_rows
    for name in ("first", "stop", "at", "moved_origins"):
        np.testing.assert_array_equal(getattr(mine, name), getattr(theirs, name), err_msg=name)
    for name in (*ROW_COLUMNS, "setting_row", "setting_kind", "setting_value"):
        a, b = getattr(mine.path, name), getattr(theirs.path, name)
        if name in ("e_word", "retracted_mm"):  # sums, which the whole file rounds more often
            np.testing.assert_allclose(a, b, rtol=0, atol=1e-9, err_msg=name)
        else:
            np.testing.assert_array_equal(a, b, err_msg=name)
    np.testing.assert_array_equal(mine.settings[:, :3], theirs.settings[:, :3])
    assert some.same_rows == whole.same_rows
    assert both_ways.stretches


def test_the_whole_file_is_read_where_anything_is_odd(
    written: tuple[Path, Path, Any], both_ways: Any
) -> None:
    source, out, plan = written
    rig = rig_from_mapping(plan.rig)
    toolpath = read_toolpath(source, firmware=rig.printer.firmware)
    before = both_ways.whole
    assert prove(source, out, rig, toolpath=toolpath).holds
    assert both_ways.whole == before
    assert prove(source, out, rig, toolpath=replace(toolpath, states=None)).holds
    assert both_ways.whole == before + 1
    data = out.read_bytes()
    out.write_bytes(data.replace(b"G28", b"G28 ", 1))  # the same command, spelled anew
    assert prove(source, out, rig, toolpath=toolpath).holds
    assert both_ways.whole == before + 2
    out.write_bytes(data.replace(b"M109 S2", b"M109 S1", 1))
    assert not prove(source, out, rig, toolpath=toolpath).holds
    assert both_ways.whole == before + 3


def test_an_original_that_was_changed_after_it_was_read_is_noticed(
    written: tuple[Path, Path, Any], both_ways: Any
) -> None:
    """The bytes outside are the original's, but not those that were read and planned."""
    original, out, plan = written
    source = out.with_name("original.gcode")
    data = original.read_bytes()
    source.write_bytes(data)
    toolpath = read_toolpath(source, firmware=rig_from_mapping(plan.rig).printer.firmware)
    shots = [0, *(shot.byte for shot in plan.shots), len(data)]
    gap = int(np.argmax(np.diff(shots)))
    found = re.compile(rb"\nG1 X[0-9.]*([0-9])").search(data, (shots[gap] + shots[gap + 1]) // 2)
    assert found
    source.write_bytes(data[: found.start(1)] + b"%d" % (9 - int(found[1])) + data[found.end(1) :])
    before = both_ways.whole
    with pytest.raises(ProofError, match="X is "):
        inject_file(source, plan, out, toolpath=toolpath)
    assert both_ways.whole == before + 1
