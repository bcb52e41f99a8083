"""A bed that parks off before a frame that stands still: the one with the print is held."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from skimage import data

from twinlapse.frames.sequence import FrameFile
from twinlapse.rig.film_settings import CameraFilming
from twinlapse.tracking.stabilise import track_camera

SIZE = (960, 540)
FOOT = np.array([480.0, 400.0])


@pytest.fixture(scope="module")
def bed_machine(tmp_path_factory: pytest.TempPathFactory) -> tuple[list[FrameFile], np.ndarray, np.ndarray]:
    """Frames, the shake of the camera (n, 2), and the way of the bed in the picture (n,)."""
    folder = tmp_path_factory.mktemp("bed_machine")
    rng = np.random.default_rng(2)
    back = cv2.resize(data.coffee(), (1060, 640), interpolation=cv2.INTER_CUBIC)
    bed = cv2.cvtColor(cv2.resize(data.gravel(), (1060, 640)), cv2.COLOR_GRAY2RGB)
    shake = np.round(rng.normal(0, 0.4, (20, 2)) * 32) / 32
    park = np.round(rng.normal(0, 0.6, 20) * 32) / 32
    files = []
    for shot in range(20):
        views = [
            cv2.warpAffine(
                body,
                np.array([[1, 0, 50 - shake[shot, 0]], [0, 1, 50 - shake[shot, 1] - down]]),
                SIZE,
                flags=cv2.INTER_LANCZOS4 | cv2.WARP_INVERSE_MAP,
            )
            for body, down in ((back, 0.0), (bed, park[shot]))
        ]
        view = views[0]
        view[270:, 200:760] = views[1][270:, 200:760]
        tall = 6 + 9 * shot
        surface = rng.integers(40, 220, (tall // 6 + 2, 16, 3)).astype(np.uint8)
        view[410 - tall : 410, 430:530] = cv2.resize(surface, (100, tall))
        noisy = np.clip(view + rng.normal(0, 1.5, view.shape), 0, 255).astype(np.uint8)
        path = folder / f"{shot + 1:06d}.jpg"
        cv2.imwrite(str(path), noisy, [cv2.IMWRITE_JPEG_QUALITY, 92])
        files.append(FrameFile(path=path, shot=shot + 1))
    return files, shake, park


def left_px(files: list[FrameFile], hold: str, at: np.ndarray, true: np.ndarray) -> float:
    """RMS of what is left at a place when `true` (n, 2) is how that place moved."""
    track = track_camera("wide", files, CameraFilming(hold=hold), cache=False)
    found = np.array([m.matrix[:, :2] @ at + m.matrix[:, 2] - at for m in track.motions])
    left = true - found
    return float(np.sqrt(((left - left.mean(axis=0)) ** 2).mean()))


def test_the_print_is_held(bed_machine) -> None:
    files, shake, park = bed_machine
    true = shake + np.stack([np.zeros_like(park), park], axis=1)
    assert left_px(files, "off", FOOT, true) > 0.4
    assert left_px(files, "print", FOOT, true) < 0.06
    assert left_px(files, "auto", FOOT, true) < 0.06


def test_the_surroundings_are_held(bed_machine) -> None:
    files, shake, _ = bed_machine
    above = np.array([480.0, 120.0])
    assert left_px(files, "surroundings", above, shake) < 0.06
