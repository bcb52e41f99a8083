"""Pictures with a known truth: scikit-image's photographs moved, turned, dimmed and partly covered."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
import pytest
from skimage import data

from twinlapse.frames.sequence import FrameFile

MARGIN = 60


@dataclass(frozen=True)
class Truth:
    """Frames on the disk and what was done to them."""

    files: tuple[FrameFile, ...]
    maps: np.ndarray  # (n, 2, 3) scene without margin -> frame
    gain: np.ndarray  # (n, 3) in linear light
    covered: np.ndarray  # (height, width) bool: where the print, the nozzle or an occluder ever is
    size: tuple[int, int]

    def errors(self, matrices: np.ndarray) -> np.ndarray:
        """Return (n, points, 2) px by which frames brought to their reference lie off.

        ``matrices`` (n, 2, 3) map the reference to each frame. They may share any fixed offset, as the
        reference is a frame with a motion of its own: the error is what differs from frame to frame.
        """
        width, height = self.size
        grid = np.stack(np.meshgrid(np.linspace(0.1, 0.9, 5) * width, np.linspace(0.1, 0.9, 5) * height), -1)
        points = grid.reshape(-1, 2)
        landed = []
        for matrix, true in zip(matrices, self.maps, strict=True):
            # where a scene point lies after the frame has been laid on the reference
            frame = points @ true[:, :2].T + true[:, 2]
            landed.append((frame - matrix[:, 2]) @ np.linalg.inv(matrix[:, :2]).T)
        at = np.array(landed)
        return at - at.mean(axis=0)


def to_linear(code: np.ndarray) -> np.ndarray:
    """sRGB to linear light (IEC 61966-2-1), written once more: code under test is not its own judge."""
    value = code / 255
    return np.where(value <= 0.04045, value / 12.92, ((value + 0.055) / 1.055) ** 2.4)


def to_srgb(light: np.ndarray) -> np.ndarray:
    """Linear light to sRGB."""
    value = np.clip(light, 0, 1)
    return 255 * np.where(value <= 0.0031308, 12.92 * value, 1.055 * value ** (1 / 2.4) - 0.055)


def make_truth(
    folder: Path,
    scene: np.ndarray,
    size: tuple[int, int],
    count: int,
    *,
    shift_px: float = 1.5,
    turn_deg: float = 0.5,
    flicker: float = 0.08,
    nozzle: bool = False,
    seed: int = 7,
) -> Truth:
    """Write frames of a scene under jitter, a growing print and flickering light."""
    rng = np.random.default_rng(seed)
    folder.mkdir(parents=True)
    width, height = size
    large = cv2.resize(scene, (width + 2 * MARGIN, height + 2 * MARGIN), interpolation=cv2.INTER_CUBIC)
    light = to_linear(large.astype(np.float64)).astype(np.float32) * 0.6
    covered = np.zeros((height, width), bool)
    files, maps, gains = [], [], []
    for shot in range(1, count + 1):
        turn = np.deg2rad(rng.uniform(-turn_deg, turn_deg))
        spin = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
        middle = np.array([width / 2, height / 2])
        # the resampler works in steps of 1/32 px: shifts are put on them, so that the truth is exact
        way = np.round(rng.normal(0, shift_px, 2) * 32) / 32
        true = np.hstack([spin, (middle - spin @ middle + way)[:, None]])
        back = np.hstack([spin.T, (-spin.T @ true[:, 2] + MARGIN)[:, None]])
        view = cv2.warpAffine(light, back, size, flags=cv2.INTER_LANCZOS4 | cv2.WARP_INVERSE_MAP)
        _grow(view, covered, shot / count, rng)
        if nozzle:
            _nozzle(view, covered)
        gain = np.exp(rng.normal(0, flicker) + rng.normal(0, 0.01, 3))
        code = to_srgb(view * gain.astype(np.float32)) + rng.normal(0, 2, view.shape)
        path = folder / f"{shot:06d}.jpg"
        cv2.imwrite(
            str(path),
            np.clip(np.rint(code), 0, 255).astype(np.uint8)[..., ::-1],
            [cv2.IMWRITE_JPEG_QUALITY, 92],
        )
        files.append(FrameFile(path=path, shot=shot))
        maps.append(true)
        gains.append(gain)
    return Truth(files=tuple(files), maps=np.array(maps), gain=np.array(gains), covered=covered, size=size)


def _grow(view: np.ndarray, covered: np.ndarray, share: float, rng: np.random.Generator) -> None:
    """A print that ends up over 30 % of the picture, its surface new in every frame."""
    height, width, _ = view.shape
    left, right, foot = int(0.3 * width), int(0.74 * width), int(0.95 * height)
    top = foot - max(1, int(0.68 * height * share))
    surface = rng.uniform(0.05, 0.5, ((foot - top) // 6 + 2, (right - left) // 6 + 2, 3)).astype(np.float32)
    view[top:foot, left:right] = cv2.resize(surface, (right - left, foot - top))
    covered[top - 4 : foot + 4, left - 4 : right + 4] = True


def _nozzle(view: np.ndarray, covered: np.ndarray) -> None:
    """A bright rigid thing that never moves in the picture, whatever the scene does."""
    height, width, _ = view.shape
    x, y = width // 2, height // 2
    outline = np.array([[x - width // 9, 0], [x + width // 9, 0], [x + width // 40, y], [x - width // 40, y]])
    mask = np.zeros((height, width), np.uint8)
    cv2.fillPoly(mask, [outline], 1)
    stripes = (0.25 + 0.2 * np.sin(np.arange(height) / 3))[:, None, None]
    view[mask > 0] = np.broadcast_to(stripes, view.shape)[mask > 0]
    covered |= cv2.dilate(mask, np.ones((9, 9), np.uint8)) > 0


@pytest.fixture(scope="session")
def wide_truth(tmp_path_factory: pytest.TempPathFactory) -> Truth:
    """A wide view: photograph of a coffee cup from scikit-image's wheel."""
    folder = tmp_path_factory.mktemp("wide_truth") / "wide"
    return make_truth(folder, data.coffee(), (960, 540), 10)


@pytest.fixture(scope="session")
def nozzle_truth(tmp_path_factory: pytest.TempPathFactory) -> Truth:
    """A nozzle's view: gravel from scikit-image's wheel, with a rigid nozzle before it."""
    folder = tmp_path_factory.mktemp("nozzle_truth") / "nozzle"
    scene = cv2.cvtColor(data.gravel(), cv2.COLOR_GRAY2RGB)
    return make_truth(folder, scene, (640, 480), 10, nozzle=True, seed=8)


@pytest.fixture(scope="session")
def truth_maker() -> Callable[..., Truth]:
    """`make_truth` for tests with conditions of their own."""
    return make_truth
