"""Whatever the bytes: no crash, no hang, columns that hang together, and the same ones uncompiled."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from twinlapse.errors import GcodeError
from twinlapse.gcode import Toolpath, find_layers, read_toolpath

COLUMNS = (
    "line", "byte", "kind", "mode", "tool", "x_mm", "y_mm", "z_mm", "e_mm", "e_word", "feed_mm_s",
    "length_mm", "retracted_mm", "dwell_s", "accel_mm_s2", "shift_row", "shift_mm", "setting_row",
    "setting_kind", "setting_value", "arc_row", "arc",
)  # fmt: skip

WORD = st.one_of(
    st.sampled_from(
        [
            "G0", "G1", "G2", "G3", "G4", "G10", "G11", "G17", "G18", "G19", "G20", "G21", "G28", "G53",
            "G90", "G91", "G92", "G92.1", "M82", "M83", "M101", "M103", "M104 S200", "M117", "M200",
            "M204", "M205", "M220", "M486", "M600", "T0", "T1", "T300", "T-1", "N5", "*33", "(", ")", ";",
            "{x}", "%", "/", '"', ";LAYER:1", "; layer 3, Z = 0.4", ";LAYER_CHANGE", ";Z:0.3",
            ";LAYER_COUNT:5", ";MESH:pot", "\n", "EXCLUDE_OBJECT_START NAME=pot",
            "SET_VELOCITY_LIMIT ACCEL=9", "\r", "\t", "\0", "o1 sub", "G1 X1 E1",
        ]
    ),
    st.builds(
        "{}{}".format,
        st.sampled_from("XYZEFIJKRPSABUDGMTN"),
        st.one_of(
            st.floats(-1e4, 1e4).map("{:.4f}".format),
            st.integers(-(10**25), 10**25).map(str),
            st.sampled_from(["", "-", ".", "+.5", "-.", "0", "1e5", "--1", "9" * 40 + "." + "9" * 40]),
        ),
    ),
)  # fmt: skip
TEXT = st.lists(st.tuples(WORD, st.sampled_from(["", " ", "\n", "\n"])), max_size=60).map(
    lambda parts: "".join(a + b for a, b in parts).encode()
)
ANY = st.one_of(TEXT, st.binary(max_size=300), st.tuples(TEXT, st.binary(max_size=40)).map(b"".join))


def check(path: Toolpath, size: int) -> None:
    n = len(path)
    assert n <= size
    for name in COLUMNS[:15]:
        assert len(getattr(path, name)) == n
    for name in COLUMNS[5:15]:
        assert np.isfinite(getattr(path, name)).all(), name
    assert np.isfinite(path.arc).all() and np.isfinite(path.shift_mm).all()
    assert (np.diff(path.line) >= 0).all() and (path.line >= 1).all() and (path.line <= path.line_count).all()
    assert (path.byte < size).all() and (path.length_mm >= 0).all() and (path.retracted_mm >= 0).all()
    for rows in (path.arc_row, path.shift_row, path.setting_row):
        assert (rows >= 0).all() and (rows <= n).all()
    layers = find_layers(path)
    assert len(layers) >= 1
    assert len(layers.first_row) == len(layers.first_line) == len(layers) + 1
    assert (np.diff(layers.first_row) > 0).all() and (np.diff(layers.first_line) >= 0).all()
    assert layers.first_row[-1] <= n and (layers.height_mm > 0).all()
    assert np.isfinite(layers.z_mm).all() and np.isfinite(layers.extruded_mm).all()


@pytest.fixture(scope="module")
def file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("bytes") / "pot.gcode"


@settings(
    max_examples=200,
    derandomize=True,
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow],
    database=None,
)
@given(ANY)
def test_any_bytes(file: Path, data: bytes) -> None:
    data += b"\nG1 X7 Y7 E1\n"
    file.write_bytes(data)
    try:
        path = read_toolpath(file)
    except GcodeError:
        return
    check(path, len(data))


@settings(
    max_examples=60,
    derandomize=True,
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow],
    database=None,
)
@given(st.lists(st.tuples(st.floats(-200, 200), st.floats(0, 50), st.floats(-2, 5)), min_size=1, max_size=40))
def test_relative_and_absolute_spellings_agree(file: Path, moves: list[tuple[float, float, float]]) -> None:
    # a law: the same path in G90/M82 and in G91/M83 words
    absolute, relative = ["G90", "M82", "G1 Y5 E1"], ["G91", "M83", "G1 Y5 E1"]
    x = z = 0.0
    e = 1.0
    for to_x, to_z, fed in ((round(a, 3), round(b, 3), round(c, 4)) for a, b, c in moves):
        e = round(e + fed, 4)
        absolute.append(f"G1 X{to_x:.3f} Z{to_z:.3f} E{e:.4f}")
        relative.append(f"G1 X{to_x - x:.3f} Z{to_z - z:.3f} E{fed:.4f}")
        x, z = to_x, to_z
    paths = []
    for lines in (absolute, relative):
        file.write_text("\n".join(lines) + "\n")
        paths.append(read_toolpath(file))
    for name in ("x_mm", "z_mm", "e_mm"):
        one, other = (getattr(path, name)[-len(moves) :] for path in paths)
        np.testing.assert_allclose(one, other, atol=1e-6)


def test_a_file_in_pieces_reads_like_a_whole_one(
    sliced_folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    file = sliced_folder / "towers_two_tools.gcode"
    whole = read_toolpath(file)
    monkeypatch.setattr("twinlapse.gcode.reader.PIECE_BYTES", 4999)
    pieces = read_toolpath(file)
    for name in COLUMNS:
        np.testing.assert_array_equal(getattr(whole, name), getattr(pieces, name))
    assert whole.notes == pieces.notes and whole.sha256 == pieces.sha256


def test_one_endless_line(tmp_path: Path) -> None:
    file = tmp_path / "pot.gcode"
    file.write_bytes(b"M83\nG1 X1 E1\n;" + b"x" * 9_000_000 + b"\nG1 X2 E1")
    assert float(read_toolpath(file).x_mm[-1]) == 2


UNCOMPILED = """
import sys
from pathlib import Path
import numpy as np
from twinlapse import jit
jit.kernel = jit.part_of_kernel = lambda function: function
from twinlapse.gcode import find_layers, read_toolpath
path = read_toolpath(Path(sys.argv[1]))
layers = find_layers(path)
np.savez(
    sys.argv[2], layer_row=layers.first_row, layer_z=layers.z_mm,
    **{name: getattr(path, name) for name in sys.argv[3].split(",")},
)
"""


@pytest.mark.parametrize("name", ["cube_start_end.gcode", "every rule"])
def test_compiled_and_uncompiled_columns_are_equal(name: str, sliced_folder: Path, tmp_path: Path) -> None:
    file = sliced_folder / name
    if name == "every rule":
        file = tmp_path / "rules.gcode"
        file.write_text(RULES)
    saved = tmp_path / "columns.npz"
    subprocess.run(
        [sys.executable, "-W", "error", "-c", UNCOMPILED, str(file), str(saved), ",".join(COLUMNS)],
        check=True,
    )
    path = read_toolpath(file)
    layers = find_layers(path)
    with np.load(saved) as other:
        for column in COLUMNS:
            np.testing.assert_array_equal(getattr(path, column), other[column], column)
        np.testing.assert_array_equal(layers.first_row, other["layer_row"])
        np.testing.assert_array_equal(layers.z_mm, other["layer_z"])


RULES = """%
N1 M83*35
G21 G90 G17
G28
M204 P800 T1500
G92 X5 E0
G1 X10 Y10 Z0.2 E1.5 F1800
G2 X20 Y20 I10 J0 E.5
G3 X10 Y10 R15 E0.5 ; arc
G10
G0 X0
G11
G20
G1 X1 E-.05
G21
M200 D1.75
G1 X30 E4
M200 D0
T1
G1 X40 E2M82
G4 P250
G92.1
M117 layer 3
; layer 2, Z = 0.4
G1 Z.4
G1 X123456789012345678901234567890.5 E9
X50.123456789012345678901 Y-0.00
G1 X{nothing} E1
""" + "".join(f"G1 X{k % 9}.{k} Y{k} E{k}.5\n" for k in range(60))
