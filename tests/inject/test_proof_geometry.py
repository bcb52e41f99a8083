"""What the proof takes for printed: arcs, helices and slopes, each against where closed forms put its edge.

A wall 30 mm high is printed, then a small square beside it. After the square's first layer a shot heads for
the wall, at the height of the square. The rig's head is a disc of 10 mm around the nozzle, so a stop nearer
to the wall than 10 mm must be refused, and one 1 mm further away must be written.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from twinlapse.errors import ProofError
from twinlapse.gcode import read_toolpath
from twinlapse.inject import inject_file, prove
from twinlapse.shots import Plan, Shot, Stop

HEAD_MM = 10.0
HEAD = {"radius_mm": HEAD_MM, "nozzle_radius_mm": 3.0, "nozzle_length_mm": 3.0}
LIFT_MM = 1.0
SQUARE_MM = 0.2  # height of the square's layer


def layered(*paths: str) -> list[str]:
    """A wall of 30 layers, each printed by the same moves: a travel first, then what feeds."""
    lines = []
    for z in range(1, 31):
        lines += [f"G0 Z{z}", *paths]
    return lines


def circle() -> list[str]:
    return layered("G0 X50 Y60", "G2 X50 Y60 I30 J0 E9")  # begins at the far side


def circle_other_way() -> list[str]:
    return layered("G0 X50 Y60", "G3 I30 E9")


def halves_by_radius() -> list[str]:
    return layered("G0 X80 Y90", "G2 X80 Y30 R30 E5", "G2 X80 Y90 R30 E5")


def long_arc_by_radius() -> list[str]:
    """Three quarters of the circle around 80 60: from its left to its bottom, over top and right."""
    return layered("G0 X50 Y60", "G2 X80 Y30 R-30 E8")


def helix() -> list[str]:
    return ["G0 X50 Y60 Z0.2", *(f"G3 X50 Y60 Z{z} I30 J0 E9" for z in range(1, 31))]


def helix_of_turns() -> list[str]:
    return ["G0 X50 Y60 Z0.2", "G3 X50 Y60 Z30 I30 J0 P30 E199"]


def inches() -> list[str]:
    inch = 25.4
    circle = f"G2 X{50 / inch:.5f} Y{60 / inch:.5f} I{30 / inch:.5f} J0 E.3"
    laid = layered(f"G0 X{50 / inch:.5f} Y{60 / inch:.5f}", circle)
    return ["G20", *(f"G0 Z{float(x[4:]) / inch:.5f}" if x.startswith("G0 Z") else x for x in laid), "G21"]


def relative() -> list[str]:
    return ["G0 X50 Y60 Z0", "G91", *["G0 Z1", "G2 X0 Y0 I30 J0 E9"] * 30, "G90"]


def arch_along_x() -> list[str]:
    return ["G18", "G0 X50 Y60 Z1", "G3 X110 Y60 Z1 I30 K0 E5", "G17"]


def arch_along_y() -> list[str]:
    return ["G19", "G0 X110 Y30 Z1", "G2 X110 Y90 Z1 J30 K0 E5", "G17"]


def straight() -> list[str]:
    return layered("G0 X50 Y60", "G1 X110 Y60 E3")


# what prints the wall -> X of its edge where it is higher than the head passes
SHAPES: dict[Callable[[], list[str]], float] = {
    straight: 110.0,
    circle: 110.0,
    circle_other_way: 110.0,
    halves_by_radius: 110.0,
    long_arc_by_radius: 110.0,
    helix: 110.0,
    helix_of_turns: 110.0,
    inches: 110.0,
    relative: 110.0,
    arch_along_x: 80 + (30**2 - (SQUARE_MM + LIFT_MM + 3 - 1) ** 2) ** 0.5,
    arch_along_y: 110.0,
}


def program(wall: list[str]) -> str:
    square = ["G0 Z40", f"G0 X180 Y60 Z{SQUARE_MM}", "G1 X190 E.3", "G1 Y70 E.3", "G1 X180 E.3", "G1 Y60 E.3"]
    return "\n".join(["G28", "G90", "M83", "G1 F1800", *wall, *square, ";end", "G0 X200"]) + "\n"


def try_stop(
    text: str, x_mm: float, y_mm: float, folder: Path, *, origin: str = "corner", lift_mm: float = LIFT_MM
) -> bool:
    """Write a shot behind the square that stops at a place; return whether its proof holds.

    Any other check than the clearance must hold in any case.
    """
    source, out = folder / "pot.gcode", folder / "filmed.gcode"
    source.write_text(text)
    path = read_toolpath(source, firmware="marlin")
    line = text.splitlines().index(";end")
    home = path.z_mm[int(np.searchsorted(path.line, line, "right")) - 1]
    stop = Stop(
        cameras=("wide",), x_mm=x_mm, y_mm=y_mm, z_mm=float(home) + lift_mm, dwell_s=1.0, stance="clear"
    )
    shot = Shot(
        number=1, after_line=line, byte=text.index(";end"), layer=0, z_mm=0.2, at_s=0.0, cost_s=4.0,
        retract="own", retract_mm=1.0, retract_mm_s=35.0, lift_mm=lift_mm, stops=(stop,),
    )  # fmt: skip
    printer: dict[str, Any] = {"bed_mm": [220, 220], "height_mm": 250, "toolhead": HEAD, "origin": origin}
    rig = {"printer": printer, "camera": [{"name": "wide", "mount": "frame", "every": "layer"}]}
    plan = Plan(
        original_sha256=path.sha256,
        rig=rig,
        shots=(shot,),
        print_s=600.0,
        cost_s=4.0,
        film_s=1.0,
        layer_count=31,
    )
    try:
        inject_file(source, plan, out, toolpath=path)
    except ProofError as error:
        assert "clearance" in error.what, error.what
        return False
    return True


@pytest.mark.parametrize("shape", list(SHAPES), ids=lambda shape: shape.__name__)
def test_the_edge_of_a_wall_is_where_it_is(shape: Callable[[], list[str]], tmp_path: Path) -> None:
    text, edge_mm = program(shape()), SHAPES[shape]
    assert not try_stop(text, edge_mm + HEAD_MM - 0.3, 60, tmp_path)
    assert try_stop(text, edge_mm + HEAD_MM + 1.3, 60, tmp_path)  # half a bead, and 1 mm
    assert not try_stop(text, 20, 60, tmp_path)  # through it


def test_a_wall_is_where_it_is_with_the_origin_in_the_middle(tmp_path: Path) -> None:
    moved = program(layered("G0 X-60 Y0", "G2 X-60 Y0 I30 J0 E9")).replace("X180 Y60", "X70 Y0")
    moved = moved.replace("G1 X190", "G1 X80").replace("G1 Y70", "G1 Y10").replace("G1 X180", "G1 X70")
    moved = moved.replace("G1 Y60", "G1 Y0").replace("G0 X200", "G0 X90")
    assert not try_stop(moved, HEAD_MM - 0.3, 0, tmp_path, origin="center")
    assert try_stop(moved, HEAD_MM + 1.3, 0, tmp_path, origin="center")


@pytest.mark.parametrize("down", [True, False], ids=["down", "up"])
def test_a_slope_is_as_high_as_it_is_along_its_way(down: bool, tmp_path: Path) -> None:
    ends = ["X50 Y60 Z30", "X110 Y60 Z0.6"]
    first, last = ends if down else ends[::-1]
    text = program([f"G0 {first}", f"G1 {last} E9"])
    passes_mm = SQUARE_MM + LIFT_MM + 3.0  # the underside of the head
    edge_mm = 50 + 60 * (30 - passes_mm) / (30 - 0.6)
    assert not try_stop(text, edge_mm + HEAD_MM - 0.5, 60, tmp_path)
    assert try_stop(text, edge_mm + HEAD_MM + 1.3, 60, tmp_path)


def test_the_gantry_meets_a_finished_neighbour_in_its_own_row_alone(tmp_path: Path) -> None:
    """A tower of 70 mm at Y 200: the beam at 60 mm over the nozzle clears it while it stays away along Y."""
    tower = [line for z in range(1, 71) for line in (f"G0 Z{z}", "G0 X30 Y200", "G1 X40 E.3", "G1 X30 E.3")]
    text = program(tower).replace("G0 Z40", "G0 Z80")
    assert try_stop(text, 100, 200 - HEAD_MM - 1.3, tmp_path)
    assert not try_stop(text, 100, 200 - HEAD_MM + 0.3, tmp_path)


def test_no_move_goes_lower_than_the_print_even_beside_it(tmp_path: Path) -> None:
    text = program(straight())
    assert not try_stop(text, 180, 100, tmp_path, lift_mm=0.05)
    assert try_stop(text, 180, 100, tmp_path, lift_mm=0.2)


def test_rows_that_the_original_does_not_have_are_a_fault_and_no_error(tmp_path: Path) -> None:
    assert try_stop(program(straight()), 180, 100, tmp_path)
    text = (tmp_path / "filmed.gcode").read_text()
    begin = text.index("; twinlapse shot 1 begin")
    longer = tmp_path / "longer.gcode"
    longer.write_text(text[:begin] + "G1 X1 Y1\n" * 500 + text[begin:])
    broken = {check.name for check in prove(tmp_path / "pot.gcode", longer).checks if not check.holds}
    assert "prints the same" in broken
