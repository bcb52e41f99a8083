"""What each firmware takes, against its own sources; Klipper's column is run in tests/firmware."""

from __future__ import annotations

import random
from collections import Counter
from pathlib import Path

import pytest
from click.testing import CliRunner

from twinlapse.cli.analyse import command as analyse
from twinlapse.gcode.acceptance import ACCEPTANCE_RULES, accept
from twinlapse.gcode.line_features import Feature, features_of

# a line with each feature; others that only look alike
LINES = {
    "g1 X1": Feature.LOWERCASE,
    "X10 Y5": Feature.NO_COMMAND,
    "F1800 G1 X1": Feature.FEED_FIRST,
    "M109 S200G1 X5": Feature.GLUED,
    "G1 X5 (text)": Feature.PARENTHESES,
    "G01 X5": Feature.LEADING_ZERO,
    "G20": Feature.INCHES,
    "G3 X5 Y5 R3": Feature.ARC_RADIUS,
    "G53 G1 X5": Feature.MACHINE_PLACES,
    "G92.1": Feature.ORIGIN_RESET,
    "G10 P0 S200": Feature.G10_WORDS,
    "G10": Feature.FW_RETRACT,
    "G4 S2": Feature.DWELL_SECONDS,
    "M204 P500": Feature.M204_HALF,
    "T1": Feature.TOOL,
    "G1 X0 Y{machine_depth}": Feature.PLACEHOLDER,
    "SET_PIN PIN=a": Feature.EXTENDED,
    "M600": Feature.WAIT_FOR_PERSON,
    "M200 D1.75": Feature.VOLUMETRIC,
    "M205 X8": Feature.LIMITS,
    "M118 hello": Feature.HOST_LINE_BARE,
    "M117 hello": Feature.DISPLAY,
    "M117 " + "x" * 78: Feature.LONG_82,
    "M117 " + "x" * 91: Feature.LONG_95,
    "M117 " + "x" * 251: Feature.LONG_255,
    "EXCLUDE_OBJECT_START NAME=a": Feature.OBJECTS,
    "PAUSE": Feature.PAUSE,
}
ORDINARY = (
    "G1 X5 Y6 E0.1 F1200", "G1 X5 ; (text) {x} g1", "; G20", "M117 (hello) {a}", "T0", "M104 S200",
    "N7 G1 X1", 'M118 S"hello"', "G92 E0", "M204 P500 T700", "M204 S500", "G4 P500", "", "   ", "G28 X",
    "; \u00e4",
)  # fmt: skip


@pytest.mark.parametrize("line", LINES)
def test_a_feature_is_found_with_its_line(line: str) -> None:
    found = features_of(f"G28\n;x\n{line}\nG1 X1\n{line}\n".encode())
    assert found[LINES[line]] == (2, 3)


@pytest.mark.parametrize("line", ORDINARY)
def test_an_ordinary_line_has_none(line: str) -> None:
    found = set(features_of(f"{line}\n".encode()))
    assert found <= {Feature.DISPLAY, Feature.HOST_LINE}


def test_features_of_the_whole_file() -> None:
    found = features_of(b"G91\nG2 X1 I1\nG90\nG2 X1 I1\n; \xe9t\xe9\nG1 X1")
    assert found[Feature.ARC_RELATIVE] == (1, 2) and found[Feature.ARC] == (2, 2)
    assert found[Feature.NOT_UTF8] == (1, 5) and found[Feature.NO_LINE_END] == (1, 6)
    assert features_of("; \u00e9t\u00e9\n".encode()) == {}


def test_lines_are_counted_over_pieces(monkeypatch: pytest.MonkeyPatch) -> None:
    text = b"".join(b"G1 X%d Y2\n" % k + (b"G01 X1\n" if k % 50 == 0 else b"") for k in range(1000))
    whole = features_of(text)
    monkeypatch.setattr("twinlapse.gcode.line_features.STEP_BYTES", 100)
    assert features_of(text) == whole == {Feature.LEADING_ZERO: (20, 2)}


@pytest.mark.parametrize("firmware", ACCEPTANCE_RULES)
def test_the_gravest_comes_first(firmware: str, tmp_path: Path) -> None:
    path = tmp_path / "all.gcode"
    path.write_text("\n".join(LINES))
    fates = [finding.rule.fate for finding in accept(path, firmware)]
    order = ["error", "dropped", "otherwise", "ignored"]
    assert fates == sorted(fates, key=order.index) and fates


def test_analyse_names_line_and_count_and_follows_the_rigs_firmware(tmp_path: Path) -> None:
    gcode, rig = tmp_path / "a.gcode", tmp_path / "rig.toml"
    gcode.write_text("G28\nG90\nM82\nG1 Z0.2 F600\nG1 X10 Y10 E1\nG01 X20 E2\nG01 X30 E3\n")
    rig.write_text(
        '[printer]\nbed_mm = [220, 220]\nheight_mm = 250\nfirmware = "klipper"\n'
        '[[camera]]\nname = "wide"\nmount = "frame"\n'
    )
    said = CliRunner().invoke(analyse, [str(gcode), "--rig", str(rig)])
    assert said.exit_code == 0, said.output
    assert "line 6: klipper does not know G01 and the like (2 lines)" in said.output
    assert "G01" not in CliRunner().invoke(analyse, [str(gcode), "--firmware", "marlin"]).output


def test_a_file_has_what_its_lines_have() -> None:
    """Moves are sieved by whole columns: every line must count as if it stood alone, in any company."""
    lines = [
        b"G1 X1 Y2",
        b"G1 x1",
        b"g1 X2",
        b"G0 X5 (a)",
        b";c {x}",
        b"G1 X{d}",
        b"G2 X1 R5",
        b"M118 hi",
        b"",
        b"\r",
        b"G1",
        b"G1 ",
        b"G",
        b"X5",
        b"F100 G1 X1",
        b"G1 X1 G1 Y2",
        b"M109 S200G1 X5",
        b"G1 X" + b"1" * 90,
        b"G1 X" + b"1" * 79 + b" ; long",
        b"M117 \xc3\xa4",
        b" G1 X5",
        b"\tM0",
        b"PAUSE",
        b"G01 X5",
        b"T1",
        b"\xff",
    ]
    draw = random.Random(11)
    for _ in range(300):
        chosen = [draw.choice(lines) for _ in range(draw.randrange(1, 14))]
        alone: Counter[Feature] = Counter()
        for line in chosen:
            alone.update({feature: count for feature, (count, _) in features_of(line + b"\n").items()})
        found = features_of(b"\n".join(chosen) + b"\n")
        assert {feature: count for feature, (count, _) in found.items()} == alone
        for feature, (_, first) in found.items():
            before = features_of(b"\n".join(chosen[: first - 1]) + b"\n") if first > 1 else {}
            assert feature not in before and feature in features_of(chosen[first - 1] + b"\n")
