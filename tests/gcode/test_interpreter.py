"""Modal state: each rule beside the page that states it."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from twinlapse.gcode import Kind, Mode, Setting, Toolpath, row_before_line, state_after
from twinlapse.gcode.filament import fresh_filament
from twinlapse.gcode.state import setting_after

Read = Callable[..., Toolpath]


def codes(path: Toolpath) -> set[str]:
    return {notice.code for notice in path.warnings}


# --- G90, G91, M82, M83 -----------------------------------------------------------------------------------


@pytest.mark.parametrize("firmware", ["marlin", "klipper"])
def test_g91_makes_e_relative(firmware: str, read: Read) -> None:
    # Marlin documentation, G91: "This includes the extruder position unless overridden by M82";
    # Klipper source, gcode_move.py, cmd_G1: E is relative when either G91 or M83 holds
    path = read("G90\nM82\nG1 X1 E100\nG91\nG1 E-2\nG1 Z5\n", firmware=firmware)
    assert path.e_mm[path.kind == Kind.RETRACT].tolist() == [-2]
    assert float(path.e_word[-1]) == 98


def test_g91_leaves_e_alone_in_reprapfirmware(read: Read) -> None:
    # RepRapFirmware: M82 and M83 alone say how E is meant (from memory)
    path = read("G90\nM82\nG1 X1 E10\nG91\nG1 Z5 E8\n", firmware="reprapfirmware")
    assert float(path.e_mm[-1]) == -2


def test_g90_after_m83_in_marlin(read: Read) -> None:
    # Marlin documentation, G90: absolute mode "includes the extruder position unless overridden by M83"
    path = read("M83\nG90\nG1 X1 E5\nG1 X2 E7\n", firmware="marlin")
    assert path.e_mm[path.kind == Kind.EXTRUDE].tolist() == [5, 2]
    after = read("G90\nM83\nG1 X1 E5\nG1 X2 E7\n", firmware="marlin")
    assert after.e_mm[after.kind == Kind.EXTRUDE].tolist() == [5, 7]


def test_g90_after_m83_in_klipper(read: Read) -> None:
    # Klipper source, gcode_move.py: G90 does not touch absolute_extrude
    path = read("M83\nG91\nG1 Z1\nG90\nG1 X1 E5\nG1 X2 E7\n", firmware="klipper")
    assert path.e_mm[path.kind == Kind.EXTRUDE].tolist() == [5, 7]


def test_e_mode_again_and_again(read: Read) -> None:
    path = read("M82\nG1 X1 E5\nM83\nG1 X2 E2\nG92 E0\nM82\nG1 X3 E1\nM83\nG1 E-4\n")
    assert path.e_mm[path.e_mm != 0].tolist() == [5, 2, 1, -4]


def _moves(relative: bool, count: int = 40) -> str:
    step = [0.4 + 0.1 * (k % 3) for k in range(count)]
    words = step if relative else np.cumsum(step)
    return "".join(f"G1 X{k % 2 * 10} Y{k} E{e:.4f}\n" for k, e in enumerate(words, 1))


@pytest.mark.parametrize("firmware", ["marlin", "klipper", "reprapfirmware"])
@pytest.mark.parametrize("relative", [True, False])
def test_undeclared_e_is_inferred_and_said(relative: bool, firmware: str, read: Read) -> None:
    path = read("G28\nG90\n" + _moves(relative), firmware=firmware)
    assert path.e_mm.sum() == pytest.approx(sum(0.4 + 0.1 * (k % 3) for k in range(40)))
    assert codes(path) & {"e-mode-inferred", "e-mode-undeclared"}
    assert bool(path.mode[-1] & Mode.RELATIVE_E) == relative


def test_files_that_expect_g90_to_leave_e_alone(read: Read) -> None:
    text = "M83\n" + "".join(f"G91\nG1 Z0.2\nG90\n{_moves(True)}" for _ in range(5))
    path = read(text, firmware="marlin")
    assert path.e_mm.min() >= 0
    assert "e-mode-inferred" in codes(path)


def test_a_declared_mode_is_never_doubted(read: Read) -> None:
    path = read("G90\nM82\n" + _moves(True), firmware="marlin")
    assert (path.e_mm < 0).any()
    assert not codes(path) & {"e-mode-inferred", "e-mode-undeclared"}


def test_end_code_does_not_pull_a_metre_back(read: Read) -> None:
    text = "M83\nG90\nM83\n" + _moves(True, 2000) + "G91\nG1 Z5\nG90\nG1 E-2 F300\n"
    path = read(text, firmware="marlin")
    assert float(path.e_mm[-1]) == -2


# --- G92, G28, units --------------------------------------------------------------------------------------


def test_g92_gives_the_place_a_new_name(read: Read) -> None:
    # NIST RS274/NGC interpreter version 3, 3.5.18: at X=4, "G92 x7 sets the X-axis offset to -3 ... and
    # causes the X-coordinate of the current point to be 7"
    path = read("M83\nG1 X4 E1\nG92 X7\nG1 X8 E1\n")
    state = state_after(path, row_before_line(path, 4))
    assert (state.x_mm, state.logical_mm[0]) == (4, 7)
    assert state.shift_mm == (3, 0, 0)
    assert float(path.x_mm[-1]) == 5


@pytest.mark.parametrize("axis", "XYZ")
def test_g92_on_each_axis_and_taken_back(axis: str, read: Read) -> None:
    path = read(f"M83\nG1 X1 Y1 Z1 E1\nG92 {axis}10\nG1 {axis}12 E1\nG92.1\nG1 {axis}5\n")
    column = {"X": path.x_mm, "Y": path.y_mm, "Z": path.z_mm}[axis]
    assert column[path.kind == Kind.EXTRUDE].tolist() == [1, 3]
    assert float(column[-1]) == 5
    assert len(path.shift_row) == 2


def test_g92_of_e_feeds_nothing(read: Read) -> None:
    path = read("M82\nG1 X1 E5\nG92 E0\nG1 X2 E1\nG92 E100\nG1 X3 E101\n")
    assert path.e_mm.sum() == pytest.approx(7)
    assert path.shift_row.size == 0


def test_bare_g92(read: Read) -> None:
    # Klipper source, gcode_move.py, cmd_G92: without words every axis is set to zero
    klipper = read("M82\nG1 X5 Y6 E5\nG92\nG1 X1 E1\n", firmware="klipper")
    assert (float(klipper.x_mm[-1]), float(klipper.e_mm[-1])) == (6, 1)
    marlin = read("M82\nG1 X5 Y6 E5\nG92\nG1 X1 E6\n", firmware="marlin")
    assert (float(marlin.x_mm[-1]), float(marlin.e_mm[-1])) == (1, 1)


def test_homing(read: Read) -> None:
    path = read("M83\nG1 X5 Y6 Z7 E1\nG92 X0\nG28 X\nG28\nG1 X1 E1\n")
    homes = np.flatnonzero(path.kind == Kind.HOME)
    assert [float(v) for v in (path.x_mm[homes[0]], path.y_mm[homes[0]])] == [0, 6]
    assert not path.mode[homes[0]] & Mode.HOMED
    assert path.mode[homes[1]] & Mode.HOMED
    assert float(path.x_mm[-1]) == 1


def test_inches(read: Read) -> None:
    # NIST RS274/NGC 3.5.7: G20 inches, G21 millimetres; 25.4 mm an inch
    path = read("M83\nG20\nG1 X1 Y2 E0.1 F60\nG21\nG1 X30 E1 F600\n")
    row = int(np.flatnonzero(path.kind == Kind.EXTRUDE)[0])
    assert path.x_mm[row] == pytest.approx(25.4) and path.e_mm[row] == pytest.approx(2.54)
    assert path.feed_mm_s[row] == pytest.approx(25.4)
    assert path.mode[row] & Mode.INCH and not path.mode[-1] & Mode.INCH
    assert "inches" in codes(path)


def test_relative_moves(read: Read) -> None:
    path = read("M83\nG91\nG1 X5 Y5 E1\nG1 X-2 E1\nG90\nG1 X1 E1\n", firmware="reprapfirmware")
    assert path.x_mm[path.kind == Kind.EXTRUDE].tolist() == [5, 3, 1]


def test_g53_names_a_machine_place_for_one_line(read: Read) -> None:
    # NIST RS274/NGC 3.5.12: G53 holds for its line only
    path = read("M83\nG1 X5 E1\nG92 X0\nG53 G1 X2 E1\nG1 X2 E1\n")
    assert path.x_mm[path.kind == Kind.EXTRUDE].tolist() == [5, 2, 7]


# --- retraction, tools, filament --------------------------------------------------------------------------


def test_firmware_retraction_and_the_other_meanings_of_g10(read: Read) -> None:
    # Marlin documentation G10, G11; RepRapFirmware (from memory): with P it sets a tool's offset or heat
    path = read("M83\nG10 P0 R120 S200\nG1 X1 E1\nG10\nG0 X5\nG11\nG1 X6 E1\nG10\n")
    kinds = path.kind.tolist()
    assert kinds.count(Kind.FW_RETRACT) == 2 and kinds.count(Kind.FW_PRIME) == 1
    assert "tool-offset" in codes(path)
    assert state_after(path, len(path) - 1).fw_retracted  # the last one stays open
    assert path.e_mm.sum() == pytest.approx(2)


def test_retraction_is_not_material(read: Read) -> None:
    path = read("M83\nG1 X1 E5\nG1 E-2\nG1 X3 E-1\nG0 X9\nG1 E3\nG1 X10 E1\nG1 E-1\n")
    assert fresh_filament(path).sum() == pytest.approx(6)
    assert path.retracted_mm.tolist()[1:] == [0, 2, 3, 3, 0, 0, 1]
    assert path.kind.tolist()[1:] == [
        Kind.EXTRUDE, Kind.RETRACT, Kind.WIPE, Kind.TRAVEL, Kind.PRIME, Kind.EXTRUDE, Kind.RETRACT,
    ]  # fmt: skip


def test_each_tool_keeps_its_retraction(read: Read) -> None:
    path = read("M83\nT0\nG1 X1 E5\nG1 E-2\nT1\nG1 X2 E4\nT0\nG1 E2\nG1 X3 E1\n")
    assert fresh_filament(path).sum() == pytest.approx(10)
    assert set(path.tool.tolist()) == {0, 1}


def test_tools_with_an_e_of_their_own(read: Read) -> None:
    text = "M82\nT0\nG1 X1 E100\nG1 X2 E130\nT1\nG1 X3 E5\nG1 X4 E9\nT0\nG1 X5 E131\nT1\nG1 X6 E10\n"
    path = read(text)
    assert path.e_mm[path.kind == Kind.EXTRUDE].tolist() == [100, 30, 5, 4, 1, 1]
    assert "tools-own-e" in codes(path)


@pytest.mark.parametrize("letter", ["A", "U"])
def test_another_letter_feeds(letter: str, read: Read) -> None:
    path = read("M104 S210\nG1 X1 E1\n".replace(" E1", f" {letter}1") + f"G1 X2 {letter}2.5\n")
    assert path.e_mm.sum() == pytest.approx(2.5)
    assert "e-letter" in codes(path)


def test_volumes(read: Read) -> None:
    # Marlin documentation, M200: E words are mm3 of a filament D thick; D0 or a bare D ends it
    path = read("M83\nM200 D1.75\nG1 X10 E2.405281875\nM200 D\nG1 X20 E1\n")
    assert path.e_mm[path.kind == Kind.EXTRUDE] == pytest.approx([1, 1])
    assert "volumetric" in codes(path)
    first = int(np.flatnonzero(path.kind == Kind.EXTRUDE)[0])
    assert path.mode[first] & Mode.VOLUMETRIC and not path.mode[-1] & Mode.VOLUMETRIC


def test_moves_that_feed_without_e_words(read: Read) -> None:
    # the RepRap dialect before E: M101 and M103 switch the extruder on and off (from memory)
    path = read("M104 S220\nM101\nG1 X10\nG1 Y10\nM103\nG1 X0\n")
    assert path.kind[path.length_mm > 0].tolist() == [Kind.EXTRUDE, Kind.EXTRUDE, Kind.TRAVEL]


# --- settings ---------------------------------------------------------------------------------------------


def test_accelerations_by_kind_of_move(read: Read) -> None:
    # Marlin documentation, M204: P printing, R retract, T travel; S is the old form of P and T
    path = read("M83\nM204 S500\nG1 X1 E1\nM204 P800 T1500 R3000\nG1 X2 E1\nG0 X9\nG1 E-1\n")
    moving = np.isin(path.kind, [Kind.EXTRUDE, Kind.TRAVEL, Kind.RETRACT])
    assert path.accel_mm_s2[moving].tolist() == [500, 800, 1500, 3000]


def test_accelerations_in_klipper(read: Read) -> None:
    # Klipper documentation, G-Codes, M204: S, or the minimum of P and T; one of P and T alone has no effect
    path = read(
        "M83\nM204 P800 T1500\nG1 X1 E1\nM204 P100\nG1 X2 E1\nSET_VELOCITY_LIMIT ACCEL=3000 "
        "SQUARE_CORNER_VELOCITY=7.5\nG1 X3 E1\n",
        firmware="klipper",
    )
    assert path.accel_mm_s2[path.kind == Kind.EXTRUDE].tolist() == [800, 800, 3000]
    assert setting_after(path, len(path) - 1, Setting.SQUARE_CORNER, 5.0) == 7.5


def test_limits_and_factors(read: Read) -> None:
    path = read(
        "M83\nM201 X500 Y600 Z100 E5000\nM203 X200 E50\nM205 X8 Y9 J0.03\nM220 S80\nM221 S95\nM207 S3 F1200\n"
        "G1 X1 E1\nM600\nM109 S210\nG4 P500\nG4 S2\n"
    )
    end = len(path) - 1
    said = {kind: setting_after(path, end, kind, -1.0) for kind in Setting}
    assert said[Setting.MAX_ACCEL_Y] == 600 and said[Setting.MAX_ACCEL_E] == 5000
    assert said[Setting.MAX_FEED_X] == 200 and said[Setting.MAX_FEED_E] == 50
    assert said[Setting.JERK_X] == 8 and said[Setting.JUNCTION_DEVIATION] == pytest.approx(0.03)
    assert said[Setting.SPEED_FACTOR] == pytest.approx(0.8) and said[Setting.FLOW] == pytest.approx(0.95)
    assert said[Setting.RETRACT_LENGTH] == 3 and said[Setting.RETRACT_SPEED] == 20
    assert said[Setting.HEAT_WAIT] == 210 and said[Setting.PAUSE] == 600
    assert path.dwell_s[path.kind == Kind.DWELL].tolist() == [0.5, 2.0]
    assert "pause" in codes(path)
    assert float(path.e_mm.sum()) == 1  # the words count, whatever the flow


def test_units_of_reprapfirmware(read: Read) -> None:
    # RepRapFirmware: M203 and M566 are in mm/min (from memory)
    path = read("M83\nM203 X12000\nM566 X600\nG1 X1 E1\n", firmware="reprapfirmware")
    assert setting_after(path, 9**9, Setting.MAX_FEED_X, 0) == pytest.approx(200)
    assert setting_after(path, 9**9, Setting.JERK_X, 0) == pytest.approx(10)


@pytest.mark.parametrize(
    ("head", "firmware"),
    [
        (";FLAVOR:Marlin\n", "marlin"),
        ("; gcode_flavor = klipper\n", "klipper"),
        (";FLAVOR:RepRapFirmware\n", "reprapfirmware"),
        ("EXCLUDE_OBJECT_DEFINE NAME=pot\n", "klipper"),
        ("SET_VELOCITY_LIMIT ACCEL=500\n", "klipper"),
        ("M572 D0 S0.05\n", "reprapfirmware"),
        ("M104 S200\n", "marlin"),
    ],
)
def test_firmware_is_guessed_and_said(head: str, firmware: str, read: Read) -> None:
    path = read(head + "M83\nG1 X1 E1\n")
    assert path.firmware == firmware
    assert "firmware-guessed" in codes(path)


def test_firmware_named_at_the_end(read: Read) -> None:
    path = read("M83\nG1 X1 E1\n" + "; setting = 1\n" * 40_000 + "; gcode_flavor = klipper\n")
    assert path.firmware == "klipper"


def test_state_before_anything(read: Read) -> None:
    path = read("; nothing yet\nM83\nG1 X1 E1\n")
    assert row_before_line(path, 1) == -1
    state = state_after(path, -1)
    assert (state.x_mm, state.feed_mm_s, state.relative_e) == (0, 0, False)
    with pytest.raises(IndexError):
        state_after(path, len(path))


def test_state_between_two_lines(read: Read) -> None:
    path = read("M83\nG1 X1 Y2 F1800 E1\nG91\nG1 F900\nG90\nM204 P700\nG10\nG1 X5\n")
    state = state_after(path, row_before_line(path, 4))
    assert state.relative_xyz and state.feed_mm_s == 30
    state = state_after(path, row_before_line(path, 8))
    assert not state.relative_xyz and state.feed_mm_s == 15
    assert state.accel_mm_s2 == 700 and state.fw_retracted


@pytest.mark.parametrize(
    "words",
    [
        "M204 S0",
        "M204 P0 T0",
        "M201 X0 Y0 E0",
        "M203 X0 E0",
        "SET_VELOCITY_LIMIT ACCEL=0 VELOCITY=0",
        "M204 S-5",
    ],
)
def test_a_limit_of_zero_sets_nothing(read: Read, words: str) -> None:
    path = read(f"G28\nM83\n{words}\nG1 X9 E1 F900\nG1 Y9 E1\n")
    assert not len(path.setting_row)
    assert (path.accel_mm_s2 == 0).all()


def test_many_blanks_in_a_comment_cost_nothing(read: Read) -> None:
    """A pattern with a dozen places for blanks took seconds for one such line."""
    path = read("G28\nM83\n; layer" + " " * 280 + "3\nG1 X9 E1 F900\n; layer" + " " * 280 + "x\nG1 Y9 E1\n")
    assert [note.text for note in path.notes] == ["; layer 3"]
