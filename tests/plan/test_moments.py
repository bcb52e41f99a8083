"""Where a print can wait: never inside a path, and best where the filament is back already."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from twinlapse.errors import PlanError
from twinlapse.gcode import Kind

HEAD = "G28\nG90\nM83\nG1 Z5 F600\n"


def lines_after(text: str, shots: object) -> list[str]:
    lines = text.splitlines()
    return [lines[shot.after_line - 1] for shot in shots]  # type: ignore[attr-defined]


def plan_text(text: str, tmp_path: Path, plan_file: Callable, rig: object):
    file = tmp_path / "print.gcode"
    file.write_text(text)
    return plan_file(file, rig).planning


def layer(z: float, *body: str) -> str:
    return f";LAYER:{round(z * 5) - 1}\nG1 Z{z:.2f} F600\n" + "\n".join(body) + "\n"


WALL = (
    "G1 X100 Y100 F9000",
    "G1 X120 Y100 E1 F1800",
    "G1 X120 Y120 E1",
    "G1 X100 Y120 E1",
    "G1 X100 Y100.5 E1",
)


def test_a_moment_already_retracted_is_taken(
    tmp_path: Path, boxes: Callable, make_rig: Callable, plan_file: Callable
) -> None:
    planning = plan_text(boxes(6), tmp_path, plan_file, make_rig())
    assert {shot.retract for shot in planning.plan.shots} == {"already"}


def test_without_retraction_the_block_pulls_back_as_far_as_the_rig_says(
    tmp_path: Path, boxes: Callable, make_rig: Callable, plan_file: Callable
) -> None:
    printer = {"bed_mm": [220, 220], "height_mm": 250, "retract_mm": 0.8, "retract_mm_s": 40}
    planning = plan_text(boxes(6, retract=False), tmp_path, plan_file, make_rig(printer))
    assert {(shot.retract, shot.retract_mm, shot.retract_mm_s) for shot in planning.plan.shots} == {
        ("own", 0.8, 40.0)
    }


def test_the_files_own_habit_is_followed(tmp_path: Path, make_rig: Callable, plan_file: Callable) -> None:
    text = HEAD
    for k in range(1, 13):
        middle = ("G1 E-2.5 F1500", "G1 X105 Y105 F9000", "G1 E2.5 F1500", "G1 X115 Y105 E1 F1800")
        text += layer(0.2 * k, *WALL, *middle, "G1 X110 Y110 F9000")
    planning = plan_text(text, tmp_path, plan_file, make_rig())
    own = [shot for shot in planning.plan.shots if shot.retract == "own"]
    assert own
    assert all((shot.retract_mm, shot.retract_mm_s) == (2.5, 25.0) for shot in own)


def test_the_nozzle_stands_away_from_the_wall(
    tmp_path: Path, make_rig: Callable, plan_file: Callable
) -> None:
    # of the boundaries in a travel the one in its middle leaves no blob on either path
    text = HEAD
    for k in range(1, 7):
        text += layer(
            0.2 * k, ";TYPE:WALL-OUTER", *WALL, "G1 X108 Y108 F9000", "G1 X112 Y112", "G1 X100 Y100"
        )
    planning = plan_text(text, tmp_path, plan_file, make_rig())
    assert set(lines_after(text, planning.plan.shots)) <= {"G1 X112 Y112", "G1 X108 Y108 F9000"}
    assert not any(choice.outer for choice in planning.choices)


def test_never_inside_a_tool_change_or_behind_a_prime(
    tmp_path: Path, make_rig: Callable, plan_file: Callable
) -> None:
    text = HEAD + "T0\n"
    for k in range(1, 9):
        change = (
            "G1 E-4 F1500",
            "G1 X10 Y10 F9000",
            f"T{k % 2}",
            "G92 E0",
            "G1 E4 F1500",
            "G1 X30 Y10 E2 F1200",
        )
        text += layer(0.2 * k, *WALL, *change)
    planning = plan_text(text, tmp_path, plan_file, make_rig())
    for said in lines_after(text, planning.plan.shots):
        assert not said.startswith(("T", "G92", "G1 E4", "G1 X10"))


def test_g92_is_not_parted_from_the_use_of_e(tmp_path: Path, make_rig: Callable, plan_file: Callable) -> None:
    text = "G28\nG90\nM82\nG92 E0\nG1 Z5 F600\n"
    for k in range(1, 9):
        body = (
            "G1 X100 Y100 F9000",
            "G1 E2 F2400",
            "G1 X120 Y100 E3 F1800",
            "G1 X120 Y120 E4",
            "G1 X100 Y120 E5",
        )
        text += layer(0.2 * k, *body, "G1 E3 F2400", "G92 E0", "G1 X110 Y110 F9000")
    planning = plan_text(text, tmp_path, plan_file, make_rig())
    assert set(lines_after(text, planning.plan.shots)) == {"G1 E3 F2400"}


def test_shots_stand_between_paths_in_real_files(
    sliced: Path, make_rig: Callable, plan_file: Callable
) -> None:
    worked = plan_file(sliced, make_rig())
    path = worked.path
    laying = (Kind.EXTRUDE, Kind.WIPE)
    acts = (path.length_mm > 1e-3) | (path.kind == Kind.RETRACT) | (path.kind == Kind.PRIME)
    for choice in worked.planning.choices:
        row = choice.moment.row
        before = next((path.kind[k] for k in range(row, -1, -1) if acts[k]), None)
        after = next((path.kind[k] for k in range(row + 1, len(path)) if acts[k]), None)
        passes = bool(((worked.layers.first_row > row - 3) & (worked.layers.first_row <= row + 3)).any())
        assert not (before in laying and after in laying) or passes
        assert after != Kind.WIPE and before != Kind.PRIME


def test_a_print_whose_stops_are_all_impossible_says_why(
    tmp_path: Path, boxes: Callable, make_rig: Callable, plan_file: Callable
) -> None:
    printer = {"bed_mm": [220, 220], "height_mm": 1.2}
    file = tmp_path / "print.gcode"
    file.write_text(boxes(6))
    with pytest.raises(PlanError, match=r"the machine's height is 1\.2 mm"):
        plan_file(file, make_rig(printer, {"name": "wide", "mount": "frame", "every": {"layers": 6}}))


@pytest.mark.parametrize(
    ("inner", "skin"), [(";TYPE:WALL-INNER", ";TYPE:SKIN"), ("; inner wall", "; surface")]
)
def test_a_surface_counts_as_seen_only_where_nothing_is_laid_on_it(
    tmp_path: Path, make_rig: Callable, plan_file: Callable, inner: str, skin: str
) -> None:
    surface = ("G1 X105 Y105 F9000", "G1 X115 Y105 E1 F1800")
    text = HEAD + "".join(layer(0.2 * k, inner, *WALL, skin, *surface) for k in range(1, 7))
    planning = plan_text(text, tmp_path, plan_file, make_rig())
    assert [choice.outer for choice in planning.choices] == [False] * 5 + [True]
