"""Files that are no filament print: one line that says what they look like instead."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from twinlapse.errors import FileProblemError, GcodeError, NotAPrintError
from twinlapse.gcode import Toolpath, read_toolpath

Read = Callable[..., Toolpath]

MILLING = """%
(PLANT LABEL, 3MM END MILL)
G21 G90 G17
T1 M6
S12000 M3
G0 X0 Y0 Z5
G1 Z-1 F100
G1 X20 F400
G2 X30 Y10 I0 J10
G1 Z-2
G0 Z5
M5
M30
%
"""
LASER = """; laser engraving of a plant label
G21
G90
M4 S0
G0 X0 Y0
G1 X20 S255 F1500
G1 Y20
G0 X0 S0
M5
"""
PLOTTER = "G21\nG90\nG0 X0 Y0\nG1 X10 Y10 F900\nG1 X20 Y0\n"
O_WORDS = "o100 sub\nG1 X[#1] Y2\no100 endsub\nO100 call [5]\nG0 X1\nM2\n"
RESIN = """;fileName:pot
;resin:basic
G21;
G91;
;LAYER_START:0
M6054 "1.png";
G0 Z5 F65;
G0 Z-4.95 F150;
M106 S255;
"""
COLD = "M104 S200\nG28\nG1 X10 Y10 F900\nG1 X20\n"


@pytest.mark.parametrize(
    ("text", "word"),
    [
        (MILLING, "milling"),
        (LASER, "laser"),
        (PLOTTER, "extrudes"),
        (O_WORDS, "O-words"),
        (RESIN, "resin"),
        (COLD, "extrudes"),
        ("Grow the seedlings at 20 degrees.\nWater them.\n", "no G-code"),
        ("\n\n\n", "no G-code"),
        (";LAYER:0\n;LAYER:1\n", "no G-code"),
    ],
)
def test_what_it_looks_like(text: str, word: str, read: Read) -> None:
    with pytest.raises(NotAPrintError) as caught:
        read(text)
    message = str(caught.value)
    assert word in message and "label.gcode" in message and "\n" not in message


@pytest.mark.parametrize(
    ("data", "word"),
    [
        (b"\x89PNG\r\n\x1a\n" + bytes(100), "PNG"),
        (b"PK\x03\x04" + bytes(100), "ZIP"),
        (b"\x1f\x8b\x08" + bytes(100), "gzip"),
        (b"GCDE" + bytes(100), "binary packing"),
        (bytes(range(256)) * 40, "binary"),
        ("M83\nG1 X1 E1\n".encode("utf-16"), "UTF-16"),
        (b"solid pot\nfacet normal 0 0 1\n", "STL"),
    ],
)
def test_what_is_no_text(data: bytes, word: str, read: Read) -> None:
    with pytest.raises(NotAPrintError, match=word):
        read(data)


def test_no_file_a_folder_and_nothing_in_it(tmp_path: Path) -> None:
    empty = tmp_path / "empty.gcode"
    empty.touch()
    for path, word in ((tmp_path / "none.gcode", "no such"), (tmp_path, "folder"), (empty, "empty")):
        with pytest.raises(FileProblemError, match=word):
            read_toolpath(path)


def test_an_unknown_firmware(read: Read) -> None:
    with pytest.raises(GcodeError, match="unknown firmware"):
        read("M83\nG1 X1 E1\n", firmware="martian")


def test_utf8_with_a_mark_at_its_head(read: Read) -> None:
    path = read(b"\xef\xbb\xbfM83\nG1 X1 E1\n")
    assert len(path) == 2
