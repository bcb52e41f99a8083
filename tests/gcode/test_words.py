"""Lines and words: what stands in a line and what it is read as."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from twinlapse.gcode import Kind, Toolpath

Read = Callable[..., Toolpath]


def last_move(path: Toolpath) -> tuple[float, float, float, float, float]:
    row = np.flatnonzero(path.kind == Kind.EXTRUDE)[-1]
    return (
        float(path.x_mm[row]),
        float(path.y_mm[row]),
        float(path.z_mm[row]),
        float(path.e_mm[row]),
        round(float(path.feed_mm_s[row]) * 60, 3),
    )


@pytest.mark.parametrize(
    "line",
    [
        "G1 X10 Y20 Z0.5 E1.5 F1800",
        "g1 x10 y20 z.5 e1.5 f1800",
        "G1X10Y20Z.5E1.5F1800",
        "G01 X10. Y+20 Z0.50 E+1.5 F1800.000",
        "G1 E1.5 F1800 Z0.5 Y20 X10",
        "G1\tX10\tY20\tZ0.5\tE1.5\tF1800\t",
        "  G1 X10 Y20 Z0.5 E1.5 F1800   ; outline",
        "G1 X10 (a pot) Y20 Z0.5 E1.5 F1800",
        "N7 G1 X10 Y20 Z0.5 E1.5 F1800",
        "G1 X 10 Y 20 Z 0.5 E 1.5 F 1800",
        "G1 X10 Y20 Z0.5 E1.5 F1800\r",
        "G1 X0000010.00000000000000000000000 Y20 Z0.5 E1.5 F1800",
        "F1800 G1 X10 Y20 Z0.5 E1.5",
        "X10 Y20 Z0.5 E1.5 F1800",
        "G1 X10 Y20 Z0.5 E1.5 F1800 ;" + 9000 * "-",
        "/ G1 X99\nG1 X10 Y20 Z0.5 E1.5 F1800",
        "G1 X10 Y20 Z0.5 E1.5 F1800 ; Schn\xe4ppchen",
        '%\nM117 X1 Y2\nG1 X10 Y20 Z0.5 E1.5 F1800 "S1"',
        "G1 X10 Y20 Z0.5 E1.5 F1800 X",
    ],
)
def test_one_move_in_many_spellings(line: str, read: Read) -> None:
    path = read(f"M83\n{line}\n".encode("latin-1"))
    assert last_move(path) == (10, 20, 0.5, 1.5, 1800)


@pytest.mark.parametrize(
    ("word", "value"),
    [
        ("X.5", 0.5),
        ("X-.07", -0.07),
        ("X+20", 20.0),
        ("X-0.00", 0.0),
        ("X7.", 7.0),
        ("X123456.789", 123456.789),
        ("X0.000001", 1e-6),
        ("X-12.3456789", -12.3456789),
        ("X98.7654321098765", 98.7654321098765),
        ("X" + "9" * 40, 1e9),  # no machine is larger
        ("X1E5", 1.0),  # no exponents: E begins a word
    ],
)
def test_numbers_are_read_to_the_last_bit(word: str, value: float, read: Read) -> None:
    # NIST RS274/NGC interpreter version 3, 3.3.2.1: optional sign, digits with at most one point, no exponent
    path = read(f"M83\nG1 Y1 E1\nG1 {word}\n")
    assert float(path.x_mm[-1]) == value


def test_no_final_newline_and_no_move_lost(read: Read) -> None:
    path = read(b"M83\nG1 X1 E1\nG1 X2 E1")
    assert float(path.x_mm[-1]) == 2 and path.line_count == 3


def test_line_ends_of_two_kinds(read: Read) -> None:
    text = "M83\nG1 X1 E1\nG1 X2 E1 ; pot\n;LAYER:1\nG1 X3 E1\n"
    plain, both = read(text), read(text.replace("\n", "\r\n"))
    np.testing.assert_array_equal(plain.x_mm, both.x_mm)
    np.testing.assert_array_equal(plain.line, both.line)
    assert [note.text for note in plain.notes] == [note.text for note in both.notes] == [";LAYER:1"]


def test_a_bare_line_repeats_the_motion(read: Read) -> None:
    # NIST RS274/NGC 3.4: G0 to G3 are modal
    path = read("M83\nG0 X5\nG3 X-5 Y0 I-5 J0 E1\nX5 Y0 I5 J0 E1\n")
    assert path.kind[-1] == Kind.EXTRUDE
    np.testing.assert_allclose(path.length_mm[-2:], np.pi * 5, rtol=1e-6)


def test_two_commands_in_one_line_are_both_read_and_reported(read: Read) -> None:
    path = read("M83\nM109 S200G1 X10 E1\nG1 X20 E1G1 X30 E2\nG21 G90 G17\n")
    assert path.x_mm[path.kind == Kind.EXTRUDE].tolist() == [10, 20, 30]
    codes = {notice.code: notice for notice in path.warnings}
    assert codes["glued-commands"].line == 2


@pytest.mark.parametrize(
    "line",
    [
        "START_PRINT BED=70 X=5",
        "print_start bed=70",
        "HEADER_START",
        "tmp/macro.g",
        "M117 X55 Y66",
        "M118 A1 G1 X55",
        "M23 X55.GCO",
        "; G1 X55",
        "(G1 X55)",
        "2.00000",
        "{if X55}",
        "<header>",
        "\xff\xfe\x00X55",
        "M486 AX55 pot",
    ],
)
def test_what_is_no_move_is_passed_over_whole(line: str, read: Read) -> None:
    path = read(f"M83\nG1 X1 E1\n{line}\nG1 Y1 E1\n".encode("latin-1"))
    assert path.x_mm.max() == 1 and path.y_mm[-1] == 1


def test_a_placeholder_is_reported_and_its_word_passed_over(read: Read) -> None:
    path = read("M83\nG1 X1 Y2 E1\nG1 X0 Y{machine_depth} ;Present print\n")
    assert (float(path.x_mm[-1]), float(path.y_mm[-1])) == (0, 2)
    assert "placeholder" in {notice.code for notice in path.warnings}


def test_checksums(read: Read) -> None:
    # RepRap host protocol: the exclusive or of the bytes before the asterisk
    def line(text: str, off: int = 0) -> str:
        total = 0
        for byte in text.encode():
            total ^= byte
        return f"{text}*{total ^ off}\n"

    good = read(line("N1 M83") + line("N2 G1 X1 E1") + line("N3 G1 X2 E1"))
    assert float(good.x_mm[-1]) == 2
    assert "bad-checksum" not in {notice.code for notice in good.warnings}
    bad = read(line("N1 M83") + line("N2 G1 X1 E1", 4))
    assert "bad-checksum" in {notice.code for notice in bad.warnings}


def test_notes_know_their_place(read: Read) -> None:
    text = "M83\n;LAYER:0\nG1 X1 E1\nG1 Z0.4 ; move to next layer (1)\nG1 X2 E1\n"
    path = read(text)
    first, second = path.notes
    assert (first.text, first.line, first.own_line) == (";LAYER:0", 2, True)
    assert path.line[first.row] == 3
    assert (second.line, second.own_line) == (4, False)
    assert path.line[second.row] == 5
    assert text.encode()[second.byte :].startswith(b"G1 Z0.4")


def test_a_crowded_line_is_bounded_and_reported(read: Read) -> None:
    path = read("M83\nG1 X1 E1\n" + "G1X2E1" * 5000 + "\nG1 X3 E1\n")
    assert float(path.x_mm[-1]) == 3
    assert "crowded-line" in {notice.code for notice in path.warnings}
