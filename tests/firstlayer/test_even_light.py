"""Brightness over a long row of frames: evened without drift."""

from __future__ import annotations

import math
from typing import Any

import camera_scenes
import numpy as np
import pytest
import second_scenes as scenes

from twinlapse.firstlayer.canvas import canvas_over
from twinlapse.firstlayer.expected import Lines
from twinlapse.firstlayer.mosaic import (
    LayerPictures,
    SurveyFrame,
    blended,
    build_mosaic,
    evened,
    laid_on,
    shown_box,
    unshaded,
)
from twinlapse.firstlayer.overlaps import Patch
from twinlapse.optics.window import window_of
from twinlapse.rig import Printer


def test_a_row_of_300_mm_does_not_drift() -> None:
    """A bed of one brightness, a lamp on one side, a lens that falls off, and 8 % of flicker."""
    dice = np.random.default_rng(4)
    canvas = canvas_over(np.array([0.0, 0.0]), np.array([320.0, 20.0]), 0.2, 0.0)
    frames, patches = [], []
    for k in range(15):
        x = 10.0 + 20.0 * k
        frames.append(SurveyFrame(picture=np.zeros((1, 1, 3), np.uint8), nozzle_mm=(x, 10.0, 1.2)))
        left, wide, tall = round((x - 14) / 0.2), 140, 100
        off_x, off_y = np.meshgrid((np.arange(wide) + 0.5) * 0.2 - 14, 10 - (np.arange(tall) + 0.5) * 0.2)
        light = np.exp(0.020 * off_x - 0.0012 * off_x**2 - 0.01 * off_y)
        light *= 1 + 0.08 * dice.uniform(-1, 1)
        grain = dice.normal(1, 0.05, light.shape)
        colours = np.repeat((90 * light * grain)[..., None], 3, axis=2).astype(np.float32)
        patches.append(Patch(row=0, column=left, colours=colours, weight=np.ones(light.shape, np.float32)))
    before = _along(*blended(patches, np.ones(15), canvas))
    gains, shading = evened(patches, frames, canvas)
    flat = [unshaded(patch, frame, canvas, shading) for patch, frame in zip(patches, frames, strict=True)]
    after = _along(*blended(flat, gains, canvas))
    assert np.ptp(before) / before.mean() > 0.2
    assert np.abs(after / np.median(after) - 1).max() < 0.03


def _along(colours: np.ndarray, seen: np.ndarray) -> np.ndarray:
    """Mean brightness of every 5 mm of the row, its very ends left out."""
    columns = [
        np.where(seen[:, k : k + 25, None], colours[:, k : k + 25], np.nan) for k in range(50, 1500, 25)
    ]
    return np.array([np.nanmean(some) for some in columns])


@pytest.mark.slow
@pytest.mark.parametrize(("seed", "plastic"), [(41600, (0.55, 0.16, 0.07)), (41601, (0.75, 0.74, 0.70))])
def test_a_drawn_print_of_300_mm_is_as_bright_all_along(seed: int, plastic: tuple[float, ...]) -> None:
    """From pictures of another renderer: its lamp, its lens that falls off, and 8 % of flicker put in."""
    dice, spoil = np.random.default_rng(seed), scenes.Nuisance(glare=0.25)
    true = scenes.Pinhole(np.array([0.4, -28.2, 33.8]), np.array([0.0, -6.0, 0.0]), 0.3, 560.0, -0.1)
    camera, printer = camera_scenes.known_camera(true), Printer(bed_mm=(400, 220), height_mm=250)
    sheet = scenes.sheet(30.0, 100.0, 300.0, 12.0)
    ground = scenes.lay(sheet, plastic, (0.06, 0.06, 0.065), spoil, dice)
    window = window_of(camera, printer, 1.0)
    half = window.size_mm[0] / 2
    frames = []
    for x in np.linspace(28 + half, 332 - half, 2 + math.ceil(300 / (1.4 * half))):
        nozzle = (float(x - window.middle_mm[0]), 106 - window.middle_mm[1], 1.2)
        light = np.power(scenes.shoot(ground, true, nozzle, spoil, dice) / 255, 2.2)
        light *= 1 + 0.08 * dice.uniform(-1, 1)
        picture = np.clip(np.round(255 * np.power(light, 1 / 2.2)), 0, 255).astype(np.uint8)
        frames.append(SurveyFrame(picture=picture, nozzle_mm=nozzle))
    ends = np.array(sheet.lines)
    lines = Lines(
        first_mm=ends[:, :2],
        last_mm=ends[:, 2:],
        width_mm=np.array(sheet.widths),
        file_line=np.arange(len(ends)),
    )
    survey = LayerPictures(
        frames=tuple(frames), camera=camera, printer=printer, top_mm=scenes.HEIGHT, height_mm=scenes.HEIGHT
    )
    made = build_mosaic(survey, lines)
    left, row = made.canvas.to_px(np.array([32.0, 106.0])).astype(int)
    band = made.colours[row - 30 : row + 30, left : left + 2960].astype(float).mean(axis=(0, 2))
    along = band.reshape(37, 80).mean(axis=1)  # every 8 mm
    assert made.seen[row, left : left + 2960].all()
    assert np.abs(along / np.median(along) - 1).max() < 0.03


def test_beside_a_reflection_another_picture_counts_more(rig_parts: Any, survey_of: Any) -> None:
    top_mm = rig_parts[2]
    plain = np.full((480, 640, 3), 90, np.uint8)
    spot = plain.copy()
    spot[300:360, 280:360] = 255
    weights = []
    for picture in (plain, spot):
        survey = survey_of([SurveyFrame(picture=picture, nozzle_mm=(100.0, 100.0, top_mm + 1.0))])
        (frame,) = survey.frames
        low, high = shown_box(frame, survey)
        canvas = canvas_over(low, high, 0.1, 1.0)
        ground = np.full(canvas.shape, top_mm)
        weights.append(laid_on(frame, survey, ground, canvas, (low, high), np.zeros(2)).weight)
    shown = weights[0] > 0
    share = weights[1][shown] / weights[0][shown]
    assert (share == 0).any() and share.max() == 1.0
    near = np.sort(share[(share > 0) & (share < 1)])
    assert len(near) > 500 and near[0] < 0.1  # no seam: it rises from nothing
    assert np.abs(np.diff(near)).max() < 0.05
