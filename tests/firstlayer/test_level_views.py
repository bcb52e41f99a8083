"""Level cameras: they see the sides of lines, and what stands hides what is behind it."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from twinlapse.firstlayer.canvas import Canvas
from twinlapse.firstlayer.classify import Judgement
from twinlapse.firstlayer.expected import Lines
from twinlapse.firstlayer.mosaic import LayerPictures, Mosaic, SurveyFrame
from twinlapse.firstlayer.picture import photograph
from twinlapse.firstlayer.report import verdict
from twinlapse.firstlayer.sharp_zone import sharp_zone
from twinlapse.firstlayer.solid import SIDE_MM, LowerLayer, seen_slices
from twinlapse.optics.gap_view import side_mm
from twinlapse.optics.pose import pose_on_mount
from twinlapse.optics.view import blur_px

HEIGHT_MM = 0.2


def lines(width_mm: float = 0.45) -> Lines:
    return Lines(
        first_mm=np.array([[0.0, 0.0]]),
        last_mm=np.array([[10.0, 0.0]]),
        width_mm=np.array([width_mm]),
        file_line=np.array([1]),
    )


def silhouette_mm(steep_deg: float, width_mm: float = 0.45) -> float:
    """How far a line with half round sides is seen to reach from its middle, point by point."""
    turn = np.linspace(-math.pi / 2, math.pi / 2, 20001)
    radius = HEIGHT_MM / 2
    out = width_mm / 2 - radius + radius * np.cos(turn)
    return float((out + radius * np.sin(turn) / math.tan(math.radians(steep_deg))).max())


@pytest.mark.parametrize("steep_deg", [12, 16, 20, 27, 35])
def test_slices_reach_as_far_as_the_silhouette_of_a_line(steep_deg: float) -> None:
    steep_rad = math.radians(steep_deg)
    slices = seen_slices(lines(), 0.1, HEIGHT_MM, (), steep_rad)
    reach = [
        sign * (some.width_mm[0] / 2 - sign * depth_mm / math.tan(steep_rad))
        for some, depth_mm in slices
        for sign in (1, -1)
    ]  # a slice that lies deeper is seen nearer to the camera
    beyond, toward = max(reach), -min(reach)
    assert beyond == pytest.approx(silhouette_mm(steep_deg), abs=1e-4)
    assert toward == pytest.approx(silhouette_mm(steep_deg), abs=1e-4)
    assert side_mm(HEIGHT_MM, steep_rad) == pytest.approx(silhouette_mm(steep_deg) - 0.225, abs=1e-4)


def test_a_steep_camera_sees_no_sides() -> None:
    assert len(seen_slices(lines(), 0.1, HEIGHT_MM, (), math.radians(57))) == 1
    assert side_mm(HEIGHT_MM, math.radians(57)) < SIDE_MM


def test_of_two_layers_the_lower_one_is_seen_below_and_the_upper_one_above() -> None:
    below = LowerLayer(lines=lines(0.6), top_mm=0.2, height_mm=0.2)
    slices = seen_slices(lines(), 0.3, HEIGHT_MM, [below], math.radians(16))
    rise = 0.1 * math.cos(math.radians(16))
    narrower = 0.2 * (1 - math.sin(math.radians(16)))
    told = [(some.width_mm[0], depth_mm) for some, depth_mm in slices]
    assert told == [
        pytest.approx(pair)
        for pair in ((0.45, 0.0), (0.6, 0.2), (0.45 - narrower, -rise), (0.6 - narrower, 0.2 + rise))
    ]


def test_the_sharp_part_is_bounded_on_the_map_where_both_sides_are_seen() -> None:
    seen = np.zeros((100, 200), np.bool_)
    seen[10:90, 10:190] = True
    sharp = np.zeros_like(seen)
    sharp[:, :100] = True
    canvas = Canvas(left_mm=0.0, back_mm=10.0, step_mm=0.1, width=200, height=100)
    mosaic = Mosaic(
        canvas=canvas,
        colours=np.full((100, 200, 3), 128, np.uint8),
        seen=seen,
        shifts_mm=np.zeros((1, 2)),
        links=(),
        residual_mm=0.0,
        gains=np.ones(1),
    )
    judgement = Judgement(
        canvas=canvas,
        defects=(),
        offset_mm=(0.0, 0.0),
        separability=20.0,
        can_tell=True,
        seen_share=1.0,
        wanted=seen,
        seen=seen,
        score=np.zeros(seen.shape, np.float32),
    )
    plain, bounded = photograph(mosaic, judgement), photograph(mosaic, judgement, sharp)
    changed = (plain != bounded).any(axis=2)
    columns = np.flatnonzero(changed.any(axis=0)) / changed.shape[1] * 20.0
    assert 9.7 < columns.min() < 10.1  # the line, in mm; the word stands beyond it
    assert not changed[:, : int(changed.shape[1] * 0.45)].any()
    assert not changed[: int(changed.shape[0] * 0.09)].any()


def test_a_camera_focused_on_the_tip_is_sharp_around_it(bench: Any) -> None:
    camera = replace(bench.CAMERA, place_mm=(0.0, -43.0, 12.0), look_mm=(0.0, 0.0, 0.0))
    camera = replace(camera, lens=replace(camera.lens, focus_mm=30.0))
    frame = SurveyFrame(picture=np.zeros((480, 640, 3), np.uint8), nozzle_mm=(50.0, 50.0, 1.2))
    survey = LayerPictures(frames=(frame,), camera=camera, printer=bench.PRINTER, top_mm=0.2)
    canvas = Canvas(left_mm=20.0, back_mm=80.0, step_mm=0.5, width=120, height=120)
    mosaic = Mosaic(
        canvas=canvas,
        colours=np.zeros((120, 120, 3), np.uint8),
        seen=np.ones((120, 120), np.bool_),
        shifts_mm=np.zeros((1, 2)),
        links=(),
        residual_mm=0.0,
        gains=np.ones(1),
    )
    rows = np.flatnonzero(sharp_zone(survey, mosaic)[:, 60])
    off_mm = canvas.grid_mm()[rows, 60, 1] - 50.0
    pose = pose_on_mount(camera, bench.PRINTER)
    for y in (off_mm.min(), off_mm.max()):  # thin lens, as the handbook has it
        depth = float(pose.to_camera(np.array([[0.0, y, -1.0]]))[0, 2])
        assert blur_px(camera.lens, 30.0, depth) == pytest.approx(1.0, abs=0.15)


@pytest.mark.slow
def test_a_sound_layer_seen_by_a_level_camera_is_not_accused(bench: Any, monkeypatch: Any) -> None:
    up = math.radians(16)
    level = replace(bench.CAMERA, place_mm=(0.0, -45 * math.cos(up), 45 * math.sin(up)), look_mm=(0, -3.0, 0))
    monkeypatch.setattr(bench, "CAMERA", level)
    judgement, _, facts = bench.run("sound", 65230)
    assert judgement.can_tell and judgement.defects == () and judgement.laying is None
    assert judgement.sound is None and "too level" in verdict(judgement)
    assert facts["residual"] < 0.1
