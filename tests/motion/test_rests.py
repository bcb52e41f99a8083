"""What rests cost: by the rows around them, against the whole file timed with them and without."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest

from twinlapse.gcode import Toolpath, read_toolpath
from twinlapse.motion import rests, time_toolpath
from twinlapse.motion.rests import rest_losses_s
from twinlapse.rig import Cornering, Printer
from twinlapse.rig.limits import Limits

CORNERS = (
    Cornering(junction_deviation_mm=0.02),
    Cornering(jerk_mm_s=8.0),
    Cornering(square_corner_mm_s=5.0),
)


def machine(corner: Cornering, **limits: Any) -> Printer:
    klipper = corner.square_corner_mm_s is not None
    return Printer(
        bed_mm=(220.0, 220.0),
        height_mm=250.0,
        accel_mm_s2=1000.0,
        cornering=corner,
        firmware="klipper" if klipper else "marlin",
        limits=Limits(**limits),
    )


def by_the_whole_file(path: Toolpath, printer: Printer, rows: np.ndarray) -> np.ndarray:
    """Time every row twice; a row counts for the nearer rest, one in the middle for the earlier."""
    late_s, end_s = (time_toolpath(path, printer, rest_rows=r).end_s for r in (rows, rows[:0]))
    lost_s = np.diff(late_s - end_s, prepend=0.0)
    found = np.zeros(len(rows))
    for row in np.flatnonzero(lost_s):
        k = int(np.searchsorted(rows, row))
        if k == len(rows) or (k > 0 and row <= (rows[k - 1] + rows[k]) // 2):
            k -= 1
        found[k] += lost_s[row]
    return np.maximum(found, 0.0)  # by Klipper's second look-ahead a rest can even gain a little


def random_print(folder: Path, seed: int, count: int) -> Path:
    """Write moves of all lengths and speeds, stretches of tiny ones, arcs, slopes, waits and settings."""
    draw = np.random.default_rng(seed)
    lines, x, y, z = ["G28", "G90", "M83", "G1 Z0.2 F600"], 100.0, 100.0, 0.2
    longest_mm, heading = 1.0, 0.0
    for k in range(count):
        if k % 400 == 0:
            longest_mm = 10.0 ** draw.uniform(-2.0, 1.0)
        heading += draw.normal(0, 0.2) if draw.random() < 0.9 else draw.uniform(-3, 3)
        length = longest_mm * draw.uniform(0.2, 1.0)
        x, y = x + length * np.cos(heading), y + length * np.sin(heading)
        x, y = 30 + abs((x - 30) % 280 - 140), 30 + abs((y - 30) % 280 - 140)
        other = draw.random()
        if other < 0.01:
            lines.append(
                str(draw.choice(["M109 S210", "G4 P50", "M204 P700 T2000", "M204 P3000", "M220 S80"]))
            )
            lines.append(str(draw.choice(["G1 E-2 F2400", "G1 E0.5", "M205 X4 Y4", "G0 X100 Y100 F30000"])))
        elif other < 0.02:
            z += 0.2
        feed = f" F{draw.choice([600, 1800, 6000, 12000])}" if other > 0.95 else ""
        arc = 0.02 < other < 0.04
        lines.append(
            f"{f'G2 I{length:.3f} J1' if arc else 'G1'} X{x:.3f} Y{y:.3f} Z{z:.3f} E{length / 20:.4f}{feed}"
        )
    file = folder / f"moves{seed}.gcode"
    file.write_text("\n".join(lines) + "\n")
    return file


@pytest.mark.parametrize("corner", CORNERS)
def test_each_loss_is_that_of_the_whole_file(
    corner: Cornering, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    whole: list[int] = []
    monkeypatch.setattr(rests, "time_toolpath", lambda *a, **k: whole.append(1) or time_toolpath(*a, **k))
    for seed in range(6):
        printer = machine(corner, **({"travel_factor": 1.2} if seed % 2 else {}))
        path = read_toolpath(random_print(tmp_path, seed, 6000), firmware=printer.firmware)
        draw = np.random.default_rng(seed)
        end_s = time_toolpath(path, printer).end_s
        for count in (1, 4, 12):
            rows = np.sort(draw.choice(len(path), count, replace=False))
            found = rest_losses_s(path, printer, rows, end_s, first_reach=16)
            assert found == pytest.approx(by_the_whole_file(path, printer, rows), abs=1e-6)
    assert len(whole) <= 9  # of 18: the others were told by the rows around the rests alone


@pytest.mark.parametrize("corner", CORNERS)
def test_rests_of_a_sliced_file(corner: Cornering, sliced_folder: Path) -> None:
    printer = machine(corner)
    path = read_toolpath(sliced_folder / "cube_bare.gcode", firmware=printer.firmware)
    rows = np.linspace(0, len(path) - 1, 5).astype(np.int64)
    found = rest_losses_s(path, printer, rows, time_toolpath(path, printer).end_s)
    assert found == pytest.approx(by_the_whole_file(path, printer, rows), abs=1e-6)


def test_a_rest_in_tiny_moves_is_felt_far_off(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    # 100 mm/s from 1000 mm/s2 takes 5 mm: 500 moves of 0.01 mm to each side
    lines = ["G28", "G90", "M83", "G1 Z0.2 F6000", *(f"G1 X{k / 100:.2f} E0.001" for k in range(1, 20_000))]
    file = tmp_path / "tiny.gcode"
    file.write_text("\n".join(lines) + "\n")
    printer = machine(CORNERS[0])
    path = read_toolpath(file, firmware="marlin")
    rows, end_s = np.array([10_000]), time_toolpath(path, printer).end_s
    # braking and speeding up again costs v / a = 0.1 s
    assert rest_losses_s(path, printer, rows, end_s) == pytest.approx([0.1], abs=1e-3)
    monkeypatch.setattr(rests, "_WAYS", 0.5)
    assert rest_losses_s(path, printer, rows, end_s)[0] < 0.09


def test_no_rest_costs_nothing(tmp_path: Path) -> None:
    path = read_toolpath(random_print(tmp_path, 0, 50), firmware="marlin")
    assert rest_losses_s(path, machine(CORNERS[0]), np.empty(0, np.int64), np.zeros(len(path))).shape == (0,)
