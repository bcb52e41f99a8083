"""Cue lines of every kind, in every dialect."""

from __future__ import annotations

import pytest

from twinlapse.errors import InjectError
from twinlapse.inject.cues import cue_line
from twinlapse.inject.dialects import MARLIN_BYTES, dialect_of
from twinlapse.rig import CueSettings
from twinlapse.shots import Cue, find_cue

CUE = Cue(shot=12, stop=1, cameras=("wide", "nozzle"))

# M118 E1: marlinfw.org/docs/gcode/M118.html; M118 message: Klipper docs/G-Codes.md, [respond];
# M118 S"msg": RepRapFirmware G-code dictionary, which reports an error without S
LINES = [
    ("marlin", "host", "", "M118 E1 twinlapse cue 12.1 wide+nozzle"),
    ("klipper", "host", "", "M118 twinlapse cue 12.1 wide+nozzle"),
    ("reprapfirmware", "host", "", 'M118 S"twinlapse cue 12.1 wide+nozzle"'),
    ("marlin", "display", "", "M117 twinlapse cue 12.1 wide+nozzle"),
    ("reprapfirmware", "display", "", 'M117 "twinlapse cue 12.1 wide+nozzle"'),
    ("marlin", "display", "Layer {layer}", "M117 Layer 7 ; twinlapse cue 12.1 wide+nozzle"),
    ("marlin", "pin", "", "M240 ; twinlapse cue 12.1 wide+nozzle"),
    ("klipper", "macro", "SNAP SHOT={shot}", "SNAP SHOT=12 ; twinlapse cue 12.1 wide+nozzle"),
    ("reprapfirmware", "macro", 'M98 P"snap.g"', 'M98 P"snap.g" ; twinlapse cue 12.1 wide+nozzle'),
    ("marlin", "comment", "", "; twinlapse cue 12.1 wide+nozzle"),
    ("marlin", "comment", "take {cameras}", "; take wide+nozzle ; twinlapse cue 12.1 wide+nozzle"),
    ("marlin", "none", "", "; twinlapse cue 12.1 wide+nozzle"),
]


@pytest.mark.parametrize(("firmware", "kind", "text", "line"), LINES)
def test_every_kind_is_written_and_found(firmware: str, kind: str, text: str, line: str) -> None:
    style = CueSettings(kind=kind, text=text)  # type: ignore[arg-type]
    written = cue_line(style, dialect_of(firmware), CUE, 7)
    assert written == line
    assert find_cue(written) == CUE


@pytest.mark.parametrize(
    ("kind", "text", "word"),
    [
        ("host", "a ; b", "';'"),
        ("host", "a\nG28", "meaning"),
        ("host", "sum*3", "meaning"),
        ("host", 'say "cheese"', "meaning"),
        ("host", "action:cancel", "action:"),
        ("host", "Schicht \u00fc", "meaning"),
        ("display", "{layers}", "unknown field"),
        ("display", "{shot.__class__}", "meaning"),
        ("macro", "", "empty"),
        ("macro", "G28", "meaning"),
        ("macro", "M104 S0", "meaning"),
        ("macro", "g1 X5", "meaning"),
        ("host", "x" * (MARLIN_BYTES + 1), "characters"),
    ],
)
def test_a_text_with_a_meaning_of_its_own_is_refused(kind: str, text: str, word: str) -> None:
    with pytest.raises(InjectError, match=word):
        cue_line(CueSettings(kind=kind, text=text), dialect_of("marlin"), CUE, 7)  # type: ignore[arg-type]


def test_unknown_firmware_is_refused() -> None:
    with pytest.raises(InjectError, match="name one of"):
        dialect_of("abacus")
