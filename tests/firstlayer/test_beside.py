"""The bed beside a corner: it tells how far a stop was off, and says when it cannot."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
import pytest
from skimage import data

from twinlapse.firstlayer.bed_reference import NO_SLIP, Bed, bed_beside, bed_canvas, slip
from twinlapse.firstlayer.mosaic import SurveyFrame
from twinlapse.optics.pose import on_plane, pose_in_bed

CORNER = (110.0, 110.0)
AWAY = np.array([1.0, 1.0]) / 2**0.5  # from the print, which fills the quarter below the corner
PX_MM = 0.05
# scikit-image's photograph of gravel: detail of every size, and none of our making
GRAVEL = cv2.GaussianBlur(data.gravel(), (0, 0), 1.0)


def seen(rig_parts: Any, texture: np.ndarray, off_mm: tuple[float, float], seed: int) -> SurveyFrame:
    """A picture of a bed from a stop that is `off_mm` from where the file sent it."""
    camera, printer, _ = rig_parts
    said = (CORNER[0], CORNER[1] + 12.5, 1.2)
    stands = (said[0] + off_mm[0], said[1] + off_mm[1], said[2])
    pixels = np.stack(np.meshgrid(np.arange(640.0), np.arange(480.0)), axis=-1)
    ground = on_plane(pixels, pose_in_bed(camera, printer, stands), camera.lens)[..., :2]
    at = ((ground - CORNER) / PX_MM + 256).astype(np.float32)
    grey = cv2.remap(texture, at[..., 0], at[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT)
    dice = np.random.default_rng(seed)
    picture = np.repeat(grey[..., None], 3, axis=2) * dice.normal(1, 0.05) + dice.normal(0, 3, (480, 640, 3))
    return SurveyFrame(picture=picture.clip(0, 255).astype(np.uint8), nozzle_mm=said)


def bed_at(corner_mm: tuple[float, float], rig_parts: Any, frame: SurveyFrame) -> Bed | None:
    """The piece of bed beside a corner, as a picture shows it."""
    camera, printer, _ = rig_parts
    canvas = bed_canvas(np.array(corner_mm), AWAY)
    printed = (canvas.grid_mm() < corner_mm).all(axis=-1)
    return bed_beside(canvas, printed, frame, camera, printer)


@pytest.mark.parametrize("off", [(0.0, 0.0), (0.11, -0.05), (-0.2, 0.24)])
def test_a_stop_that_is_off_is_told(rig_parts: Any, off: tuple[float, float]) -> None:
    beds = [
        bed_at(CORNER, rig_parts, seen(rig_parts, GRAVEL, way, k))
        for k, way in enumerate([(0.04, 0.02), (0.04 + off[0], 0.02 + off[1])])
    ]
    found = slip(*beds)
    # what stands further right shows the bed further left
    assert np.abs(found.moved_mm + off).max() < 0.015
    assert found.spread_mm < 0.03


def test_a_bed_without_a_mark_tells_nothing(rig_parts: Any) -> None:
    blank = np.full_like(GRAVEL, 60)
    beds = [
        bed_at(CORNER, rig_parts, seen(rig_parts, blank, way, k))
        for k, way in enumerate([(0.0, 0.0), (0.3, 0.3)])
    ]
    found = slip(*beds)
    assert np.abs(found.moved_mm).max() < 0.1 and found.spread_mm > 0.03


def test_what_is_out_of_the_picture_is_not_used(rig_parts: Any) -> None:
    frame = seen(rig_parts, GRAVEL, (0.0, 0.0), 1)
    assert bed_at((160.0, 110.0), rig_parts, frame) is None
    bed = bed_at(CORNER, rig_parts, frame)
    assert bed is not None and slip(bed, None) == NO_SLIP == slip(None, bed)
