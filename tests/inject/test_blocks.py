"""Blocks in full, for the common states of a machine."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from twinlapse.errors import InjectError
from twinlapse.gcode import ModalState
from twinlapse.inject.blocks import RetractionStyle, block_lines
from twinlapse.rig import rig_from_mapping
from twinlapse.shots import Shot, Stop

STATE = ModalState(
    x_mm=100.5, y_mm=90.25, z_mm=2.6, e_word=123.45678, shift_mm=(0.0, 0.0, 0.0), relative_xyz=False,
    relative_e=False, inch=False, volumetric=False, homed=True, fw_retracted=False, retracted_mm=0.0,
    feed_mm_s=30.0, tool=0, accel_mm_s2=0.0, travel_accel_mm_s2=0.0, speed_factor=1.0, flow=1.0,
)  # fmt: skip
SHOT = Shot(
    number=13, after_line=1000, byte=0, layer=12, z_mm=2.6, at_s=600.0, cost_s=4.0, retract="own",
    retract_mm=0.8, retract_mm_s=40.0, lift_mm=1.0,
    stops=(Stop(cameras=("wide",), x_mm=5.0, y_mm=210.0, z_mm=3.6, dwell_s=1.0, stance="clear"),),
)  # fmt: skip


def lines(values: dict[str, Any], state: ModalState = STATE, shot: Shot = SHOT, **printer: Any) -> list[str]:
    """Return a block without its fences."""
    rig = rig_from_mapping({**values, "printer": {**values["printer"], **printer}})
    block = block_lines(shot, state, rig)
    assert block[0] == "; twinlapse shot 13 begin (layer 13, z 2.60)"
    assert block[-1] == "; twinlapse shot 13 end"
    return block[1:-1]


def test_absolute_e_marlin(rig_values: dict[str, Any]) -> None:
    assert lines(rig_values) == [
        "G1 E122.65678 F2400",
        "G1 Z3.6 F600",
        "G1 X5 Y210 F9000",
        "; stop 13.1: wide at X5 Y210 Z3.6 for 1 s",
        "M400",
        "G4 P300",
        "M400",
        "M118 E1 twinlapse cue 13.1 wide",
        "G4 P1000",
        "G1 X100.5 Y90.25 F9000",
        "G1 Z2.6 F600",
        "G1 E123.45678 F2400",
        "G1 F1800",
    ]


def test_relative_e_klipper(rig_values: dict[str, Any]) -> None:
    block = lines(rig_values, replace(STATE, relative_e=True), firmware="klipper")
    assert block[0] == "G1 E-0.8 F2400"
    assert block[-2:] == ["G1 E0.8 F2400", "G1 F1800"]
    # klippy/toolhead.py: G4 does not hold the stream, so the settling time stands before the wait
    at = block.index("M118 twinlapse cue 13.1 wide")
    assert block[at - 3 : at + 2] == ["G4 P300", "M400", "M400", block[at], "G4 P1000"]


def test_firmware_retraction_reprapfirmware(rig_values: dict[str, Any]) -> None:
    block = lines(rig_values, shot=replace(SHOT, retract="firmware"), firmware="reprapfirmware")
    assert block[0] == "G10"
    assert 'M118 S"twinlapse cue 13.1 wide"' in block
    assert block[-2:] == ["G11", "G1 F1800"]
    assert not any(" E" in line for line in block)


def test_inches_with_a_moved_origin(rig_values: dict[str, Any]) -> None:
    state = replace(STATE, inch=True, e_word=4.0, shift_mm=(-10.0, 0.0, 0.0))
    block = block_lines(SHOT, state, rig_from_mapping(rig_values), RetractionStyle(e_per_mm=1 / 25.4))[1:-1]
    assert block[0] == "G1 E3.9685 F94.48819"
    assert block[2] == "G1 X-0.19685 Y8.267717 F354.33071"  # 5 mm - 10 mm, 210 mm
    assert block[-2:] == ["G1 E4 F94.48819", "G1 F70.86614"]


def test_relative_places_sum_up_to_nothing(rig_values: dict[str, Any]) -> None:
    state = replace(STATE, relative_xyz=True, x_mm=100.123456789)
    block = lines(rig_values, state)
    for axis in "XYZ":
        words = [float(w[1:]) for line in block if line[:3] == "G1 " for w in line.split() if w[0] == axis]
        assert sum(words) == pytest.approx(0.0, abs=1e-12)
        assert len(words) == 2


def test_a_prime_with_more_keeps_the_name_of_e(rig_values: dict[str, Any]) -> None:
    block = lines(rig_values, prime_extra_mm=0.05)
    assert block[-3:] == ["G1 E123.50678 F2400", "G92 E123.45678", "G1 F1800"]


def test_an_open_retraction_is_left_alone(rig_values: dict[str, Any]) -> None:
    block = lines(rig_values, replace(STATE, retracted_mm=0.8), replace(SHOT, retract="already"))
    assert not any(" E" in line.split(";")[0] and line.startswith("G1") for line in block)


def test_standing_still_says_and_waits_only(rig_values: dict[str, Any]) -> None:
    stop = Stop(cameras=("wide",), x_mm=100.5, y_mm=90.25, z_mm=2.6, dwell_s=1.0, stance="still")
    block = lines(rig_values, shot=replace(SHOT, retract="none", lift_mm=0.0, stops=(stop,)))
    assert [line for line in block if line[0] != ";"] == [
        "M400", "G4 P300", "M400", "M118 E1 twinlapse cue 13.1 wide", "G4 P1000",
    ]  # fmt: skip


def test_waypoints_are_passed_there_and_back(rig_values: dict[str, Any]) -> None:
    stop = replace(SHOT.stops[0], via_mm=((50.0, 50.0),))
    block = lines(rig_values, shot=replace(SHOT, stops=(stop,), back_mm=((60.0, 60.0),)))
    assert [line for line in block if line.startswith("G1 X")] == [
        "G1 X50 Y50 F9000", "G1 X5 Y210 F9000", "G1 X60 Y60 F9000", "G1 X100.5 Y90.25 F9000",
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("change", "word"),
    [({"homed": False}, "homed"), ({"feed_mm_s": 0.0}, "feed rate"), ({"fw_retracted": True}, "already")],
)
def test_a_state_that_cannot_be_restored_is_refused(
    change: dict[str, Any], word: str, rig_values: dict[str, Any]
) -> None:
    shot = replace(SHOT, retract="firmware")
    with pytest.raises(InjectError, match=word):
        block_lines(shot, replace(STATE, **change), rig_from_mapping(rig_values))
