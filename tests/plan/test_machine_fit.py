"""A rig that is not the machine a print was sliced for, and coordinates that no machine has."""

from __future__ import annotations

import tracemalloc
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from twinlapse.errors import PlanError
from twinlapse.rig import Rig

WIDE = {"name": "wide", "mount": "frame", "stance": "clear"}
Plan = Callable[[str, dict[str, Any]], Any]


@pytest.fixture
def plan(tmp_path: Path, make_rig: Callable[..., Rig], plan_file: Callable[..., Any]) -> Callable[..., Any]:
    """Plan a text for a printer's table and one camera."""

    def planned(text: str, printer: dict[str, Any], camera: dict[str, Any] | None = None) -> Any:
        file = tmp_path / f"print{abs(hash((text, str(printer), str(camera))))}.gcode"
        file.write_text(text)
        return plan_file(file, make_rig({"bed_mm": [220, 220], "height_mm": 250, **printer}, camera or WIDE))

    return planned


@pytest.mark.parametrize(
    ("printer", "said"),
    [
        ({"bed_mm": [22, 22]}, r"from X100 to X120; by bed_mm = \[22, 22\] and origin = \"corner\""),
        ({"origin": "center", "bed_mm": [150, 150]}, 'with origin = "corner" in \\[printer\\] it would fit'),
        ({"bed_mm": [220, 110]}, "from Y100 to Y120"),
        ({"height_mm": 0.9}, "the print is 1.2 mm high, height_mm in \\[printer\\] is 0.9"),
        (
            {"bed_mm": [300, 300], "bed_shape": "round", "origin": "center", "kinematics": "bed-fixed"},
            "reaches 169.7 mm from the middle .* radius is 150",
        ),
        ({"filament_mm": 9.0}, "the lines are .* filament_mm = 1.75 would make them"),
        ({"filament_mm": 0.175}, "the lines are .* filament_mm = 1.75 would make them"),
    ],
)
def test_a_wrong_machine_is_refused_with_the_key(
    plan: Callable[..., Any], boxes: Callable[..., str], printer: dict[str, Any], said: str
) -> None:
    text = boxes(layers=14) if "filament_mm" in printer else boxes()
    if printer.get("bed_shape") == "round":
        text = boxes(at=(100.0, 100.0))
    with pytest.raises(PlanError, match=said):
        plan(text, printer)


def test_a_wrong_origin_the_other_way_round_is_named_too(
    plan: Callable[..., Any], boxes: Callable[..., str]
) -> None:
    with pytest.raises(PlanError, match='with origin = "center"'):
        plan(boxes(at=(-40.0, -40.0)), {})


def test_parking_inside_the_print_is_refused(plan: Callable[..., Any], boxes: Callable[..., str]) -> None:
    with pytest.raises(PlanError, match=r"park_mm = \[110, 101\] is inside the print, 1.0 mm"):
        plan(boxes(), {}, {**WIDE, "park_mm": [110, 101]})
    assert plan(boxes(), {}, {**WIDE, "park_mm": [110, 90]}).planning.plan.shots


def test_the_other_filament_is_a_warning(plan: Callable[..., Any], boxes: Callable[..., str]) -> None:
    warnings = plan(boxes(layers=14), {"filament_mm": 2.85}).planning.plan.warnings
    assert any("filament_mm = 1.75 would make them 0.5" in text for text in warnings)
    assert not any("filament_mm" in text for text in plan(boxes(layers=14), {}).planning.plan.warnings)


def test_a_prime_line_beside_the_bed_is_a_warning(
    plan: Callable[..., Any], boxes: Callable[..., str]
) -> None:
    prime = "G28\nG90\nM83\nG1 Z0.3 F600\nG1 X-4 Y10 F6000\nG1 Y90 E8 F900\nG1 Z5 F600\n"
    warnings = plan(boxes(head=prime), {}).planning.plan.warnings
    assert any("primes or purges beside the bed, at X-4 Y10" in text for text in warnings)
    purge = "G28\nG90\nM83\nG1 Z5 F600\nG1 X228 Y10 F6000\nG1 E15 F300\n"
    warnings = plan(boxes(head=purge), {}).planning.plan.warnings
    assert any("at X228 Y10; the bed is X0 to 220" in text for text in warnings)
    assert not any("beside" in text for text in plan(boxes(), {}).planning.plan.warnings)


@pytest.mark.parametrize("word", ["X900000000", "X" + "9" * 310, "X-2501", "Z99999.5", "Y1e9"])
def test_a_far_coordinate_is_refused_by_its_line_before_anything_is_allocated(
    plan: Callable[..., Any], boxes: Callable[..., str], word: str
) -> None:
    text = boxes().replace("G1 X120.0 Y120.0", f"G1 {word}", 1)
    line = next(k for k, row in enumerate(text.splitlines(), 1) if word in row)
    if word == "Y1e9":  # no firmware knows exponents: Y1, then E9
        assert plan(text, {}).planning.plan.shots
        return
    plan(boxes(), {})  # compiles what there is to compile
    tracemalloc.start()
    with pytest.raises(PlanError) as refusal:
        plan(text, {})
    assert refusal.value.line == line
    assert tracemalloc.get_traced_memory()[1] < 50e6
    tracemalloc.stop()
