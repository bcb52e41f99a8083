"""Nothing is written when the proof fails, and files that lost a half of a fence are refused."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from twinlapse.errors import InjectError, ProofError
from twinlapse.gcode import Kind
from twinlapse.inject import inject_file, prove, remove_shots

MAKE = Callable[..., Any]


def planned(sliced_folder: Path, hand_plan: MAKE, name: str = "cube_bare.gcode") -> tuple[Path, Any, Any]:
    source = sliced_folder / name
    toolpath, plan = hand_plan(source, every=20)
    return source, toolpath, plan


@pytest.mark.parametrize(
    ("change", "check"),
    [
        ({"z_mm": 0.1}, "clearance"),
        ({"x_mm": -30.0}, "machine"),
        ({"z_mm": 400.0}, "machine"),
        ({"dwell_s": 0.2}, "stands"),
    ],
)
def test_an_unsafe_stop_leaves_nothing_behind(
    change: dict[str, float], check: str, sliced_folder: Path, hand_plan: MAKE, tmp_path: Path
) -> None:
    source, toolpath, plan = planned(sliced_folder, hand_plan)
    shot = plan.shots[-2]
    stop = replace(shot.stops[0], **{"x_mm": 100.0, "y_mm": 100.0, **change})
    shots = (*plan.shots[:-2], replace(shot, stops=(stop,)), plan.shots[-1])
    out = tmp_path / "filmed.gcode"
    out.write_text("an older file")
    with pytest.raises(ProofError, match=check) as caught:
        inject_file(source, replace(plan, shots=shots), out, toolpath=toolpath)
    assert caught.value.line
    assert out.read_text() == "an older file"
    assert [p.name for p in tmp_path.iterdir()] == ["filmed.gcode"]


def test_a_plan_that_cuts_a_path_is_refused(sliced_folder: Path, hand_plan: MAKE, tmp_path: Path) -> None:
    """The block is right for its place, and the place is wrong."""
    source, toolpath, plan = planned(sliced_folder, hand_plan)
    laying = [
        row
        for row in range(2000, 2100)
        if toolpath.kind[row] == Kind.EXTRUDE and toolpath.kind[row + 1] == Kind.EXTRUDE
    ]
    line = int(toolpath.line[laying[0]])
    byte = sum(len(text) for text in source.read_bytes().splitlines(keepends=True)[:line])
    top = float(toolpath.z_mm[laying[0]])
    stop = replace(plan.shots[0].stops[0], z_mm=top + 0.6)
    shot = replace(
        plan.shots[0], after_line=line, byte=byte, retract="own", lift_mm=0.6, z_mm=top, stops=(stop,)
    )
    with pytest.raises(ProofError, match="path"):
        inject_file(source, replace(plan, shots=(shot,), cost_s=5.0), tmp_path / "o.gcode", toolpath=toolpath)


def test_travel_without_retraction_is_refused(sliced_folder: Path, hand_plan: MAKE, tmp_path: Path) -> None:
    source, toolpath, plan = planned(sliced_folder, hand_plan)
    shots = tuple(replace(shot, retract="none") for shot in plan.shots)
    with pytest.raises(ProofError, match="unretracted"):
        inject_file(source, replace(plan, shots=shots), tmp_path / "o.gcode", toolpath=toolpath)


@pytest.mark.parametrize("change", [{"byte": 5}, {"number": 1}])
def test_a_plan_out_of_order_is_refused(
    change: dict[str, int], sliced_folder: Path, hand_plan: MAKE, tmp_path: Path
) -> None:
    source, toolpath, plan = planned(sliced_folder, hand_plan)
    shots = (*plan.shots[:-1], replace(plan.shots[-1], **change))
    with pytest.raises(InjectError, match="stands inside a line or before"):
        inject_file(source, replace(plan, shots=shots), tmp_path / "o.gcode", toolpath=toolpath)


@pytest.mark.parametrize(
    "lost", ["; twinlapse shot 3 begin", "; twinlapse shot 3 end", "; twinlapse header end"]
)
def test_half_a_fence_is_refused(lost: str, sliced_folder: Path, hand_plan: MAKE, tmp_path: Path) -> None:
    source, toolpath, plan = planned(sliced_folder, hand_plan)
    out = tmp_path / "filmed.gcode"
    inject_file(source, plan, out, toolpath=toolpath)
    kept = [line for line in out.read_text().split("\n") if not line.startswith(lost)]
    out.write_text("\n".join(kept))
    with pytest.raises(InjectError, match="lost its other half"):
        remove_shots(out, tmp_path / "back.gcode")
    assert not (tmp_path / "back.gcode").exists()


def test_an_edited_file_comes_back_with_its_edits(
    sliced_folder: Path, hand_plan: MAKE, tmp_path: Path
) -> None:
    source, toolpath, plan = planned(sliced_folder, hand_plan)
    out, back = tmp_path / "filmed.gcode", tmp_path / "back.gcode"
    inject_file(source, plan, out, toolpath=toolpath)
    out.write_text(out.read_text().replace("M107\n", "M107 ; quiet\n"))
    report = remove_shots(out, back)
    assert report.exact is False
    assert back.read_text() == source.read_text().replace("M107\n", "M107 ; quiet\n")


def test_tall_neighbours_are_seen(sliced_folder: Path, hand_plan: MAKE, tmp_path: Path) -> None:
    """A way at the height of the second object, through the first that stands finished."""
    source, toolpath, plan = planned(sliced_folder, hand_plan, "towers_one_at_a_time_bare.gcode")
    shot = plan.shots[-2]
    row = int((toolpath.line <= shot.after_line).sum()) - 1
    low = float(toolpath.z_mm[row]) + 0.6
    high = next(k for k in range(row) if toolpath.kind[k] == Kind.EXTRUDE and toolpath.z_mm[k] > 14.5)
    assert low < 14.0  # the first object is 15 mm high
    spot = {"x_mm": float(toolpath.x_mm[high]), "y_mm": float(toolpath.y_mm[high])}
    stops = tuple(replace(stop, z_mm=low, **spot) for stop in shot.stops[:1])
    shots = (*plan.shots[:-2], replace(shot, lift_mm=0.6, stops=stops), plan.shots[-1])
    with pytest.raises(ProofError, match="clearance"):
        inject_file(source, replace(plan, shots=shots), tmp_path / "o.gcode", toolpath=toolpath)


def test_the_header_is_needed_to_prove(sliced_folder: Path, hand_plan: MAKE, tmp_path: Path) -> None:
    source, toolpath, plan = planned(sliced_folder, hand_plan)
    out = tmp_path / "filmed.gcode"
    inject_file(source, plan, out, toolpath=toolpath)
    text = out.read_text()
    head, _, rest = text.partition("; twinlapse header begin\n")
    out.write_text(head + rest.partition("; twinlapse header end\n")[2])
    with pytest.raises(InjectError, match="--rig"):
        prove(source, out)


@pytest.mark.parametrize("line", ["G10 P1 X30 Y0", "M218 T1 X-30 Y0", "SET_GCODE_OFFSET X=30"])
def test_a_tool_beside_the_nozzle_narrows_the_machine(
    line: str, sliced_folder: Path, hand_plan: MAKE, tmp_path: Path
) -> None:
    """A stop 10 mm from the edge is out of reach for a carriage that stands 30 mm aside."""
    source = tmp_path / "offset.gcode"
    source.write_text(f"{line}\n" + (sliced_folder / "cube_bare.gcode").read_text())
    toolpath, plan = hand_plan(source, every=20)
    with pytest.raises(ProofError, match="leaves the machine"):
        inject_file(source, plan, tmp_path / "o.gcode", toolpath=toolpath)
    moved = [tuple(replace(stop, x_mm=60.0) for stop in shot.stops) for shot in plan.shots]
    shots = tuple(replace(shot, stops=stops) for shot, stops in zip(plan.shots, moved, strict=True))
    proof = inject_file(source, replace(plan, shots=shots), tmp_path / "o.gcode", toolpath=toolpath).proof
    assert "tool offsets" in next(check.detail for check in proof.checks if check.name == "machine")
