"""Dirt on the lens stays where the print moves; threads run another way than lines."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
import pytest

from twinlapse.arrays import Float
from twinlapse.firstlayer.canvas import Canvas
from twinlapse.firstlayer.expected import Lines, drawn
from twinlapse.firstlayer.lens_dirt import clouded_by_dirt, dirt_among
from twinlapse.firstlayer.mosaic import SurveyFrame
from twinlapse.firstlayer.self_calibration import SelfCalibration
from twinlapse.firstlayer.threads import threads
from twinlapse.optics.pose import on_plane, pose_in_bed
from twinlapse.rig import Camera

SPOT = (330, 360)  # px, across and down


def _dirty(frame: SurveyFrame) -> SurveyFrame:
    mark = np.zeros(frame.picture.shape[:2], np.float32)
    cv2.circle(mark, SPOT, 14, 1.0, -1)
    soft = 1 - 0.5 * cv2.GaussianBlur(mark, (0, 0), 4)[..., None]
    return SurveyFrame(picture=(frame.picture * soft).astype(np.uint8), nozzle_mm=frame.nozzle_mm)


def _known(camera: Camera, errors: Float) -> SelfCalibration:
    """Return a calibration that has found the camera as it is."""
    return SelfCalibration(
        camera=camera,
        shifts_mm=errors,
        grown_mm=0.0,
        spread=np.eye(8),
        residual_mm=0.02,
        pieces=50,
        separability=10.0,
    )


@pytest.mark.parametrize("dirty", [True, False])
def test_a_spot_that_stays_in_every_picture_is_left_out(
    scene: Any, survey_of: Any, rig_parts: Any, dirty: bool
) -> None:
    made = scene(size_mm=24.0, seed=12, glare=False, missing=[9])
    frames, errors = made.frames()
    survey = survey_of([_dirty(frame) for frame in frames] if dirty else frames)
    known = _known(rig_parts[0], errors)
    clouded = clouded_by_dirt(survey, known, made.lines())
    assert clouded.shape == frames[0].picture.shape[:2]
    assert clouded[SPOT[1], SPOT[0]] == dirty
    assert clouded.mean() < 0.01  # the missing line, which moves with the print, is not taken for dirt


@pytest.mark.parametrize("dirty", [True, False])
def test_a_finding_is_dirt_if_the_other_stops_show_a_spot_at_its_pixels(
    scene: Any, survey_of: Any, rig_parts: Any, dirty: bool
) -> None:
    made = scene(size_mm=24.0, seed=12, glare=False)
    frames, errors = made.frames()
    survey = survey_of([_dirty(frame) for frame in frames] if dirty else frames)
    known = _known(rig_parts[0], errors)
    place = on_plane(
        np.array([SPOT]), pose_in_bed(rig_parts[0], rig_parts[1], frames[0].nozzle_mm), rig_parts[0].lens, 0.1
    )
    x, y = place[0, :2] + errors[0]
    clouded = dirt_among([(x - 0.8, y - 0.8, 1.6, 1.6)], survey, known, made.lines())
    assert clouded[SPOT[1], SPOT[0]] == dirty
    assert clouded.mean() < 0.01
    # what is long may be a line that is missing in a row of stops
    assert not dirt_among([(x - 3, y - 0.4, 6.0, 0.8)], survey, known, made.lines()).any()


@pytest.mark.slow
@pytest.mark.parametrize("seed", [42101, 42104])
def test_dirt_over_an_outline_accuses_no_sound_layer(bench: Any, seed: int) -> None:
    assert bench.run("dirt", seed)[0].defects == ()


def _sheet(thread: bool) -> tuple[np.ndarray, Lines, Canvas]:
    canvas = Canvas(left_mm=-3.0, back_mm=23.0, step_mm=0.1, width=260, height=260)
    y = np.arange(0.25, 20, 0.5)
    lines = Lines(
        first_mm=np.column_stack([np.zeros(len(y)), y]),
        last_mm=np.column_stack([np.full(len(y), 20.0), y]),
        width_mm=np.full(len(y), 0.5),
        file_line=np.arange(len(y)),
    )
    at = canvas.grid_mm()
    dice = np.random.default_rng(5)
    light = 50 + 6 * np.cos(2 * np.pi * at[..., 1] / 0.5 + np.pi) + dice.normal(0, 1, canvas.shape)
    light = np.where(drawn(lines, canvas), light, 20.0)
    if thread:  # from 4, 4 to 15, 13
        way, off = np.array([11.0, 9.0]), at - np.array([4.0, 4.0])
        along = np.clip((off @ way) / (way @ way), 0, 1)
        away = np.hypot(*np.moveaxis(off - along[..., None] * way, -1, 0))
        light = light + 10 * np.exp(-((away / 0.15) ** 2))
    return light.astype(np.float32), lines, canvas


def test_a_thread_across_the_lines_is_found_and_grooves_are_not() -> None:
    light, lines, canvas = _sheet(thread=True)
    wanted, seen = drawn(lines, canvas), np.ones(canvas.shape, bool)
    found, where = threads(light, lines, canvas, wanted, seen, None)
    assert len(found) == 1
    assert found[0][0].at_mm == pytest.approx((9.5, 8.5), abs=0.5)
    assert found[0][0].length_mm == pytest.approx(14.2, abs=2.5)  # the filter reaches over its ends
    assert where.any()
    light, lines, canvas = _sheet(thread=False)
    assert threads(light, lines, canvas, wanted, seen, None)[0] == []
