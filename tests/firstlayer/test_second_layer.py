"""A print of two layers: its outline has two heights, and the bed behind it is hidden."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
import pytest

from twinlapse.firstlayer.canvas import Canvas
from twinlapse.firstlayer.mosaic import SurveyFrame
from twinlapse.firstlayer.report import verdict
from twinlapse.firstlayer.self_calibration import calibrate_by_print
from twinlapse.firstlayer.solid import HidingLayer, LowerLayer, hidden_bed
from twinlapse.optics.pose import on_plane, pose_on_mount


def test_the_bed_behind_a_wall_is_hidden_as_far_as_its_shadow_would_fall() -> None:
    canvas = Canvas(left_mm=0.0, back_mm=20.0, step_mm=0.1, width=200, height=200)
    at = canvas.grid_mm()
    wall = (at[..., 1] > 9.0) & (at[..., 1] < 10.0)
    layer = HidingLayer(mask=wall, top_mm=0.6, middle_mm=0.45)
    points = np.concatenate([at, np.zeros((*canvas.shape, 1))], axis=-1)
    # similar triangles: an eye 30 mm before the wall's back and 30 mm up sees the bed again 0.6 mm beyond it
    eye = np.array([10.0, -20.0 + 0.6, 30.0])
    behind = hidden_bed(points, eye, np.zeros(2), canvas, [layer]) & ~wall
    rows = at[behind.any(axis=1), 0, 1]
    assert rows.min() == pytest.approx(10.0, abs=0.1)
    assert rows.max() == pytest.approx(10.0 + 0.6, abs=0.1)
    assert not hidden_bed(points, np.array([10.0, -20.0, 1e6]), np.zeros(2), canvas, [layer])[~wall].any()


def test_a_second_layer_lies_where_opencv_projects_it(bench: Any) -> None:
    scenes, seed, top_mm = bench.scenes, 9204, 0.4
    dice = np.random.default_rng([seed, 11])
    layer, lower = bench.layer_for(seed)[0], bench.below_for(seed)
    camera, spoil = bench.true_camera(dice, 0.5), scenes.Nuisance(glare=0.25, parking=0.0)
    ground = scenes.lay(layer, *bench.LOOKS[0], spoil, dice, lower=lower)
    place = bench.places_for(layer, top_mm)[0]
    frame = SurveyFrame(picture=scenes.shoot(ground, camera, place, spoil, dice), nozzle_mm=place)
    below = [LowerLayer(lines=bench.lines_of(lower), top_mm=0.2, height_mm=0.2)]
    z_mm = top_mm - 0.1
    found = calibrate_by_print([frame], bench.CAMERA, bench.PRINTER, z_mm, bench.lines_of(layer), below=below)
    on_layer = np.array([[x, y, z_mm - place[2]] for x in (-8.0, 0.0, 8.0) for y in (-12.0, -8.0, -4.0)])
    turn = camera.turn()
    rotation, _ = cv2.Rodrigues(turn)
    seen, _ = cv2.projectPoints(
        on_layer, rotation, -turn @ camera.place, camera.matrix(), np.array([camera.k1, 0, 0, 0])
    )
    pose = pose_on_mount(found.camera, bench.PRINTER)
    ours = on_plane(seen.reshape(-1, 2), pose, found.camera.lens, z_mm - place[2])
    off = ours[:, :2] + found.shifts_mm[0] - on_layer[:, :2]
    assert np.hypot(*off.T).max() < 0.1  # with all outlines at one height: 0.33


@pytest.mark.slow
def test_a_sound_second_layer_is_sound_and_a_lump_on_it_is_found(bench: Any) -> None:
    for seed in (9200, 9201, 9203):
        judgement, _, _ = bench.run("second layer", seed)
        assert judgement.sound
        assert "Not looked for on this layer: gaps and missing lines" in verdict(judgement)
        judgement, ((x, y, _),), _ = bench.run("second layer lump", seed)
        assert any(np.hypot(d.at_mm[0] - x, d.at_mm[1] - y) < 2 for d in judgement.defects)
