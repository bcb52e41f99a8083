"""A clump on the nozzle, and motion told from lost focus, on pictures of another renderer."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import camera_scenes
import cv2
import numpy as np
import pytest
import second_scenes as scenes

from twinlapse.firstlayer.camera_trouble import CameraTrouble
from twinlapse.firstlayer.classify import judge
from twinlapse.firstlayer.edge_blur import EDGE_WAYS, EdgeBlur, edge_blur, motion_of
from twinlapse.firstlayer.expected import Lines
from twinlapse.firstlayer.mosaic import LayerPictures, SurveyFrame, build_mosaic
from twinlapse.firstlayer.nozzle_clump import Clump, clump_on
from twinlapse.firstlayer.report import verdict
from twinlapse.rig import Printer

TRUE = scenes.Pinhole(
    place=np.array([0.5, -27.5, 34.3]),
    target=np.array([0.2, -6.0, 0.0]),
    roll_deg=0.5,
    focal_px=560.0,
    k1=-0.1,
)
RING = scenes.ring(110.0, 110.0, 12.0, 6)
PLACES = [(104.0, 121.0, 1.2), (116.0, 121.0, 1.2), (110.0, 110.0, 1.2)]
PLASTIC, BED = (0.55, 0.16, 0.07), (0.05, 0.05, 0.055)


@pytest.fixture(scope="module")
def pictures() -> tuple[list[np.ndarray], list[np.ndarray]]:
    """The ring and the bare bed from three stops, parked to 0.1 mm."""
    dice, spoil = np.random.default_rng(61), scenes.Nuisance(glare=0.25)
    printed = scenes.lay(RING, PLASTIC, BED, spoil, dice)
    empty = scenes.lay(RING, PLASTIC, BED, spoil, dice, gone=True)
    return tuple([scenes.shoot(g, TRUE, p, spoil, dice) for p in PLACES] for g in (printed, empty))  # type: ignore[return-value]


def _survey(frames: list[np.ndarray], bare: list[np.ndarray]) -> LayerPictures:
    made = [
        tuple(SurveyFrame(picture=p, nozzle_mm=at) for p, at in zip(some, PLACES, strict=False))
        for some in (frames, bare)
    ]
    return LayerPictures(
        frames=made[0],
        bare=made[1],
        camera=camera_scenes.known_camera(TRUE),
        printer=Printer(bed_mm=(220, 220), height_mm=250),
        top_mm=scenes.HEIGHT,
        height_mm=scenes.HEIGHT,
    )


def _lines() -> Lines:
    ends = np.array(RING.lines)
    return Lines(
        first_mm=ends[:, :2],
        last_mm=ends[:, 2:],
        width_mm=np.array(RING.widths),
        file_line=np.arange(len(ends)),
    )


def test_a_clump_is_seen_and_a_clean_nozzle_is_not_accused(pictures: Any) -> None:
    frames, bare = pictures
    assert clump_on(_survey(frames, bare), _lines()) is None
    ball = [(np.array([-1.2, -0.6, 0.9]), 1.0, np.array(PLASTIC))]
    dice = np.random.default_rng(3)
    dirty = [camera_scenes.with_clump(picture, TRUE, ball, dice) for picture in frames]
    found = clump_on(_survey(dirty, bare), _lines())
    assert found is not None and found.stops >= 2
    rotation, _ = cv2.Rodrigues(TRUE.turn())
    bend = np.array([TRUE.k1, 0, 0, 0, 0])
    at, _ = cv2.projectPoints(ball[0][0][None], rotation, -TRUE.turn() @ TRUE.place, TRUE.matrix(), bend)
    assert math.dist(found.at_px, at.ravel()) < 8
    assert found.area_mm2 == pytest.approx(math.pi, rel=0.4)
    # one that hung there before is no change; at one stop alone it may lie on the bed; no bare bed, no word
    before = [camera_scenes.with_clump(picture, TRUE, ball, dice) for picture in frames]
    assert clump_on(_survey(dirty, before), _lines()) is None
    assert clump_on(_survey([dirty[0], *frames[1:]], bare), _lines()) is None
    assert clump_on(_survey(dirty, []), _lines()) is None


def test_motion_of_one_picture_is_told_and_lost_focus_is_not_motion(pictures: Any) -> None:
    frames, _ = pictures
    still = np.zeros((480, 640), bool)
    nowhere = np.zeros((len(frames), 2))
    motion = motion_of(edge_blur(_survey(frames, []), _lines(), nowhere))
    assert motion.moved_mm == (0.0, 0.0, 0.0)
    sharp_mm = motion.still_mm
    found = edge_blur(
        _survey([frames[0], camera_scenes.moved(frames[1], 7.0, 0.6, still), frames[2]], []),
        _lines(),
        nowhere,
    )
    motion = motion_of(found)
    assert motion.moved_mm[::2] == (0.0, 0.0)
    assert motion.moved_mm[1] * found.px_per_mm[1] == pytest.approx(7.0, rel=0.25)
    # an even motion over m has a standard deviation of m / sqrt(12)
    assert np.nanmax(found.sigma_px[1]) == pytest.approx(7 / math.sqrt(12), rel=0.25)
    soft = [cv2.GaussianBlur(picture, (0, 0), 3.0) for picture in frames]
    motion = motion_of(edge_blur(_survey(soft, []), _lines(), nowhere))
    assert motion.moved_mm == (0.0, 0.0, 0.0)
    assert motion.still_mm > 2 * sharp_mm


def test_what_is_said_of_motion_and_focus() -> None:
    plain = CameraTrouble(least_mm=0.28, blur_mm=0.4, dazzled_share=0.0, specks_px=())
    assert "out of focus" in plain.sentences[0]
    moved = replace(plain, moved_mm=(0.0, 0.6), still_mm=0.1)
    assert len(moved.sentences) == 1 and "1 of 2 pictures moved by up to 0.6 mm" in moved.sentences[0]
    assert replace(plain, still_mm=0.05).sentences == ()  # thin lines have a soft outline in sharp pictures
    both = replace(moved, still_mm=0.3)
    assert len(both.sentences) == 2


def test_a_blurred_map_is_not_called_sound_and_a_clump_is_found(scene: Any, survey_of: Any) -> None:
    made = scene(size_mm=14.0, seed=7)
    survey = survey_of(made.frames()[0])
    mosaic = build_mosaic(survey, made.lines())
    judgement = judge(mosaic, made.lines())
    sharp = CameraTrouble(least_mm=0.28, blur_mm=0.2, dazzled_share=0.0, specks_px=())
    assert replace(judgement, trouble=sharp).sound is True
    soft = replace(judgement, trouble=replace(sharp, blur_mm=0.3))
    assert soft.sound is None and "too blurred" in verdict(soft) and "focus the camera" in verdict(soft)
    dirty = replace(judgement, trouble=replace(sharp, clump=Clump(at_px=(1.0, 2.0), area_mm2=3.2, stops=2)))
    assert dirty.sound is False and verdict(dirty).startswith("About 3 mm2 of something hang on the nozzle")


def test_pictures_that_all_moved_the_same_way_are_told_by_their_other_edges() -> None:
    moved_px, own_px = 8.0, 1.0
    across = math.sqrt(own_px**2 + moved_px**2 / 12)  # an even motion has this spread
    sigma = np.full((2, EDGE_WAYS), np.nan)
    sigma[:, 0], sigma[:, 3] = across, own_px
    told = motion_of(
        EdgeBlur(sigma_px=sigma, px_per_mm=np.full(2, 12.0), depth_mm=np.full(sigma.shape, 40.0))
    )
    assert all(0.8 * moved_px / 12 < way < 1.2 * moved_px / 12 for way in told.moved_mm)
    sigma[:, 0] = 1.8 * own_px
    assert motion_of(
        EdgeBlur(sigma_px=sigma, px_per_mm=np.full(2, 12.0), depth_mm=np.full(sigma.shape, 40.0))
    ).moved_mm == (0.0, 0.0)


def test_blur_of_depth_is_no_motion() -> None:
    # a thin lens focused at 40 mm: its blur grows with the difference of 1/d and 1/40 on either side
    dice = np.random.default_rng(5)
    depth = dice.uniform(29.0, 58.0, (40, EDGE_WAYS))
    camera_px = np.hypot(1.3, 300.0 * (1 / depth - 1 / 40.0))
    seen = dice.random(depth.shape) < 0.3
    assert np.hypot(1.3, 300.0 * (1 / 29.0 - 1 / 40.0)) > 2.0 * 1.3  # as much as a motion of 8 pixels adds
    sigma = np.where(seen, camera_px * dice.normal(1.0, 0.08, depth.shape), np.nan)

    def told(sigma_px: Any) -> Any:
        found = EdgeBlur(sigma_px=sigma_px, px_per_mm=np.full(40, 18.0), depth_mm=depth)
        return np.array(motion_of(found).moved_mm)

    assert not told(sigma).any()
    moved_px = 14.0
    across = moved_px**2 / 12 * np.cos(np.arange(EDGE_WAYS) * math.pi / EDGE_WAYS) ** 2
    moved = sigma.copy()
    ways = [k for k in range(40) if seen[k, [0, 1, 5]].any()][:10]
    moved[ways] = np.sqrt(sigma[ways] ** 2 + across)
    found = told(moved)
    assert (found[ways] > 0).sum() >= 8 and not np.delete(found, ways).any()
