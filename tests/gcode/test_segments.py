"""Arcs, helices and slopes as segments, against the closed forms of circle and helix."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest

from twinlapse.gcode import Toolpath, find_layers, segment_kernels, segments
from twinlapse.gcode.segment_kernels import cut_rows, pieces_of
from twinlapse.gcode.segments import line_sizes, points_along, printed_box, printed_boxes, segments_of

Read = Callable[..., Toolpath]
HEAD = "G28\nG90\nM83\n"

# plane, words of a full circle of radius 30 around (100, 100, 40) in it, from where
CIRCLES = {
    "G17": ("G0 X130 Y100 Z40\nG3 I-30 J0 E9\n", (0, 1)),
    "G18": ("G0 X100 Y100 Z70\nG3 I0 K-30 E9\n", (2, 0)),
    "G19": ("G0 X100 Y130 Z40\nG3 J-30 K0 E9\n", (1, 2)),
}


@pytest.mark.parametrize("plane", CIRCLES)
@pytest.mark.parametrize("chord_mm", [0.005, 0.02, 0.2])
def test_a_circle_is_cut_to_the_chord_error_and_no_finer_than_need_be(
    read: Read, plane: str, chord_mm: float
) -> None:
    text, (a, b) = CIRCLES[plane]
    cut = segments_of(read(f"{HEAD}{plane}\n{text}"), chord_mm=chord_mm)
    centre = np.array([100.0, 100.0, 40.0])
    middles = (cut.first_mm + cut.last_mm) / 2 - centre
    sagitta = 30 - np.hypot(middles[:, a], middles[:, b])
    assert sagitta.max() <= chord_mm
    assert sagitta.max() > 0.9 * chord_mm  # one piece less and it would not hold
    assert np.hypot(*(cut.first_mm - centre)[:, [a, b]].T) == pytest.approx(30)
    assert cut.first_mm[1:] == pytest.approx(cut.last_mm[:-1], abs=1e-9)  # without a gap
    assert cut.length_mm.sum() == pytest.approx(2 * math.pi * 30, rel=2e-2 * chord_mm)
    low, high = centre.copy(), centre.copy()
    low[[a, b]] -= 30
    high[[a, b]] += 30
    box = printed_box(read(f"{HEAD}{plane}\n{text}"))
    assert box.low_mm == pytest.approx(low)
    assert box.high_mm == pytest.approx(high)


def test_a_helix_rises_evenly(read: Read) -> None:
    cut = segments_of(read(HEAD + "G0 X110 Y100 Z1\nG2 X90 Y100 Z5 I-10 J0 P3 E9\n"))
    assert cut.length_mm.sum() == pytest.approx(math.hypot(5 * math.pi * 10, 4), rel=1e-3)
    turned = np.unwrap(np.arctan2(cut.last_mm[:, 1] - 100, cut.last_mm[:, 0] - 100))
    assert cut.last_mm[:, 2] == pytest.approx(1 + 4 * -turned / (5 * math.pi))
    assert (turned[1:] < turned[:-1]).all()  # clockwise


def test_a_slope_keeps_both_heights(read: Read) -> None:
    cut = segments_of(read(HEAD + "G0 X10 Y10 Z60\nG1 X110 Z10 E5\nG1 X10 Z60 E5\n"))
    assert cut.first_mm.tolist() == [[10, 10, 60], [110, 10, 10]]
    assert cut.last_mm.tolist() == [[110, 10, 10], [10, 10, 60]]
    points = points_along(cut, 0.5)
    assert points[:, 2] == pytest.approx(60 - (points[:, 0] - 10) / 2)


def test_travels_wipes_and_primes_are_not_printed(read: Read) -> None:
    path = read(HEAD + "G0 X10 Y10 Z1\nG1 E5\nG1 X20 E1\nG1 X30 E-1\nG1 X40\nG1 E1\nG1 Y40 E1\n")
    assert path.line[segments_of(path).row].tolist() == [6, 10]


def test_letters_units_offsets_and_modes_do_not_move_what_is_printed(read: Read) -> None:
    plain = segments_of(read(HEAD + "G0 X25.4 Y50.8 Z2.54\nG1 X50.8 E1\nG3 X76.2 Y50.8 I12.7 J0 E2\n"))
    inches = read("G28\nG20\nG90\nM83\nG0 X1 Y2 Z.1\nG1 X2 E.1\nG3 X3 Y2 I.5 J0 E.2\n")
    offset = read(
        "G28\nG90\nM83\nG0 X25.4 Y50.8 Z2.54\nG92 X0 Y0\nG91\nG1 X25.4 E1\nG3 X25.4 Y0 I12.7 J0 E2\n"
    )
    letter = read("M104 S200\nG28\nG90\nG92 A0\nG0 X25.4 Y50.8 Z2.54\nG1 X50.8 A1\nG3 X76.2 Y50.8 R12.7 A3\n")
    for other in (inches, offset, letter):
        cut = segments_of(other)
        assert cut.first_mm == pytest.approx(plain.first_mm)
        assert cut.last_mm == pytest.approx(plain.last_mm)


def test_chunks_join_inside_an_arc(read: Read, monkeypatch: pytest.MonkeyPatch) -> None:
    path = read(HEAD + "G0 X110 Y100 Z1\nG1 X120 E1\nG3 I-20 J0 E9\nG1 Y90 E1\n")
    whole = segments_of(path)
    monkeypatch.setattr(segments, "_CHUNK", 7)
    pieced = segments_of(path)
    for name in ("row", "first_mm", "last_mm"):
        assert (getattr(pieced, name) == getattr(whole, name)).all()


def test_uncompiled_the_segments_are_the_same(read: Read, monkeypatch: pytest.MonkeyPatch) -> None:
    path = read(HEAD + "G0 X110 Y100 Z1\nG1 X120 E1\nG18\nG3 X118 Z5 R4 E9\nG17\nG2 I-20 J0 E9\n")
    compiled = segments_of(path)
    monkeypatch.setattr(segment_kernels, "pieces_of", getattr(pieces_of, "py_func", pieces_of))
    monkeypatch.setattr(segments, "cut_rows", getattr(cut_rows, "py_func", cut_rows))
    plain = segments_of(path)
    assert plain.first_mm == pytest.approx(compiled.first_mm, abs=1e-12)
    assert plain.last_mm == pytest.approx(compiled.last_mm, abs=1e-12)


def test_an_arc_of_any_size_has_few_pieces() -> None:
    count = getattr(pieces_of, "py_func", pieces_of)
    assert count(1e9, 2 * math.pi * 9999, 0.02) == 16_384
    assert count(0.001, 2 * math.pi, 0.02) == 4  # smaller than the error, and still no dot


def test_boxes_between_rows(read: Read) -> None:
    path = read(HEAD + "G0 X10 Y10 Z1\nG1 X20 E1\nG0 X50 Y50\nG1 X60 Z2 E1\nG2 X80 Y50 I10 J0 E1\n")
    boxes = printed_boxes(path, np.array([0, 5, len(path)]))
    assert boxes.low_mm.tolist() == [[10, 10, 1], [50, 50, 1]]
    assert boxes.high_mm == pytest.approx(np.array([[20, 10, 1], [80, 60, 2]]))


def test_width_and_height_of_a_line_hold_its_material(read: Read) -> None:
    """0.48 mm wide, 0.2 mm high and 20 mm long: the volume of a stadium's prism over the filament's disc."""
    area = (0.48 - 0.2) * 0.2 + math.pi * 0.2**2 / 4
    feed = area * 20 / (math.pi * 1.75**2 / 4)
    lines = "".join(f"G1 X{x} Y{10 + k} E{feed:.5f}\nG0 Y{11 + k}\n" for k, x in enumerate((30, 10) * 8))
    path = read(HEAD + "G0 X10 Y10 Z.2\n" + lines)
    rows = segments_of(path).row
    width, height = line_sizes(path, find_layers(path), rows, filament_mm=1.75, nozzle_mm=0.4)
    assert width == pytest.approx(np.full(16, 0.48), abs=1e-4)
    assert height == pytest.approx(np.full(16, 0.2))
