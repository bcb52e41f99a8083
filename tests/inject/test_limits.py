"""Whose limits a proof goes by, and what becomes of those in a header that somebody loosened."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from twinlapse.errors import InjectError
from twinlapse.inject import inject_file, prove
from twinlapse.inject.proof import Check
from twinlapse.rig import rig_from_mapping

MAKE = Callable[..., Any]


@pytest.fixture
def filmed(
    sliced_folder: Path, hand_plan: MAKE, rig_values: dict[str, Any], tmp_path: Path
) -> tuple[Path, Path, dict[str, Any]]:
    source, out = sliced_folder / "cube_bare.gcode", tmp_path / "filmed.gcode"
    printer = {**rig_values["printer"], "toolhead": {"radius_mm": 20.0}}
    rig = {**rig_values, "printer": printer}
    toolpath, plan = hand_plan(source, rig=rig, every=20)
    inject_file(source, plan, out, toolpath=toolpath)
    return source, out, rig


def limits(source: Path, out: Path, rig: Any = None) -> Check:
    return next(check for check in prove(source, out, rig).checks if check.name == "limits")


def test_a_header_says_where_its_limits_come_from(filmed: Any) -> None:
    source, out, rig = filmed
    own = limits(source, out)
    assert own.holds
    assert "own header" in own.detail
    assert "radius_mm 20 (usually 35)" in own.detail
    assert "gantry" not in own.detail
    assert "rig that was named" in limits(source, out, rig_from_mapping(rig)).detail


@pytest.mark.parametrize(
    ("was", "now"),
    [
        ("toolhead radius_mm 20", "toolhead radius_mm 2"),
        ("x_mm 0 220", "x_mm 0 400"),
        ("retract_mm 1\n", "retract_mm 9\n"),
        ("camera wide settle_s 0.3", "camera wide settle_s 0"),
        ("; toolhead gantry_mm 60\n", ""),
    ],
)
def test_limits_that_were_loosened_fail(was: str, now: str, filmed: Any) -> None:
    source, out, rig = filmed
    text = out.read_text()
    assert was in text
    out.write_text(text.replace(was, now, 1))
    if now:
        assert not limits(source, out).holds
    assert limits(source, out, rig_from_mapping(rig)).holds


def test_another_line_end_changes_no_limits(filmed: Any) -> None:
    source, out, _ = filmed
    out.write_bytes(out.read_bytes().replace(b"\n", b"\r\n"))
    assert prove(source, out).holds


@pytest.mark.parametrize(
    "printer",
    [{"bed_mm": [22, 22]}, {"origin": "center"}, {"height_mm": 5}],
    ids=lambda value: next(iter(value)),
)
def test_a_rig_that_the_print_does_not_fit_fails(printer: dict[str, Any], filmed: Any) -> None:
    source, out, rig = filmed
    other = {**rig, "printer": {**rig["printer"], **printer}}
    broken = [check for check in prove(source, out, rig_from_mapping(other)).checks if not check.holds]
    machine = next(check for check in broken if check.name == "machine")
    assert "the original prints from" in machine.detail or "leaves the machine" in machine.detail


@pytest.mark.parametrize(
    ("was", "now"),
    [
        ("travel_mm_s 150", "travel_mm_s 0"),
        ("x_mm 0 220", "x_mm 220 0"),
        ("height_mm 250", "height_mm inf"),
        ("radius_mm 20", "radius_mm -20"),
        ("deviation_mm 0.02", "deviation_mm -0.02"),
        ("retract_mm 1", "retract_mm nan"),
    ],
)
def test_an_impossible_machine_in_a_header_is_said_in_one_line(was: str, now: str, filmed: Any) -> None:
    source, out, _ = filmed
    text = out.read_text()
    assert was in text
    out.write_text(text.replace(was, now, 1))
    with pytest.raises(InjectError, match="does not describe the machine"):
        prove(source, out)
