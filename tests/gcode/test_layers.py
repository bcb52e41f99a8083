"""Layers from comments of every style and from geometry, and what misleads a reader of either.

The traps were counted in real files of some 25 programs; each test makes a small file that has one.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest

from twinlapse.gcode import Toolpath, find_layers

Read = Callable[..., Toolpath]
Square = Callable[..., str]

START = "M83\nG90\nG28\nM109 S205\n"
END = "G1 E-2 F2400\nG91\nG1 Z5\nG90\nG28 X0\nM84\n"
Z = [0.2 * (k + 1) for k in range(6)]

STYLES = {
    "colon": lambda k, z: f";LAYER:{k}",
    "blank and colon": lambda k, z: f"; LAYER:{k}",
    "colon and blank": lambda k, z: f"; layer: {k}",
    "blank": lambda k, z: f";LAYER {k}",
    "of": lambda k, z: f"; layer {k + 1} of 6",
    "slash": lambda k, z: f";LAYER:{k}/6",
    "number": lambda k, z: f"; Layer number: {k}",
    "change, Z and HEIGHT": lambda k, z: f";LAYER_CHANGE\n;Z:{z:.2f}\n;HEIGHT:0.2",
    "change between before and after": lambda k, z: (
        f";BEFORE_LAYER_CHANGE\n;{z:.2f}\nG92 E0\n;LAYER_CHANGE\n;Z:{z:.2f}\n;AFTER_LAYER_CHANGE\n;{z:.2f}"
    ),
    "change, Z_HEIGHT": lambda k, z: f"; CHANGE_LAYER\n; Z_HEIGHT: {z:.2f}\n; LAYER_HEIGHT: 0.2",
    "layer, Z": lambda k, z: f"; layer end\n; layer {k + 1}, Z = {z:.3f}",
    "object layer": lambda k, z: f"; BEGIN_LAYER_OBJECT z={z:.3f}",
    "dashed": lambda k, z: f";; --- layer {k} (0.200 @ {z:.3f}",
    "dashed, plain": lambda k, z: f"; ---- Layer {k} ----",
    "tag in brackets": lambda k, z: f"(</layer>)\n(<layer> {z:.2f} )",
    "tag": lambda k, z: "; <layer>",
    "slice": lambda k, z: f"(Slice {k}, {z:.2f})",
    "printing layer": lambda k, z: f"; printing layer {k}",
    "next": lambda k, z: f"G1 Z{z:.3f} F7800 ; move to next layer ({k})",
    "statistics": lambda k, z: f"SET_PRINT_STATS_INFO CURRENT_LAYER={k + 1}",
    "display": lambda k, z: f"M117 Layer {k + 1} of 6",
    "height only": lambda k, z: f"; Z:{z:.2f}",
}  # fmt: skip


@pytest.mark.parametrize("style", STYLES)
def test_a_style_of_marks(style: str, read: Read, square: Square) -> None:
    mark = STYLES[style]
    text = START + "".join(mark(k, z) + "\n" + square(z) for k, z in enumerate(Z)) + "; layer end\n" + END
    path = read(text)
    layers = find_layers(path)
    assert layers.source == "comments"
    np.testing.assert_allclose(layers.z_mm, Z, atol=1e-6)
    np.testing.assert_allclose(layers.height_mm, 0.2, atol=1e-6)
    assert not layers.sequential and not layers.spiral and not layers.warnings
    lines = text.splitlines()
    for first in layers.first_line[:-1]:
        words = lines[first - 1].lower()
        assert any(word in words for word in ("layer", "slice", "z:"))
        assert words != "; layer end"
    material = 4 * 0.04 * (20 + 19.2 + 18.4 + 17.6)
    np.testing.assert_allclose(layers.extruded_mm, material, atol=1e-3)


def test_no_marks(read: Read, square: Square) -> None:
    layers = find_layers(read(START + "".join(square(z) for z in Z) + END))
    assert layers.source == "geometry"
    np.testing.assert_allclose(layers.z_mm, Z)


def test_layers_are_whole_and_in_order(read: Read, square: Square) -> None:
    path = read(START + "".join(f";LAYER:{k}\n" + square(z) for k, z in enumerate(Z)) + END)
    layers = find_layers(path)
    for k, z in enumerate(Z):
        inside = slice(int(layers.first_row[k]), int(layers.first_row[k + 1]))
        np.testing.assert_allclose(path.z_mm[inside], z)
        assert path.line[inside][0] >= layers.first_line[k]
        assert path.line[inside][-1] < layers.first_line[k + 1]


def test_stated_count_lies(read: Read, square: Square) -> None:
    text = ";LAYER_COUNT:7\n" + START + "".join(f";LAYER:{k}\n" + square(z) for k, z in enumerate(Z))
    layers = find_layers(read(text))
    assert len(layers) == 6
    assert [notice.code for notice in layers.warnings] == ["count-differs"]


def test_empty_marks_join_the_next_layer(read: Read, square: Square) -> None:
    text = (
        START
        + ";LAYER:0\n"
        + square(0.2)
        + ";LAYER:1\nG0 X1 Y1\n;LAYER:2\n"
        + square(0.4)
        + ";LAYER:3\nG0 X0\n"
    )
    assert len(find_layers(read(text))) == 2


def test_two_marks_a_height_make_one_layer(read: Read, square: Square) -> None:
    text = START + "".join(f"T{t}\n; <layer>\n" + square(z, x=50 + 60 * t) for z in Z for t in (0, 1))
    assert len(find_layers(read(text))) == 6


def test_raft_is_told_apart_and_the_height_steps_back_after_it(read: Read, square: Square) -> None:
    heights = [0.3, 0.6, 1.0, 0.95, 1.15]
    numbers = [-3, -2, 0, 1, 2]  # the number leaps over -1
    text = START + "".join(f";LAYER:{n}\n" + square(z) for n, z in zip(numbers, heights, strict=True))
    layers = find_layers(read(text))
    np.testing.assert_allclose(layers.z_mm, heights)
    assert layers.raft.tolist() == [True, True, False, False, False]
    assert not layers.sequential
    assert np.all(layers.height_mm > 0)


def test_raft_named_by_kind(read: Read, square: Square) -> None:
    text = START + ";LAYER:0\n;TYPE:RAFT\n" + square(0.3) + ";LAYER:1\n;TYPE:WALL-OUTER\n" + square(0.5)
    assert find_layers(read(text)).raft.tolist() == [True, False]


@pytest.mark.parametrize("marked", [True, False])
@pytest.mark.parametrize(
    "prime",
    [
        "G1 X0.1 Y20 Z0.3\nG1 X0.1 Y200 E15\nG1 X0.4 Y200\nG1 X0.4 Y20 E30\nG92 E0\nG1 Z2\n",
        "G1 Z15\nG1 X0 Y-3 E9\nG92 E0\n",
        "G1 X2 Y2 Z0.15\nG1 X2 Y180 E20\n",
        "G1 Z0.2\nG1 E6 F300\n",
    ],
    ids=["edge of the bed", "high", "lower than the print", "on the spot"],
)
def test_prime_lines_are_no_layer(prime: str, marked: bool, read: Read, square: Square) -> None:
    body = "".join((f";LAYER:{k}\n" if marked else "") + square(z) for k, z in enumerate(Z))
    layers = find_layers(read(START + prime + body + END))
    np.testing.assert_allclose(layers.z_mm, Z)


@pytest.mark.parametrize("marked", [True, False])
def test_one_object_after_the_other(marked: bool, read: Read, square: Square) -> None:
    text = START
    for x, name in ((30, "pot.stl"), (120, "label.stl")):
        text += f";LAYER_COUNT:6\n;MESH:{name}\n"
        for k, z in enumerate(Z):
            text += (f";LAYER:{k}\n" if marked else "") + square(z, x=x)
        text += "G0 Z20\n;MESH:NONMESH\n"
    layers = find_layers(read(text + END))
    np.testing.assert_allclose(layers.z_mm, Z * 2)
    assert layers.sequential
    assert layers.object.tolist() == [0] * 6 + [1] * 6
    assert layers.objects == ("pot.stl", "label.stl")
    np.testing.assert_allclose(layers.height_mm, 0.2, atol=1e-6)
    assert not layers.warnings


def test_several_prints_joined(read: Read, square: Square) -> None:
    one = (
        "G28\nM109 S205\nG92 E0\nG1 X0.1 Y20 Z0.3\nG1 X0.1 Y200 E15\nG92 E0\n"
        + "".join(square(z) for z in Z)
        + "G28 X0\nM84\n"
    )
    layers = find_layers(read("M83\n" + one * 4))
    np.testing.assert_allclose(layers.z_mm, Z * 4)
    assert layers.object.max() == 3
    assert "prints-joined" in [notice.code for notice in layers.warnings]


def test_heights_of_several_objects_interleave(read: Read, square: Square) -> None:
    heights = [0.263, 0.278, 0.526, 0.541, 0.789, 0.804]
    text = START + "".join(square(z, x=30 + 60 * (k % 2)) for k, z in enumerate(heights))
    layers = find_layers(read(text))
    np.testing.assert_allclose(layers.z_mm, heights)
    assert not layers.sequential


def test_prime_tower_that_lags_behind(read: Read, square: Square) -> None:
    text = START
    for z in Z:
        text += square(z) + square(max(z - 0.4, 0.2), x=150, side=8) + square(z, x=90)
    layers = find_layers(read(text))
    np.testing.assert_allclose(layers.z_mm, Z)
    assert not layers.sequential


def test_hops_and_wipes_are_no_layers(read: Read, square: Square) -> None:
    text = START
    for z in Z:
        text += (
            square(z) + f"G1 X51 E-0.3\nG1 X52 E-0.3\nG1 E-0.4\nG0 Z{z + 0.6}\nG0 X80 Y80\nG0 Z{z}\nG1 E1\n"
        )
        text += "G1 X90 Y80 E0.4\n"
    assert len(find_layers(read(text))) == 6


def test_a_seam_that_ramps_up_is_no_layer_of_its_own(read: Read, square: Square) -> None:
    text = START
    for z in Z:
        text += square(z) + f"G0 X50 Y50 Z{z - 0.15:.3f}\n"
        text += "".join(f"G1 X{50 + k} Y50 Z{z - 0.15 + 0.03 * k:.3f} E0.02\n" for k in range(1, 6))
        text += "G1 X70 Y50 E0.6\nG1 X70 Y70 E0.8\nG1 X50 Y70 E0.8\nG1 X50 Y50 E0.8\n"
    np.testing.assert_allclose(find_layers(read(text)).z_mm, Z, atol=1e-6)


def _spiral(turns: int, radius: Callable[[float], float], step: float = 0.3, points: int = 60) -> str:
    lines = [f"G0 X{100 + radius(0):.3f} Y100 Z0.5"]
    for k in range(1, turns * points + 1):
        angle = 2 * math.pi * k / points
        r = radius(angle)
        x, y = 100 + r * math.cos(angle), 100 + r * math.sin(angle)
        lines.append(f"G1 X{x:.3f} Y{y:.3f} Z{0.5 + step * k / points:.3f} E0.08")
    return "\n".join(lines) + "\n"


SHAPES = {
    "round": lambda a: 20.0,
    "fluted": lambda a: 20.0 + 3 * math.cos(12 * a),
    "clockwise star": lambda a: 15.0 + 6 * math.cos(5 * a),
}


@pytest.mark.parametrize("shape", SHAPES)
def test_a_spiral_has_as_many_layers_as_turns(shape: str, read: Read, square: Square) -> None:
    text = START + square(0.2) + square(0.5) + _spiral(25, SHAPES[shape])
    if shape.startswith("clockwise"):
        text = text.replace(" Y1", " Y-1").replace(" Y9", " Y-9").replace(" Y8", " Y-8")
    layers = find_layers(read(text))
    assert layers.source == "turns" and layers.spiral
    assert len(layers) == 2 + 25
    np.testing.assert_allclose(layers.z_mm[2:], 0.5 + 0.3 * np.arange(1, 26), atol=0.03)


def test_a_spiral_with_a_mark_a_turn(read: Read, square: Square) -> None:
    text = START + ";LAYER:0\n" + square(0.2) + ";LAYER:1\n" + square(0.5)
    lines = _spiral(20, SHAPES["round"]).splitlines()
    for k in range(20):
        text += f";LAYER:{k + 2}\n" + "\n".join(lines[k * 60 + (k > 0) : (k + 1) * 60 + 1]) + "\n"
    layers = find_layers(read(text))
    assert layers.source == "comments" and layers.spiral and len(layers) == 22


def test_a_spiral_with_a_mark_a_move_is_read_by_its_turns(read: Read) -> None:
    lines = _spiral(20, SHAPES["round"]).splitlines()
    text = START + "".join(
        f";LAYER_CHANGE\n;Z:{0.3 + k * 0.005:.3f}\n{line}\n" for k, line in enumerate(lines)
    )
    layers = find_layers(read(text))
    assert layers.source == "turns" and len(layers) == 20
    assert [notice.code for notice in layers.warnings] == ["comments-overruled"]


def test_a_spiral_that_rises_once_a_round(read: Read) -> None:
    text = START + "G0 X120 Y100 Z0.2\n"
    for turn in range(10):
        for k in range(1, 41):
            angle = 2 * math.pi * k / 40
            rise = f" Z{0.2 + 0.2 * (turn + 1):.2f}" if k == 40 else ""
            text += f"G1 X{100 + 20 * math.cos(angle):.3f} Y{100 + 20 * math.sin(angle):.3f}{rise} E0.1\n"
    assert len(find_layers(read(text))) in (10, 11)


def test_curved_paths_have_no_layers(read: Read) -> None:
    text = START
    for layer in range(8):
        for row in range(15):
            text += f"G0 X50 Y{50 + row} Z{0.4 + 0.3 * layer:.3f}\n"
            for k in range(1, 21):
                z = 0.4 + 0.3 * layer + 2 * math.sin(math.pi * k / 20)
                text += f"G1 X{50 + k} Y{50 + row} Z{z:.3f} E0.05\n"
    layers = find_layers(read(text))
    assert [notice.code for notice in layers.warnings] == ["no-layers"]
    assert len(layers) == 1


def test_curved_paths_with_marks_keep_them(read: Read) -> None:
    text = START
    for layer in range(8):
        text += f";LAYER:{layer}\n"
        for row in range(15):
            text += f"G0 X50 Y{50 + row} Z{0.4 + 0.3 * layer:.3f}\n"
            for k in range(1, 21):
                z = 0.4 + 0.3 * layer + 2 * math.sin(math.pi * k / 20)
                text += f"G1 X{50 + k} Y{50 + row} Z{z:.3f} E0.05\n"
    layers = find_layers(read(text))
    assert layers.source == "comments" and len(layers) == 8


def test_marks_of_something_else_are_overruled(read: Read, square: Square) -> None:
    many = [0.2 * (k + 1) for k in range(30)]
    text = START + "M117 Layer 1 first\n" + "".join(square(z) for z in many[:15])
    text += "M117 layer 16 change colour\nM600\n" + "".join(square(z) for z in many[15:])
    layers = find_layers(read(text))
    assert len(layers) == 30 and layers.source == "geometry"
    assert [notice.code for notice in layers.warnings] == ["comments-overruled"]


def test_a_first_layer_without_a_mark(read: Read, square: Square) -> None:
    text = START + "".join(square(z) + f"; LAYER_CHANGE\n;Z:{z + 0.2:.2f}\n" for z in Z)
    layers = find_layers(read(text))
    np.testing.assert_allclose(layers.z_mm, Z)


def test_marks_without_the_offset_of_z(read: Read, square: Square) -> None:
    text = START + "".join(f";LAYER_CHANGE\n;Z:{z:.2f}\n" + square(z + 0.05) for z in Z)
    layers = find_layers(read(text))
    assert layers.source == "comments"
    np.testing.assert_allclose(layers.z_mm, np.array(Z) + 0.05)


def test_noise_in_z_is_no_layer(read: Read) -> None:
    text = START
    for z in Z:
        text += f"G0 X50 Y50 Z{z:.4f}\n"
        text += "".join(
            f"G1 X{50 + k % 20} Y{50 + k} Z{z + 0.0005 * (k % 3):.4f} E0.1\n" for k in range(1, 40)
        )
    assert len(find_layers(read(text))) == 6


def test_one_layer(read: Read, square: Square) -> None:
    layers = find_layers(read(START + square(0.2)))
    assert len(layers) == 1
    np.testing.assert_allclose(layers.height_mm, 0.2)


def test_ironing_and_supports_share_the_layer(read: Read, square: Square) -> None:
    text = START
    for k, z in enumerate(Z):
        text += f";LAYER:{k}\n;TYPE:SUPPORT\n" + square(z, x=90) + ";TYPE:WALL-OUTER\n" + square(z)
        text += ";TYPE:IRONING\n" + "".join(f"G1 X{50 + j} Y{50 + j % 2 * 20} E0.002\n" for j in range(10))
    assert len(find_layers(read(text))) == 6


def test_curved_paths_with_a_mark_a_move_have_no_layers(read: Read) -> None:
    text = START
    for k in range(400):
        z = 2 + math.sin(k / 5)
        text += f";LAYER_CHANGE\n;Z:{z:.3f}\nG1 X{50 + k % 20} Y{50 + k % 7} Z{z:.3f} E0.05\n"
    layers = find_layers(read(text))
    assert "no-layers" in [notice.code for notice in layers.warnings]


def test_a_word_in_every_line_costs_nothing(read: Read) -> None:
    moves = "".join(f"G1 X{k % 50} Y{k % 7} E0.1 ; print perimeter of layer\n" for k in range(3000))
    path = read(START + ";LAYER:0\nG1 Z0.2\n" + moves)
    assert [note.text for note in path.notes] == [";LAYER:0"]
