"""When lines are taken and when motion ends, against what the firmwares' sources say."""

from __future__ import annotations

import pytest

from twinlapse.motion.stream import STREAM_RULES, dwell_of, next_move_s, stop_cost_s, take_lines
from twinlapse.rig import Printer
from twinlapse.rig.limits import Limits

CUE = "M118 twinlapse cue 1.1 wide"
OLD = ["M400", "G4 P300", CUE, "G4 P1000"]
KLIPPER = ["G4 P300", "M400", "M400", CUE, "G4 P1000"]
OTHERS = ["M400", "G4 P300", "M400", CUE, "G4 P1000"]


def cue_s(lines: list[str], firmware: str) -> float:
    """Seconds between standstill and the cue."""
    return next(line.taken_s for line in take_lines(lines, firmware) if line.text == CUE)


@pytest.mark.parametrize(
    ("firmware", "lines", "stood_s"),
    [
        # measured on the running firmware: 0.001 to 0.105 s, and 0.313 to 0.362 s
        ("klipper", OLD, 0.0),
        ("klipper", KLIPPER, 0.3),
        # G4 blocks: Marlin, gcode/motion/G4.cpp; RepRapFirmware, GCodes.cpp
        ("marlin", OLD, 0.3),
        ("marlin", OTHERS, 0.3),
        ("reprapfirmware", OTHERS, 0.3),
    ],
)
def test_a_cue_comes_when_its_line_is_taken(firmware: str, lines: list[str], stood_s: float) -> None:
    assert cue_s(lines, firmware) == pytest.approx(stood_s)


@pytest.mark.parametrize(("firmware", "lines"), [("klipper", KLIPPER), ("marlin", OTHERS)])
def test_the_machine_stands_for_the_dwell_after_the_cue(firmware: str, lines: list[str]) -> None:
    assert next_move_s(lines, firmware) - cue_s(lines, firmware) >= 1.0


@pytest.mark.parametrize("firmware", STREAM_RULES)
def test_without_a_wait_a_cue_comes_while_the_machine_moves(firmware: str) -> None:
    assert cue_s([CUE], firmware) < 0


def test_what_a_stop_costs_is_known_where_it_was_measured() -> None:
    # the running firmware: +0.298 s a stop (0.25 s to start again, 0.05 s of asking in the mean)
    assert STREAM_RULES["klipper"].stop_s == pytest.approx(0.298, abs=0.01)
    assert STREAM_RULES["marlin"].stop_s == 0.0


def test_a_dwell_is_read_as_the_firmware_reads_it() -> None:
    assert dwell_of("G4 P250", "marlin") == 0.25
    assert dwell_of("G4 S2 P250", "marlin") == 2.0  # Marlin, G4.cpp: S is read last
    assert dwell_of("G4 S2", "klipper") == 0.0  # toolhead.py, cmd_G4: P alone
    assert dwell_of("G40", "marlin") is None


def test_the_rigs_own_measured_cost_of_a_stop_wins() -> None:
    printer = Printer(bed_mm=(200, 200), height_mm=200, firmware="klipper", limits=Limits(stop_s=0.41))
    assert stop_cost_s(printer) == 0.41
