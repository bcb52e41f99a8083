"""Originals that a firmware reads otherwise than we do: nothing printed may depend on such a line.

Marlin: queue.cpp and parser.cpp with the default configuration; Klipper: gcode.py, virtual_sdcard.py and
gcode_arcs.py, seen running; RepRapFirmware: StringParser.cpp.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from twinlapse.buffered_bytes import file_bytes
from twinlapse.gcode import read_toolpath
from twinlapse.inject.proof.arc_reading import read_arcs
from twinlapse.inject.proof.firmware_reading import RULES, check_reading
from twinlapse.inject.proof.normalise import meaning
from twinlapse.inject.proof.report import Check

MARLIN, KLIPPER, REPRAP = ALL = ("marlin", "klipper", "reprapfirmware")
HEAD = "G28\nG90\nM83\nG1 Z0.2 F600\nG1 X10 Y10 F6000\n"
PRINTS = "G1 X50 Y10 E2 F1800"
REST = "\nG1 X50 Y50 E2\n"
LONG = "G1 X50.0000" + " " * 90 + "Y10 E2"


def reading(folder: Path, data: bytes, firmware: str) -> Check:
    path = folder / "pot.gcode"
    path.write_bytes(data)
    toolpath = read_toolpath(path, firmware=firmware)
    with file_bytes(path, "G-code file") as view:
        return check_reading(toolpath, view, read_arcs(toolpath, view))


# a printing line -> the firmwares that read it otherwise
LINES: dict[str, tuple[str, ...]] = {
    PRINTS: (),
    "G1 X50 Y10 E2 ; (Z9) *7 g1": (),
    PRINTS.lower(): (MARLIN,),
    "G1 x50 Y10 E2": (MARLIN,),
    f"{PRINTS} (Z9)": ALL,
    f"{PRINTS} (wall)": (KLIPPER, REPRAP),  # Marlin passes over small letters
    f"{PRINTS} ; wall\rG1 X0 Y0": (MARLIN, REPRAP),
    f"; wall\rG1 X0 Y0\n{PRINTS}": (MARLIN, REPRAP),
    f"{PRINTS}\r": (),
    LONG: (MARLIN,),
    "G1" + " " * 260 + "X50 Y10 E2": (MARLIN, REPRAP),
    f"{PRINTS}*1": (MARLIN, REPRAP),
    "N7 G1 X50 Y10 E2*125": (),
    "N7 G1 X50 Y10 E2*124": (MARLIN, REPRAP),
    "G1 X40 X50 Y10 E2": (REPRAP,),
    "G1 X50 Y10 E2 M106 S255": (MARLIN, KLIPPER),
    "G1 X50 Y10 E1 G1 X60 E1": (MARLIN, KLIPPER),
    "G1 X40 E1\nX50 Y10 E2": ALL,
    "F1800 G1 X50 Y10 E2": ALL,
    "G01 X50 Y10 E2": (KLIPPER,),
    "G3 X50 Y10 R20 E2": (KLIPPER,),
    "G3 X50 Y10 I20 J0 E2": (),
    "G91\nG3 X40 Y0 I20 J0 E2\nG90": (KLIPPER,),
    "G20\nG1 X2 Y1 E.1\nG21": (KLIPPER,),
    "M200 D1.75\nG1 X50 Y10 E2\nM200 D0": (KLIPPER,),
    "G2 X50 Y10 I1 J0 E2": ALL,  # no circle through both ends
    f"M117 half (way) done m5\n{PRINTS}": (),
    f"M118 E1 hello g1 x1\nPRINT_START bed=60 (a)\n{PRINTS}": (),
    f"M0 Look at layer 3, then go on\n{PRINTS}": (),
    f"m106 s255\n{PRINTS}": (),  # nothing printed depends on the fan's line
}


def test_the_checksum_above_is_right() -> None:
    text = b"N7 G1 X50 Y10 E2"
    assert int(np.bitwise_xor.reduce(np.frombuffer(text, np.uint8))) == 125


@pytest.mark.parametrize("firmware", ALL)
@pytest.mark.parametrize("line", LINES)
def test_a_printing_line_is_read_as_the_firmware_reads_it(line: str, firmware: str, tmp_path: Path) -> None:
    check = reading(tmp_path, (HEAD + line + REST).encode(), firmware)
    assert check.holds == (firmware not in LINES[line]), check.detail
    if not check.holds:
        assert RULES[firmware].name in check.detail and "line" in check.detail


@pytest.mark.parametrize(
    "line", [PRINTS.lower().replace(" e2", ""), "g28 x0", "m84", "G01 X0", "G1 X0 (park)"]
)
@pytest.mark.parametrize("firmware", ALL)
def test_nothing_printed_depends_on_the_end(line: str, firmware: str, tmp_path: Path) -> None:
    assert reading(tmp_path, (HEAD + PRINTS + REST + line + "\n").encode(), firmware).holds


@pytest.mark.parametrize("firmware", ALL)
def test_a_byte_order_mark(firmware: str, tmp_path: Path) -> None:
    text = (HEAD + PRINTS + REST).encode()
    assert reading(tmp_path, b"\xef\xbb\xbf; a pot\n" + text, firmware).holds
    assert not reading(tmp_path, b"\xef\xbb\xbf" + text, firmware).holds  # G28 is not read


def test_a_last_line_without_an_end(tmp_path: Path) -> None:
    for firmware in ALL:
        assert reading(tmp_path, (HEAD + PRINTS + REST + "M84").encode(), firmware).holds
        prints = reading(tmp_path, (HEAD + PRINTS + REST).rstrip().encode(), firmware)
        assert prints.holds == (firmware != KLIPPER)


def test_a_byte_that_is_not_utf8_stops_klipper(tmp_path: Path) -> None:
    for firmware in ALL:
        before = reading(tmp_path, (HEAD + "; caf").encode() + b"\xe9\n" + (PRINTS + REST).encode(), firmware)
        assert before.holds == (firmware != KLIPPER)
        assert reading(tmp_path, (HEAD + PRINTS + REST + "; caf").encode() + b"\xe9\n", firmware).holds


@pytest.mark.parametrize(
    ("one", "other", "same_to"),
    [
        (b"G1 X1 Y2\n", b"G1  Y2.0 X1.00 ; a\n", ALL),
        (b"G1 X1 Y2\n", b"g1 x1 y2\n", (KLIPPER, REPRAP)),
        (b"G1 X1 Y2\n", b"G01 X1 Y2\n", (MARLIN, REPRAP)),
        (b"G1 X1 Y2\n", b"G1 X1 Y2 (Z9)\n", ()),
        (b"G1 X1 Y2\n", b"G1 X1 Y2 (a)\n", (MARLIN,)),
        (b"G1 X1 Y2\n", b"G1 X1 Y2*1\n", (KLIPPER,)),
        (b"G1 X1 Y2\n", b"G1 X1 Y2\r\n", ALL),
        (b"G1 X1 Y2\n", b"G1 X1 Y2\rG28\n", ()),
        (b"; a\n", b"; a\rG28\n", (KLIPPER,)),
        (b"G1 X1 Y2\n", b"G1 X1 Y2", (MARLIN, REPRAP)),
        (b"G1 X1\n", b"G1 X0 X1\n", ()),
        (b"; a\n", b"\xef\xbb\xbf; a\n", ALL),
        (b"G28\n", b"\xef\xbb\xbfG28\n", ()),
        (b"M117 a\n", b"M117 A\n", ()),
    ],
)
def test_what_lines_say(one: bytes, other: bytes, same_to: tuple[str, ...]) -> None:
    for firmware in ALL:
        rules = RULES[firmware]
        assert (meaning(one, rules) == meaning(other, rules)) == (firmware in same_to), firmware
