"""Limits from the machine itself: Klipper's configuration, Marlin's report, RepRapFirmware's config.g."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner

from twinlapse.cli.rig import command as rig_command
from twinlapse.errors import RigError
from twinlapse.rig import read_rig
from twinlapse.rig.firmware_config import differences, read_firmware_config, with_limits

KLIPPER = """
[include macros/*.cfg]
[include ../secret.cfg]
[include /etc/passwd]
[printer]
kinematics: cartesian
max_velocity: 300   # of the toolhead
max_accel = 3000
max_z_velocity: 5
max_z_accel: 100
minimum_cruise_ratio: 0.3
[extruder]
nozzle_diameter: 0.400
filament_diameter: 1.750
max_extrude_only_accel: 2000
gcode:
    max_velocity: 1
[respond]
#*# <---------------------- SAVE_CONFIG ---------------------->
#*# [extruder]
#*# control = pid
"""
# as M503 answers (marlinfw.org/docs/gcode/M503.html), then M115
MARLIN = """
echo:; Maximum feedrates (units/s):
echo:  M203 X500.00 Y500.00 Z5.00 E25.00
echo:; Maximum Acceleration (units/s2):
echo:  M201 X3000.00 Y3000.00 Z100.00 E10000.00
echo:; Acceleration (units/s2): P<print_accel> R<retract_accel> T<travel_accel>
echo:  M204 P3000.00 R3000.00 T1500.00
echo:; Advanced: B<min_segment_time_us> S<min_feedrate> T<min_travel_feedrate> J<junc_dev>
echo:  M205 B20000.00 S0.00 T0.00 J0.01
echo:; Retract: S<length> F<units/m> Z<lift>
echo:  M207 S3.00 W13.00 F2700.00 Z0.00
ok
FIRMWARE_NAME:Marlin 2.1.2
Cap:EMERGENCY_PARSER:0
Cap:ARCS:1
ok
"""
CONFIG_G = """
; config.g
M584 X0 Y1 Z2 E3
M98 P"limits.g"
M98 P"../outside.g"
M906 X800 Y800 Z800 E900 I0
M84 S30
"""
RIG = """# the bench printer
[printer]
bed_mm = [220, 220]
height_mm = 250
firmware = "{firmware}"
accel_mm_s2 = 1500  # measured
[[camera]]
name = "wide"
mount = "frame"
"""


def files(tmp_path: Path, config: str, firmware: str) -> tuple[Path, Path]:
    rig, machine = tmp_path / "rig.toml", tmp_path / "cfg" / "machine.cfg"
    rig.write_text(RIG.format(firmware=firmware))
    (tmp_path / "cfg/macros").mkdir(parents=True)
    machine.write_text(config)
    (tmp_path / "cfg/macros/a.cfg").write_text("[idle_timeout]\ntimeout: 900\n[gcode_arcs]\n")
    (tmp_path / "secret.cfg").write_text("[printer]\nmax_accel: 1\n")
    (tmp_path / "cfg/limits.g").write_text("M203 X18000 Y18000 Z900 E3600\nM566 X900 Y900 Z12\n")
    return rig, machine


def test_klippers_configuration_is_read_with_its_includes_inside_the_folder(tmp_path: Path) -> None:
    config = read_firmware_config(files(tmp_path, KLIPPER, "klipper")[1])
    assert config.values == {
        "accel_mm_s2": 3000.0,
        "accel_z_mm_s2": 100.0,
        "cornering.square_corner_mm_s": 5.0,  # its default
        "filament_mm": 1.75,
        "limits.e_mm_s2": 2000.0,
        "limits.idle_timeout_s": 900.0,
        "limits.min_cruise_ratio": 0.3,
        "limits.speed_mm_s": 300.0,
        "limits.z_mm_s": 5.0,
        "nozzle_mm": 0.4,
    }
    assert config.sections is not None and {"gcode_arcs", "respond"} <= config.sections
    assert [("../secret.cfg" in note, "/etc/passwd" in note) for note in config.notes] == [
        (True, False), (False, True),
    ]  # fmt: skip


def test_marlins_report_is_read_in_its_units(tmp_path: Path) -> None:
    config = read_firmware_config(files(tmp_path, MARLIN, "marlin")[1])
    assert config.firmware == "marlin"
    assert config.values["limits.z_mm_s"] == 5.0 and config.values["limits.x_mm_s2"] == 3000.0
    assert config.values["accel_mm_s2"] == 3000.0 and config.values["limits.travel_mm_s2"] == 1500.0
    assert config.values["cornering.junction_deviation_mm"] == 0.01
    assert config.values["retract_mm"] == 3.0 and config.values["retract_mm_s"] == 45.0  # F2700 a minute
    assert config.sections == {"ARC_SUPPORT"}


def test_config_g_is_read_with_its_macros_inside_the_folder(tmp_path: Path) -> None:
    config = read_firmware_config(files(tmp_path, CONFIG_G, "reprapfirmware")[1])
    assert config.values["limits.x_mm_s"] == 300.0  # 18,000 mm a minute
    assert config.values["cornering.jerk_mm_s"] == 15.0 and config.values["limits.z_jerk_mm_s"] == 0.2
    assert config.values["limits.idle_timeout_s"] == 30.0
    assert any("outside.g" in note for note in config.notes)
    assert any("M906 I0" in note for note in config.notes)


def test_what_is_no_configuration_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "a.gcode"
    path.write_text("G28\nG1 X1\n")
    with pytest.raises(RigError, match="no configuration"):
        read_firmware_config(path)


def test_the_command_names_differences_and_missing_sections_and_writes_the_limits(tmp_path: Path) -> None:
    rig, machine = files(tmp_path, KLIPPER.replace("[respond]\n", ""), "klipper")
    gcode = tmp_path / "a.gcode"
    gcode.write_text("G28\nG2 X5 Y5 I2 J2 E1\nG10\nM117 layer\n")
    args = ["check", str(rig), "--firmware-config", str(machine), "--gcode", str(gcode)]
    said = CliRunner().invoke(rig_command, args)
    assert said.exit_code == 1
    assert "printer.accel_mm_s2 is 1500, the machine says 3000" in said.output
    assert "printer.limits.speed_mm_s is not set, the machine says 300" in said.output
    for section in ("[respond]", "[firmware_retraction]", "[display_status]"):
        assert f"{section} is not in the configuration" in said.output
    assert "[gcode_arcs]" not in said.output  # an included file has it
    before = rig.read_text()
    assert CliRunner().invoke(rig_command, [*args, "--write"]).exit_code == 1  # the sections are missing yet
    assert "# measured" in rig.read_text() and "# the bench printer" in rig.read_text()
    assert rig.read_text() != before
    config = read_firmware_config(machine)
    assert differences(read_rig(rig), config) == []
    again = CliRunner().invoke(rig_command, [*args[:4], "--json"])
    assert json.loads(again.stdout)["differences"] == []


def test_another_firmware_and_another_corner_rule_are_left_to_the_author(tmp_path: Path) -> None:
    rig, machine = files(tmp_path, MARLIN, "klipper")
    rig.write_text(rig.read_text().replace("[[camera]]", "cornering = { jerk_mm_s = 8 }\n[[camera]]"))
    config = read_firmware_config(machine)
    made = read_rig(rig)
    _, by_hand = with_limits(rig.read_text(), made, differences(made, config))
    assert [difference.key for difference in by_hand] == ["firmware", "cornering.junction_deviation_mm"]
