"""A shot holds what the grammar has and nothing else, within bounds."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from twinlapse.buffered_bytes import file_bytes
from twinlapse.inject import inject_file, prove
from twinlapse.inject.proof.block_grammar import BlockReader, BlockRules
from twinlapse.inject.proof.fences import Fenced, read_fences
from twinlapse.inject.proof.outside_lines import NAMED, NOBODY, look_outside

pytestmark = pytest.mark.usefixtures("both_ways")

MAKE = Callable[..., Any]
FIRMWARES = ("marlin", "klipper", "reprapfirmware")


@pytest.fixture(scope="module", params=FIRMWARES)
def filmed(
    request: pytest.FixtureRequest,
    sliced_folder: Path,
    hand_plan: MAKE,
    rig_values: dict[str, Any],
    tmp_path_factory: Any,
) -> tuple[Path, str, str]:
    """A sliced file, what is written for it, and the firmware."""
    source, out = sliced_folder / "cube_abs.gcode", tmp_path_factory.mktemp("grammar") / "filmed.gcode"
    toolpath, plan = hand_plan(source, firmware=request.param, every=20)
    inject_file(source, plan, out, toolpath=toolpath)
    return source, out.read_text(), request.param


def broken(source: Path, text: str, folder: Path) -> dict[str, str]:
    """Return the checks that do not hold, with what they say."""
    out = folder / "edited.gcode"
    out.write_text(text)
    return {check.name: check.detail for check in prove(source, out).checks if not check.holds}


def block_of(text: str, number: int = 3) -> list[str]:
    """Return the lines of a shot, its marker comments included."""
    lines = text.splitlines()
    begin = next(i for i, line in enumerate(lines) if line.startswith(f"; twinlapse shot {number} begin"))
    return lines[begin : lines.index(f"; twinlapse shot {number} end") + 1]


def with_block(text: str, block: list[str], number: int = 3) -> str:
    """Return the file with another block in place of a shot."""
    return text.replace("\n".join(block_of(text, number)), "\n".join(block))


def put(block: list[str], at: int, *lines: str) -> list[str]:
    """Return the block with lines put in before one."""
    return [*block[:at], *lines, *block[at:]]


def where(block: list[str], pattern: str, nth: int = 0) -> int:
    """Return where the nth line that matches stands."""
    return [i for i, line in enumerate(block) if re.match(pattern, line)][nth]


def e_word(block: list[str], nth: int) -> float:
    """Return the E word of the retraction or the prime."""
    return float(block[where(block, "G1 E", nth)].split()[1][1:])


def faults_of(block: list[str], firmware: str, *, may_hold: bool = False) -> list[Any]:
    """Return where a block does not derive from the grammar."""
    text = ("\n".join(block) + "\n").encode()
    fenced = Fenced(kind="shot", number=3, start=0, stop=len(text), line=1, text=text)
    return BlockReader(fenced, BlockRules(firmware=firmware), may_hold=may_hold).run().faults


def test_waiting_primed_on_the_print_is_refused(filmed: Any, tmp_path: Path) -> None:
    source, text, _ = filmed
    block = block_of(text)
    for at in (1, where(block, "G1 E", -1) + 1, len(block) - 1):
        found = broken(source, with_block(text, put(block, at, "G4 P4000")), tmp_path)
        assert "commands" in found, at


def test_a_long_retraction_is_refused(filmed: Any, tmp_path: Path) -> None:
    source, text, _ = filmed
    block = block_of(text)
    k = where(block, "G1 E")
    block[k] = f"G1 E{e_word(block, -1) - 40:.5f} F2100"
    found = broken(source, with_block(text, block), tmp_path)
    assert "retracts 40 mm" in found["bounds"]


def test_a_dip_beside_the_print_is_refused(filmed: Any, tmp_path: Path) -> None:
    source, text, _ = filmed
    block = block_of(text)
    at = where(block, "; stop")
    up = block[where(block, "G1 Z")]
    dip = put(block, at, "G1 Z0 F600", up)
    assert "commands" in broken(source, with_block(text, dip), tmp_path)  # down and up again is no way
    stop = block[at]
    lower = [line.replace(up.split()[1], "Z0.1") if line == up else line for line in block]
    lower = [line.replace(re.search(r"Z\S+", stop)[0], "Z0.1") if line == stop else line for line in lower]
    assert "clearance" in broken(source, with_block(text, lower), tmp_path)


@pytest.mark.parametrize(
    "line",
    [
        'RESPOND TYPE=command MSG="action:cancel"', "M118 A1 action:cancel", "M118 E1 hello", "M117 hello",
        "M106 S0", "M104 S0", "M84", "M0", "PAUSE", "G28", "G28 X", "T0", "M204 S500", "M220 S50",
        "M221 S90", "G91", "M83", "G20", "G92 X0", "G92 E0 X1", "G92 Z0", "SAVE_GCODE_STATE NAME=a",
        "CANCEL_PRINT", "M112", "SET_VELOCITY_LIMIT ACCEL=100", "G1 X10 Y10 Z50 F600", "G1 X10 Y10 E1 F600",
        "G2 X10 Y10 I5 J5", "M240", "M400 M400", "G4 P100 S9", "G4 S1", "G1 X10 X20 F9000", "G10",
        'M98 P"x"', "M300", "N5 M400", "M400*36", "G1 X10 (Y10) F9000", "G1 X10\rG28", "g1 z0 e5",
        "X10 Y10", "SNAP", "% ", "M25", "M600", "M997",
    ],
)  # fmt: skip
def test_no_other_line_has_a_place(line: str, filmed: Any) -> None:
    _, text, firmware = filmed
    block = block_of(text)
    assert not faults_of(block, firmware)
    for at in (1, where(block, "G1 X"), where(block, "G4"), where(block, "G4", -1), len(block) - 1):
        assert faults_of(put(block, at, line), firmware), at


def test_standing_far_longer_than_asked_is_refused(filmed: Any, tmp_path: Path) -> None:
    source, text, _ = filmed
    block = [line.replace("for 1 s", "for 3 s").replace("G4 P1000", "G4 P3000") for line in block_of(text)]
    assert "stands for" in broken(source, with_block(text, block), tmp_path)["bounds"]


def test_wandering_about_is_refused(filmed: Any, tmp_path: Path) -> None:
    source, text, _ = filmed
    block = block_of(text)
    way = block[where(block, "G1 X")]
    rounds = [way, "G1 X5 Y5 F9000", "G1 X215 Y215 F9000"] * 200
    found = broken(source, with_block(text, put(block, where(block, "G1 X"), *rounds)), tmp_path)
    assert "travels for" in found["bounds"]


def test_a_cue_comes_after_the_settling_has_happened(filmed: Any) -> None:
    """Klipper's G4 only moves the print's clock on, so a cue behind it goes out at once (toolhead.py)."""
    _, text, firmware = filmed
    block = block_of(text)
    at = where(block, "; stop") + 1
    after = where(block, "M118")
    orders = {
        ("G4 P300", "M400"): firmware == "klipper",
        ("M400", "G4 P300", "M400"): firmware != "klipper",
        ("M400", "G4 P300"): False,
        ("G4 P300",): False,
        ("M400",): True,  # how long it settles is judged elsewhere
        (): False,
    }
    for order, derives in orders.items():
        assert (not faults_of([*block[:at], *order, *block[after:]], firmware)) == derives, order


def test_a_wait_for_a_person_is_whole(filmed: Any) -> None:
    """What keeps heat and motors while it waits is set back; nothing else stands in between."""
    _, text, firmware = filmed
    block = block_of(text)
    at = where(block, "G1 X", -1)
    look = "Look at layer 41, then go on"
    wait = {
        "marlin": ["M84 S1860", f"M0 S1800 {look}", "M84 S120"],
        "klipper": ["SET_IDLE_TIMEOUT TIMEOUT=1800", f"M117 {look}", "PAUSE", "SET_IDLE_TIMEOUT TIMEOUT=600"],
        "reprapfirmware": [f'M291 P"{look}" R"twinlapse" S2'],
    }[firmware]
    bare = wait[1:-1] or wait
    assert not faults_of(put(block, at, "M400", *wait), firmware, may_hold=True)
    assert not faults_of(put(block, at, "M400", *bare), firmware, may_hold=True)
    assert faults_of(put(block, at, "M400", *wait), firmware)
    assert faults_of(put(block, at, *wait), firmware, may_hold=True)
    assert faults_of(put(block, at, "M400", *wait, "M400", *wait), firmware, may_hold=True)
    assert faults_of(put(block, at, "M400", "G4 P100", *wait), firmware, may_hold=True)
    if bare != wait:
        assert faults_of(put(block, at, "M400", *wait[:-1]), firmware, may_hold=True)


def test_a_cue_needs_a_stop_and_a_stop_a_cue(filmed: Any, tmp_path: Path) -> None:
    source, text, _ = filmed
    block = block_of(text)
    for pattern in ("; stop", r"M118 .*cue", "M400"):
        kept = [line for line in block if not re.match(pattern, line)]
        assert "commands" in broken(source, with_block(text, kept), tmp_path), pattern


def test_spellings_of_the_named_firmware_alone_pass(filmed: Any, tmp_path: Path) -> None:
    """Small letters: GCODE_CASE_INSENSITIVE is off in stock Marlin; G01: no command of Klipper's gcode.py."""
    source, text, firmware = filmed
    block = block_of(text)
    k = where(block, "G1 X")
    small = broken(source, with_block(text, [*block[:k], block[k].lower(), *block[k + 1 :]]), tmp_path)
    assert ("commands" in small) == (firmware == "marlin")
    padded = [*block[:k], block[k].replace("G1", "G01"), *block[k + 1 :]]
    assert ("commands" in broken(source, with_block(text, padded), tmp_path)) == (firmware == "klipper")


