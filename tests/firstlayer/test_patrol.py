"""The corner patrol: corners found, a rising corner told by how far it rises, steady ones left in peace."""

from __future__ import annotations

import functools
from collections.abc import Callable
from typing import Any

import cv2
import numpy as np
import pytest

from twinlapse.firstlayer.mosaic import SurveyFrame
from twinlapse.firstlayer.patrol import strip_of, watch_corners
from twinlapse.plan.corners import outermost_corners
from twinlapse.rig import Camera, Printer
from twinlapse.rig.lens import unproject
from twinlapse.rig.pose import on_plane, pose_in_bed, see

CORNERS = [(90.0, 90.0), (114.0, 90.0), (114.0, 114.0), (90.0, 114.0)]


@functools.cache
def _rays(lens: Any) -> np.ndarray:
    return unproject(np.stack(np.meshgrid(np.arange(640.0), np.arange(480.0)), axis=-1), lens)


def _seen(
    camera: Camera,
    printer: Printer,
    truth: tuple[Any, np.ndarray],
    corner: tuple[float, float],
    lift: float,
    seed: int,
) -> SurveyFrame:
    """A picture of a corner whose outermost 6 mm are bent up by `lift`; the nozzle parks 0.05 mm off."""
    dice = np.random.default_rng(seed)
    said = (corner[0], corner[1] + 12.5, 1.2)
    stands = (said[0] + dice.normal(0, 0.05), said[1] + dice.normal(0, 0.05), said[2])
    pose, lens = pose_in_bed(camera, printer, stands), camera.lens
    canvas, colours = truth
    ways = pose.to_world(_rays(lens))
    z: Any = 0.2
    for _ in range(7 if lift else 1):  # walk along the ray until it meets the bent surface
        place = pose.place_mm + ((z - pose.place_mm[2]) / ways[..., 2])[..., None] * ways
        z = 0.2 + lift * np.clip(1 - np.abs(place[..., :2] - corner).max(axis=-1) / 6, 0, 1)
    at = canvas.to_px(place[..., :2]).astype(np.float32)
    picture = cv2.remap(colours.astype(np.float32), at[..., 0], at[..., 1], cv2.INTER_LINEAR)
    picture = picture * dice.normal(1, 0.04) + dice.normal(0, 3, picture.shape)
    return SurveyFrame(picture=np.clip(picture, 0, 255).astype(np.uint8), nozzle_mm=said)


def _watched(scene: Callable[..., Any], rig_parts: Any, lifts: list[float], seed: int) -> list[Any]:
    camera, printer, _ = rig_parts
    truth = scene(seed=seed).above()
    strips, nozzles = [], {}
    for k, corner in enumerate(CORNERS):
        ups = [0.0, 0.0, *([lifts[k]] * 2)]
        frames = [
            (_seen(camera, printer, truth, corner, up, 100 * seed + 10 * k + n), 0.2)
            for n, up in enumerate(ups)
        ]
        strips.append(strip_of(corner, frames, camera, printer))
        nozzles[corner] = (*frames[0][0].nozzle_mm[:2], 1.0)
    return watch_corners(strips, nozzles, camera, printer)


def test_corners_of_an_outline() -> None:
    square = np.array([[x, y] for x in np.linspace(0, 20, 41) for y in np.linspace(0, 10, 21)])
    assert sorted(outermost_corners(square)) == [(0, 0), (0, 10), (20, 0), (20, 10)]
    assert len(outermost_corners(square, 2)) == 2


@pytest.mark.parametrize("lift", [0.8, pytest.param(1.5, marks=pytest.mark.slow)])
def test_a_lifted_corner_is_found_and_no_other(scene: Any, rig_parts: Any, lift: float) -> None:
    watches = _watched(scene, rig_parts, [0.0, lift, 0.0, 0.0], 1)
    assert [watch.lifted for watch in watches] == [False, True, False, False]
    assert watches[1].since == 2


@pytest.mark.slow
def test_steady_corners_are_left_in_peace(scene: Any, rig_parts: Any) -> None:
    for seed in (2, 3):
        assert not any(watch.lifted for watch in _watched(scene, rig_parts, [0.0] * 4, seed))


def test_a_point_laid_higher_moves_along_the_line_of_sight(rig_parts: Any) -> None:
    """The geometry behind the estimate: similar triangles of eye, corner and plane."""
    camera, printer, _ = rig_parts
    pose = pose_in_bed(camera, printer, (100.0, 100.0, 1.0))
    point = np.array([104.0, 88.0, 0.5])
    laid = on_plane(see(point, pose, camera.lens), pose, camera.lens, 0.0)
    sight = (point[:2] - pose.place_mm[:2]) / pose.place_mm[2]
    assert laid[:2] - point[:2] == pytest.approx(
        0.5 * sight * pose.place_mm[2] / (pose.place_mm[2] - 0.5), abs=1e-6
    )
