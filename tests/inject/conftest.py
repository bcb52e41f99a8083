"""Plans made by hand: the writer and the proof are tested without the planner."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from twinlapse.gcode import Kind, Mode, Toolpath, find_layers, read_toolpath, reading_states
from twinlapse.inject.proof import proving, rereading
from twinlapse.shots import Plan, Shot, Stop

RIG: dict[str, Any] = {
    "printer": {"bed_mm": [220, 220], "height_mm": 250, "firmware": "marlin", "retract_mm": 1.0},
    "camera": [
        {"name": "wide", "mount": "frame", "every": "layer", "settle_s": 0.3, "dwell_s": 1.0},
        {"name": "nozzle", "mount": "toolhead", "every": "layer", "settle_s": 0.2, "dwell_s": 0.8},
    ],
}


def _line_starts(path: Path) -> np.ndarray:
    data = np.frombuffer(path.read_bytes(), np.uint8)
    ends = np.flatnonzero(data == 10) + 1
    return ends if len(ends) and ends[-1] == len(data) else np.append(ends, len(data))


def _shot(path: Toolpath, line: int, byte: int, number: int, layer: int, z_mm: float) -> Shot:
    row = int(np.searchsorted(path.line, line, "right")) - 1
    open_ = bool(path.retracted_mm[row] > 0.2 or path.mode[row] & Mode.FW_RETRACTED)
    firmware = bool((path.kind == Kind.FW_RETRACT).any())
    height = float(path.z_mm[: row + 1][path.kind[: row + 1] == Kind.EXTRUDE].max(initial=0.0))
    lift = max(height - float(path.z_mm[row]), 0.0) + 0.6
    top = float(path.z_mm[row]) + lift
    return Shot(
        number=number,
        after_line=line,
        byte=byte,
        layer=layer,
        z_mm=z_mm,
        at_s=0.0,
        cost_s=_cost_s(path, row, lift),
        retract="already" if open_ else "firmware" if firmware else "own",
        retract_mm=1.0,
        retract_mm_s=35.0,
        lift_mm=lift,
        stops=(
            Stop(cameras=("wide",), x_mm=10.0, y_mm=200.0, z_mm=top, dwell_s=1.0, stance="clear"),
            Stop(cameras=("nozzle",), x_mm=60.0, y_mm=190.0, z_mm=top + 2, dwell_s=0.8, stance="over"),
        ),
    )


def _cost_s(path: Toolpath, row: int, lift_mm: float) -> float:
    """Return about what a shot takes: dwells, ways at 150 mm/s, lifts at 10 mm/s."""
    x, y = float(path.x_mm[row]), float(path.y_mm[row])
    ways = [math.hypot(x - 10, y - 200), math.hypot(50, 10), math.hypot(x - 60, y - 190)]
    return 2.3 + sum(way / 150 + 0.1 for way in ways) + (2 * lift_mm + 4) / 10 + 4 * 0.1


def plan_by_hand(path: Path, toolpath: Toolpath, rig: dict[str, Any], every: int = 1) -> Plan:
    """Return a plan with a shot where every so-manieth layer ends."""
    layers = find_layers(toolpath)
    starts = _line_starts(path)
    shots: list[Shot] = []
    for layer in range(0, len(layers), every):
        row = int(layers.first_row[layer + 1])
        line = int(toolpath.line[row - 1])
        byte = int(starts[line - 1])
        if shots and byte <= shots[-1].byte:
            continue
        shots.append(_shot(toolpath, line, byte, len(shots) + 1, layer, float(layers.z_mm[layer])))
    return Plan(
        original_sha256=toolpath.sha256,
        rig=rig,
        shots=tuple(shots),
        print_s=1000.0,
        cost_s=sum(shot.cost_s for shot in shots),
        film_s=4.0,
        layer_count=len(layers),
    )


def plan_at(path: Path, toolpath: Toolpath, rig: dict[str, Any], lines: list[int], layers: int = 1) -> Plan:
    """Return a plan with a shot after each of the lines."""
    starts = _line_starts(path)
    shots = [
        _shot(toolpath, line, int(starts[line - 1]), number, number - 1, 0.2)
        for number, line in enumerate(lines, 1)
    ]
    return Plan(
        original_sha256=toolpath.sha256,
        rig=rig,
        shots=tuple(shots),
        print_s=1000.0,
        cost_s=sum(shot.cost_s for shot in shots),
        film_s=4.0,
        layer_count=layers,
    )


@pytest.fixture(scope="session")
def shots_at() -> Callable[..., tuple[Toolpath, Plan]]:
    """A function that reads a file and plans shots after given lines."""

    def make(path: Path, lines: list[int], *, firmware: str = "marlin", **rig: Any) -> Any:
        values = {**RIG, "printer": {**RIG["printer"], "firmware": firmware, **rig.pop("printer", {})}, **rig}
        toolpath = read_toolpath(path, firmware=firmware)
        return toolpath, plan_at(path, toolpath, values, lines)

    return make


@pytest.fixture(scope="session")
def rig_values() -> dict[str, Any]:
    """A rig file as read."""
    return RIG


@pytest.fixture(scope="session")
def hand_plan() -> Callable[..., tuple[Toolpath, Plan]]:
    """A function that reads a file and plans shots for it by hand."""

    def make(
        path: Path, *, firmware: str = "marlin", every: int = 1, rig: dict[str, Any] | None = None
    ) -> Any:
        values = rig or {**RIG, "printer": {**RIG["printer"], "firmware": firmware}}
        toolpath = read_toolpath(path, firmware=firmware)
        return toolpath, plan_by_hand(path, toolpath, values, every)

    return make


@dataclass
class Ways:
    """How written files were read back."""

    stretches: int = 0  # in stretches, and accepted
    whole: int = 0


@pytest.fixture(scope="module")
def both_ways() -> Iterator[Ways]:
    """Read short files back in stretches as well; what is accepted so is proven by the whole file again."""
    ways = Ways()
    judge, in_stretches, whole = proving._proof, rereading.read_stretches, rereading.read_whole
    asked: list[Any] = []

    def read_stretches(written: Path, stretches: Any, fenced: Any, original: Toolpath, progress: Any) -> Any:
        asked[:] = [written, original.firmware, fenced, original, None]
        return in_stretches(written, stretches, fenced, original, progress)

    def read_whole(*arguments: Any) -> Any:
        ways.whole += 1
        asked.clear()
        return whole(*arguments)

    def proof(case: Any, back: Any, helper: Any) -> Any:
        said = judge(case, back, helper)
        if asked and said.holds:
            ways.stretches += 1
            assert judge(case, whole(*asked), helper) == said
        return said

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(reading_states, "LEAST_BYTES", 300)
        patch.setattr(reading_states, "MOST_STATES", 10**9)
        patch.setattr(rereading, "_BEHIND_BYTES", 200)
        patch.setattr(rereading, "_MOST_SHARE", 1.0)
        for name, value in (
            ("_proof", proof),
            ("read_stretches", read_stretches),
            ("read_whole", read_whole),
        ):
            patch.setattr(proving, name, value)
        yield ways
