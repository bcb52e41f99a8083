"""Corners of prints with a brim: at its rim they are watched; and the bench that counts what is told."""

from __future__ import annotations

import importlib
import sys
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest

from twinlapse.firstlayer.corner_check import CornerCheck
from twinlapse.firstlayer.corner_monitor import CornerMonitor
from twinlapse.firstlayer.report import overall
from twinlapse.gcode import find_layers, read_toolpath
from twinlapse.plan.where.corner_visits import joined_to, watched_corners

CORNERS = [(90.0, 90.0), (114.0, 90.0), (114.0, 114.0), (90.0, 114.0)]


def _with_brim(width_mm: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Lines of a first layer: a square with round a brim and round that a skirt; and places above it."""
    turn = np.linspace(0, np.pi / 2, 8)
    corners = [
        (90.0, 90.0, np.pi),
        (114.0, 90.0, 1.5 * np.pi),
        (114.0, 114.0, 0.0),
        (90.0, 114.0, 0.5 * np.pi),
    ]

    def loop(off: float) -> np.ndarray:
        parts = [
            np.column_stack([x + off * np.cos(a + turn), y + off * np.sin(a + turn)]) for x, y, a in corners
        ]
        return np.concatenate(parts)

    loops = [loop(off) for off in (*np.arange(0.0, width_mm + 0.01, 0.45), width_mm + 4.0)]
    first = np.concatenate(loops)
    last = np.concatenate([np.roll(each, -1, axis=0) for each in loops])
    return first, last, loops[0]


def test_a_brim_belongs_to_the_print_and_a_skirt_does_not() -> None:
    first, last, above = _with_brim(4.05)
    on_bed = joined_to(first, last, above)
    off = np.hypot(*(np.abs(first - 102.0) - 12.0).clip(0).T)
    assert (on_bed == (off < 5)).all() and 0 < on_bed.sum() < len(on_bed)


@pytest.mark.parametrize("brim_mm", [0.0, 3.15, 8.1])
def test_the_corners_of_a_print_with_a_brim_are_watched_at_its_rim(tmp_path: Path, brim_mm: float) -> None:
    """By geometry: the rim of a brim is an arc about the corner, its middle lies out along the diagonal."""
    first, last, _ = _with_brim(brim_mm)
    text = ["G28", "G90", "M83", ";LAYER:0", "G0 Z0.2 F600"]
    for (x0, y0), (x1, y1) in zip(first, last, strict=True):
        text += [f"G0 X{x0:.3f} Y{y0:.3f} F9000", f"G1 X{x1:.3f} Y{y1:.3f} E0.1 F1800"]
    text += [";LAYER:1", "G0 Z0.4", "G0 X90 Y90"]
    text += [f"G1 X{x:g} Y{y:g} E1" for x, y in [*CORNERS[1:], CORNERS[0]]]
    file = tmp_path / "box.gcode"
    file.write_text("\n".join([*text, "M84"]) + "\n")
    path = read_toolpath(file)
    watched = np.array(watched_corners(path, find_layers(path), 1))
    out = brim_mm / np.sqrt(2)
    wanted = np.array(CORNERS) + out * np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]])
    away = np.hypot(*(watched[:, None] - wanted).transpose(2, 0, 1))
    assert away.shape == (4, 4) and away.min(axis=1).max() < 0.3 and away.min(axis=0).max() < 0.3


@pytest.fixture(scope="module")
def bench() -> Any:
    """The bench of corners, and the scenes of its second judge."""
    sys.path[:0] = [str(Path(__file__).parents[1] / "bench")]
    try:
        return importlib.import_module("firstlayer_corners")
    finally:
        del sys.path[0]


def test_a_raised_corner_is_drawn_where_opencv_projects_it(bench: Any) -> None:
    """The second judge's own scenes, so that what it says can be trusted: cv2.projectPoints."""
    lines = bench.drawn_by_lot(1, brim=False)
    box = bench.corner_scenes.Box(lines.lines, 0.2, 1, loose=lines.loose, plain=True, parking_mm=0.0)
    corner = np.array(min(lines.corners, key=lambda place: place[1]))  # a front one: its rim is in sight
    inward = (np.mean(lines.corners, axis=0) - corner) / np.hypot(*(np.mean(lines.corners, axis=0) - corner))
    nozzle = (corner[0], corner[1] + 12.5, 1.2)
    turn = box.camera.turn()
    for lift in (0.0, 1.5):
        picture = box.shoot(box.ground(0, (*corner, lift, 9.0)), nozzle, 1).astype(int)
        flat = corner + inward * 0.8
        top = 0.2 + lift * (1 - 0.8 / 9) ** 2
        points = np.array([[*flat, top], [*(corner - inward * 1.5), 0.0]]) - np.array(nozzle)
        bend = np.array([box.camera.k1, 0, 0, 0, 0])
        at, _ = cv2.projectPoints(
            points, cv2.Rodrigues(turn)[0], -turn @ box.camera.place, box.camera.matrix(), bend
        )
        on_print, on_bed = (picture[round(y), round(x)] for x, y in at.reshape(-1, 2))
        assert on_print[0] - on_print[2] > 60 > on_bed[0] - on_bed[2]  # yellow plastic, bluish bed


@pytest.mark.slow
@pytest.mark.parametrize("judge", ["Rehearsed", "Drawn"])
@pytest.mark.parametrize("brim", [False, True])
def test_a_corner_that_rises_is_told_and_steady_ones_are_not(bench: Any, brim: bool, judge: str) -> None:
    """Both renderers, a rough bed, three layers, seeds that no limit was chosen on."""
    for seed in (7000, 7001):
        made = bench.drawn_by_lot(seed, brim)
        look = getattr(bench, judge)(made, seed, 0.1, False)
        everywhere = range(len(made.corners))
        steady = bench.judged(made, bench.shown(look, made, 0, 0.0, everywhere)).watches
        assert len(steady) == 4 and not any(watch.lifted for watch in steady)
        risen = bench.judged(made, bench.shown(look, made, seed % 4, 1.0, [seed % 4])).watches
        assert [w.lifted for w in risen if w.corner_mm == made.corners[seed % 4]] == [True]


def _corner(lift_mm: float, lifted: bool = False) -> CornerMonitor:
    lift = np.array([0.0, lift_mm])
    since = 1 if lifted else None
    return CornerMonitor(
        corner_mm=(0.0, 0.0), lift_mm=lift, blur=lift, lifted=lifted, confidence=0.5, since=since
    )


def test_the_worst_of_all_corners_is_said_and_few_known_ones_are_no_proof() -> None:
    steady, unknown, risen = _corner(0.01), _corner(np.nan), _corner(0.6, lifted=True)

    def said(*watches: CornerMonitor) -> tuple[bool | None, str]:
        return overall(None, CornerCheck(layers=(0, 1), strips=(), watches=watches))

    assert said(steady, steady, steady, unknown)[0] is True
    assert said(steady, unknown, unknown, unknown)[0] is None
    assert said(steady, unknown, unknown, risen) == (
        False,
        "1 of 4 corners has risen. Look before you print on.",
    )
    assert said()[0] is True and "no corners" in said()[1]
