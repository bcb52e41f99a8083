"""The camera by the print: scenes of another renderer, with a camera that is not the rig's."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
import pytest

from twinlapse.firstlayer.mosaic import SurveyFrame
from twinlapse.firstlayer.self_calibration import calibrate_by_print
from twinlapse.optics.lens import camera_matrix
from twinlapse.optics.pose import pose_on_mount


@pytest.mark.slow
def test_a_sound_layer_is_sound_though_the_rig_is_wrong(bench: Any) -> None:
    judgement, _, facts = bench.run("sound", 9100)
    assert judgement.defects == ()
    assert judgement.can_tell
    assert facts["residual"] < 0.1


def test_the_solved_camera_projects_as_opencv_does_with_the_true_one(bench: Any) -> None:
    scenes = bench.scenes
    dice = np.random.default_rng([9101, 11])
    layer = scenes.sheet(90.0, 90.0, 24, 20, 45.0)
    camera, spoil = bench.true_camera(dice), scenes.Nuisance(glare=0.25)
    ground = scenes.lay(layer, *bench.LOOKS[0], spoil, dice)
    places = bench.places_for(layer, scenes.HEIGHT)
    frames = [SurveyFrame(picture=scenes.shoot(ground, camera, p, spoil, dice), nozzle_mm=p) for p in places]
    found = calibrate_by_print(frames, bench.CAMERA, bench.PRINTER, 0.2, bench.lines_of(layer))
    assert found.trusted
    turn = camera.turn()
    print_mm = np.array([[x, y, -1.0] for x in (-8.0, 0.0, 8.0) for y in (-14.0, -8.0, -3.0)])
    rotation, _ = cv2.Rodrigues(turn)
    seen, _ = cv2.projectPoints(
        print_mm, rotation, -turn @ camera.place, camera.matrix(), np.array([camera.k1, 0, 0, 0])
    )
    pose = pose_on_mount(found.camera, bench.PRINTER)
    ours, _ = cv2.Rodrigues(pose.axes)
    told, _ = cv2.projectPoints(
        print_mm,
        ours,
        -pose.axes @ pose.place_mm,
        camera_matrix(found.camera.lens),
        np.array(found.camera.lens.distortion, float),
    )
    off = (told - seen).reshape(-1, 2)
    before = np.linalg.norm(_rig_pixels(bench, print_mm) - seen.reshape(-1, 2), axis=1).max()
    # a pixel is about 0.08 mm; the stops' common parking error of up to 0.1 mm is not the camera's
    assert np.linalg.norm(off - off.mean(axis=0), axis=1).max() < 6.0 < before


def _rig_pixels(bench: Any, points: np.ndarray) -> np.ndarray:
    pose = pose_on_mount(bench.CAMERA, bench.PRINTER)
    ours, _ = cv2.Rodrigues(pose.axes)
    told, _ = cv2.projectPoints(
        points, ours, -pose.axes @ pose.place_mm, camera_matrix(bench.CAMERA.lens), np.zeros(4)
    )
    return told.reshape(-1, 2)


def test_an_empty_bed_is_an_alarm(bench: Any) -> None:
    judgement, _, _ = bench.run("nothing", 9102)
    assert [d.kind for d in judgement.defects] == ["missing object"]
    assert judgement.sound is False


@pytest.mark.slow
def test_gaps_are_found_though_the_rig_is_wrong(bench: Any) -> None:
    judgement, put, _ = bench.run("gaps", 9108)
    assert put
    for x, y, _ in put:
        assert any(bench._near(d.box_mm, x, y) for d in judgement.defects)
