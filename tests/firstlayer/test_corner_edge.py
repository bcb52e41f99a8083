"""The outline of a corner along the line of sight: shade, glints and rims must not move it."""

from __future__ import annotations

import numpy as np
import pytest

from twinlapse.firstlayer.bed_reference import Bed
from twinlapse.firstlayer.corner_edge import risen_mm, sides_mm
from twinlapse.firstlayer.corner_monitor import CornerMonitor, monitor_corners
from twinlapse.firstlayer.corner_strip import Strip
from twinlapse.firstlayer.filament_share import STRIP_STEP_MM, filament_share
from twinlapse.firstlayer.linear_light import codes_of

ORANGE, GREY, DARK = (0.50, 0.12, 0.05), (0.14, 0.13, 0.12), (0.05, 0.05, 0.05)
SIGHT = np.array([0.0, 0.44])  # the camera looks from the front: what rises moves to the back
SIDE = 120


def _inside(edge_mm: float, front: bool) -> np.ndarray:
    """A print with its edge at `edge_mm` above the middle; it fills the back half, or the front half."""
    up_mm = ((SIDE - 1) / 2 - np.arange(SIDE)) * STRIP_STEP_MM
    rows = up_mm > edge_mm if front else up_mm < edge_mm
    return np.repeat(rows[:, None], SIDE, axis=1)


def _picture(
    inside: np.ndarray, filament: tuple[float, ...], bed: tuple[float, ...], seed: int
) -> np.ndarray:
    dice = np.random.default_rng(seed)
    grain = dice.normal(1, 0.08, (*inside.shape, 1))
    return np.where(inside[..., None], np.array(filament), np.array(bed)) * grain


def _codes(light: np.ndarray) -> np.ndarray:
    return (255 * codes_of(np.clip(light, 0, 1))).round().astype(np.uint8)


def test_filament_and_bed_in_the_shade_are_what_they_are() -> None:
    inside = _inside(0.0, front=True)
    light = _picture(inside, ORANGE, GREY, 1)
    light[56:60] *= 0.5  # the rim of the print
    light[60:66] *= 0.45  # its shadow on the bed
    share = filament_share(_codes(light), inside)
    assert share is not None
    # far from the edge, which is a third of the way
    assert share[56:60].mean() > 0.5 and share[60:66].mean() < 0.1, (share[56:60].mean(), share[60:66].mean())


def test_a_pixel_half_covered_is_half_filament() -> None:
    """Mixtures add up in light."""
    inside = _inside(0.0, front=True)
    light = _picture(inside, DARK, (0.4, 0.38, 0.36), 2)
    light[60] = (np.array(DARK) + np.array((0.4, 0.38, 0.36))) / 2
    share = filament_share(_codes(light), inside)
    assert share is not None and share[60].mean() == pytest.approx(0.5, abs=0.05)


def test_filament_of_the_beds_colour_is_not_told() -> None:
    inside = _inside(0.0, front=True)
    assert filament_share(np.full((SIDE, SIDE, 3), 90, np.uint8), inside) is None
    assert filament_share(_codes(_picture(inside, GREY, GREY, 3)), inside) is None


@pytest.mark.parametrize("front", [True, False])
@pytest.mark.parametrize("moved_px", [0, 2, 6])
def test_a_rise_is_read_past_a_glint_on_the_rim(front: bool, moved_px: int) -> None:
    """The first picture has a glint as bright as the bed beside a thin dark rim; the later one has none."""
    sides = []
    for k, edge_px in enumerate((0, moved_px)):
        inside = _inside(edge_px * STRIP_STEP_MM, front)
        light = _picture(inside, DARK, (0.4, 0.38, 0.36), 10 + k)
        if k == 0:
            glint = slice(56, 58) if front else slice(62, 64)  # two pixels of rim remain
            light[glint] = 0.38
        expected = _inside(0.0, front)
        share = filament_share(_codes(light), inside)
        assert share is not None
        sides.append(sides_mm(share, expected, SIGHT, np.zeros(2)))
    assert (sides[0][1] > 0).tolist() == [front, not front]
    assert risen_mm(*sides) == pytest.approx(moved_px * STRIP_STEP_MM / SIGHT[1], abs=0.05)


def test_a_stop_that_is_off_is_no_rise_and_a_hair_is_no_edge() -> None:
    inside, off_mm = _inside(0.0, front=True), np.array([0.1, 0.24])
    light = _picture(_inside(off_mm[1], front=True), ORANGE, GREY, 5)
    share = filament_share(_codes(light), inside)
    assert share is not None
    heights, weights = sides_mm(share, inside, SIGHT, off_mm)
    assert abs(heights[0]) < 0.1 and np.isnan(heights[1]) and weights[1] == 0
    bed = np.zeros((SIDE, SIDE), np.float32)
    bed[62:64] = 0.5
    assert np.isnan(sides_mm(bed, inside, SIGHT, np.zeros(2))[0][0])
    assert np.isnan(risen_mm((heights, weights), (heights, np.zeros(2))))


def _watched(bed: tuple[float, ...], edges_px: list[int], wall_mm: list[float]) -> CornerMonitor:
    """A dark print whose front edge moves; the stops are where they should be."""
    texture = np.random.default_rng(7).normal(90, 12, (SIDE, SIDE)).astype(np.float32)
    beside = Bed(picture=np.dstack([texture] * 3), seen=np.ones((SIDE, SIDE), np.float32))
    pictures = [_codes(_picture(_inside(px * STRIP_STEP_MM, True), DARK, bed, 20)) for px in edges_px]
    strip = Strip(
        corner_mm=(0.0, 0.0),
        pictures=tuple(pictures),
        beds=(beside,) * len(pictures),
        inside=(_inside(0.0, front=True),) * len(pictures),
        sights=np.tile(SIGHT, (len(pictures), 1)),
        wall_mm=np.array(wall_mm),
    )
    return monitor_corners([strip])[0]


def test_where_filament_and_bed_look_alike_a_wall_that_grew_may_be_taken_for_bed() -> None:
    """Two pixels are a rise of 0.36 mm."""
    alike = (0.14, 0.14, 0.14)  # 17 apart in CIE Lab
    assert _watched(alike, [0, 2, 2], [0.0, 0.0, 0.0]).lifted
    assert not _watched(alike, [0, 0, 2], [0.0, 0.0, 0.0]).known
    assert not _watched(alike, [0, 2, 2], [0.0, 0.2, 0.4]).known
    assert not _watched(alike, [0, 0, 0], [0.0, 0.0, 0.0]).known
    assert _watched((0.4, 0.4, 0.4), [0, 2, 2], [0.0, 0.2, 0.4]).lifted
    assert _watched((0.4, 0.4, 0.4), [0, 0, 0], [0.0, 0.2, 0.4]).known


def test_what_lies_elsewhere_in_the_first_picture_is_not_the_outline() -> None:
    bright = (0.4, 0.4, 0.4)
    assert _watched(bright, [0, 3, 3], [0.0] * 3).lifted
    assert not _watched(bright, [7, 10, 10], [0.0] * 3).known