def test_a_cue_outside_of_any_shot_is_refused(filmed: Any, tmp_path: Path) -> None:
    source, text, _ = filmed
    begin = text.index("; twinlapse shot 3 begin")
    for line in ("; twinlapse cue 3.1 wide\n", ";a thought: twinlapse cue 3.1 wide\n"):
        assert "markers" in broken(source, text[:begin] + line + text[begin:], tmp_path)
    assert not broken(source, text[:begin] + "; a twinlapse cue is none\n" + text[begin:], tmp_path)


def test_shots_inside_an_object_are_told(tmp_path: Path) -> None:
    text = b"M486 S0\n; twinlapse shot 1 begin (layer 1, z 1.00)\n; twinlapse shot 1 end\nM486 S-1\n"
    text += (
        b"; twinlapse shot 2 begin (layer 1, z 1.00)\n; twinlapse shot 2 end\nEXCLUDE_OBJECT_START NAME=pot\n"
    )
    text += (
        b"; twinlapse shot 3 begin (layer 1, z 1.00)\n; twinlapse shot 3 end\nEXCLUDE_OBJECT_END NAME=pot\n"
    )
    path = tmp_path / "filmed.gcode"
    path.write_bytes(
        text + b"; no M486 S0 here\n; twinlapse shot 4 begin (layer 1, z 1.00)\n; twinlapse shot 4 end\n"
    )
    with file_bytes(path, "G-code file") as view:
        assert look_outside(view, read_fences(view))[1].current == (0, NOBODY, NAMED, NOBODY)
