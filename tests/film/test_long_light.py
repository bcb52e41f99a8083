"""A film through day and night: the light turns around the print, and no picture knows all others again."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from skimage import data

from twinlapse.frames.sequence import FrameFile
from twinlapse.imaging import references
from twinlapse.rig.film_settings import CameraFilming
from twinlapse.tracking.link_references import tied
from twinlapse.tracking.measurements import Looks
from twinlapse.tracking.stabilise import track_camera
from twinlapse.tracking.trajectory import CERTAIN

SIZE, COUNT, MARGIN = (640, 360), 48, 40


def sunlit(relief: np.ndarray, azimuth_deg: float, height_deg: float) -> np.ndarray:
    """Light on a relief from one direction (Lambert's cosine law)."""
    dy, dx = np.gradient(relief)
    azimuth, height = np.deg2rad([azimuth_deg, height_deg])
    sun = (np.cos(height) * np.cos(azimuth), np.cos(height) * np.sin(azimuth), np.sin(height))
    return np.clip((-dx * sun[0] - dy * sun[1] + sun[2]) / np.sqrt(1 + dx * dx + dy * dy), 0, 1)


@pytest.fixture(scope="module")
def day_and_night(tmp_path_factory: pytest.TempPathFactory) -> tuple[list[FrameFile], np.ndarray]:
    """Frames from one morning over evening and a dim night to the next morning, and shifts."""
    folder = tmp_path_factory.mktemp("day_and_night")
    rng = np.random.default_rng(12)
    width, height = SIZE
    stones = cv2.resize(
        data.gravel(), (width + 2 * MARGIN, height + 2 * MARGIN), interpolation=cv2.INTER_CUBIC
    )
    relief = cv2.GaussianBlur(stones.astype(np.float64), (0, 0), 1.5) / 12
    files, shifts = [], np.round(rng.normal(0, 1.5, (COUNT, 2)) * 32) / 32
    for shot in range(COUNT):
        share = shot / (COUNT - 1)
        light = 0.08 + 0.7 * sunlit(relief, 340 * share, 35)
        level = 0.25 + 0.75 * np.cos(np.pi * share) ** 2  # dim at night
        move = np.array([[1, 0, MARGIN - shifts[shot, 0]], [0, 1, MARGIN - shifts[shot, 1]]])
        view = cv2.warpAffine(
            light * level * 255, move, SIZE, flags=cv2.INTER_LANCZOS4 | cv2.WARP_INVERSE_MAP
        )
        noisy = np.clip(view + rng.normal(0, 2, view.shape), 0, 255).astype(np.uint8)
        path = folder / f"{shot + 1:06d}.jpg"
        cv2.imwrite(str(path), cv2.cvtColor(noisy, cv2.COLOR_GRAY2BGR), [cv2.IMWRITE_JPEG_QUALITY, 92])
        files.append(FrameFile(path=path, shot=shot + 1))
    return files, shifts


def left_px(files: list[FrameFile], shifts: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return (n, 2) px by which the middle of each frame lies off, and each frame's confidence."""
    motions = track_camera("wide", files, CameraFilming(hold="surroundings"), cache=False).motions
    found = np.array([[motion.dx_px, motion.dy_px] for motion in motions])
    off = found - shifts
    return off - np.median(off, axis=0), np.array([motion.confidence for motion in motions])


@pytest.mark.slow
def test_frames_lie_still_through_day_and_night(day_and_night) -> None:
    off, confidence = left_px(*day_and_night)
    assert confidence.min() > CERTAIN
    assert np.sqrt((off**2).mean()) < 0.1
    # nothing drifts: the last hours lie where the first do
    ends = off[:8].mean(axis=0) - off[-8:].mean(axis=0)
    assert np.abs(ends).max() < 0.1


def test_tiles_of_two_references_are_laid_on_the_first() -> None:
    rng = np.random.default_rng(3)
    frames, tiles = 30, 12
    at = rng.uniform(0, 900, (2 * tiles, 2))  # per reference: six large tiles, then six near the print
    large = np.arange(2 * tiles) % tiles < 6
    part = np.repeat([0, 1], tiles)
    tie, park = np.array([4.25, -2.5]), np.array([0.0, 0.6])  # of the second reference, and of its bed
    shake, bed = rng.normal(0, 1, (frames, 2)), rng.normal(0, 0.4, (frames, 2))
    shifts = shake[:, None] + np.where(large[:, None], 0, bed[:, None]) + rng.normal(0, 0.02, (frames, 24, 2))
    shifts[:, part == 1] -= tie
    shifts[:, (part == 1) & ~large] -= park
    weights = np.ones((frames, 24))
    weights[18:, part == 0] = 0  # the first reference loses sight
    weights[:12, part == 1] = 0
    at[part == 1] += tie
    looks = Looks(
        size=np.array([960, 540]), foot=np.array([480.0, 400]), centres=at, part=part, coarse=large,
        shifts=shifts, weights=weights, faults=np.full(frames, ""),
        ratio=np.ones((frames, 3)), white=np.full((frames, 3), 255.0), ratio_sure=np.ones(frames),
        scene=np.array(True), body=np.zeros((frames, 2, 3)), blur=np.zeros(frames),
        tone=np.zeros((frames, 4)), curve=np.zeros(18), alike=np.ones(frames),
        body_sure=np.zeros(frames), lit=np.ones((30, 40)),
        plain=np.zeros(0, np.int64), left=np.zeros((frames, 0, 3), np.int8),
    )  # fmt: skip
    laid = tied(looks, "shift", looks.coarse)
    truth = shake[:, None] + np.where(large[:, None], 0, bed[:, None])
    left = (laid.shifts - truth)[weights > 0]
    assert np.sqrt((left**2).mean()) < 0.03
    assert np.abs(left.mean(axis=0)).max() < 0.01


def test_one_reference_would_not_do(day_and_night, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(references, "MOST", 1)
    off, confidence = left_px(*day_and_night)
    assert (confidence < CERTAIN).sum() > COUNT // 8 or np.sqrt((off**2).mean()) > 0.3
