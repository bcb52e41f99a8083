"""How steady and how evenly lit the frames come out, against a truth that was put in."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest

from twinlapse.frames.sequence import FrameFile
from twinlapse.imaging.decode import read_picture
from twinlapse.imaging.light import Relight, relight, to_linear
from twinlapse.imaging.resampling import resample
from twinlapse.rig.film_settings import CameraFilming
from twinlapse.tracking.stabilise import Track, track_camera
from twinlapse.tracking.trajectory import CERTAIN


@pytest.fixture(params=["wide", "nozzle"])
def truth(request: pytest.FixtureRequest):
    return request.getfixturevalue(f"{request.param}_truth")


@pytest.fixture
def track(truth) -> Track:
    return track_camera("camera", truth.files, CameraFilming(), cache=False)


def _rms(errors: np.ndarray) -> float:
    return float(np.sqrt((errors**2).mean()))


def test_frames_land_on_each_other(truth, track: Track) -> None:
    errors = truth.errors(np.array([motion.matrix for motion in track.motions]))
    untouched = truth.errors(np.repeat(np.eye(3)[None, :2], len(truth.files), axis=0))
    assert _rms(untouched) > 0.7  # the control: there was something to take out
    assert _rms(errors) < 0.05
    assert np.abs(errors).max() < 0.5


def test_the_nozzle_in_its_own_picture_can_be_held_instead(nozzle_truth) -> None:
    # it stands still in these frames while the scene behind it shakes by 1.5 px
    track = track_camera("nozzle", nozzle_truth.files, CameraFilming(hold="surroundings"), cache=False)
    ways = np.array([(motion.dx_px, motion.dy_px, motion.angle_deg) for motion in track.motions])
    assert min(motion.confidence for motion in track.motions) > CERTAIN
    # its stripes tell where it is up and down; across there is only its outline, before what keeps changing
    assert np.abs(ways[:, 1:]).max() < 0.05
    assert np.sqrt((ways[:, 0] ** 2).mean()) < 0.1


def test_light_comes_out_even_and_contrast_unchanged(truth, track: Track) -> None:
    before, after, contrast = [], [], []
    luma = np.array([0.2126, 0.7152, 0.0722])
    seen = ~cv2.dilate(truth.covered.astype(np.uint8), np.ones((31, 31))).astype(bool)
    seen[:40], seen[-40:], seen[:, :40], seen[:, -40:] = False, False, False, False
    for file, motion, gain in zip(truth.files, track.motions, track.gain, strict=True):
        # averaging codes of neighbours does not change their mean, so softening by a fraction of a pixel
        # cannot pass for flicker here, as it would in linear light
        laid = resample(read_picture(file.path), motion.matrix, truth.size)
        lit = relight(laid, Relight(gain=gain))
        before.append((laid[seen] @ luma).mean())
        after.append((lit[seen] @ luma).mean())
        light = [to_linear(picture)[seen] for picture in (laid, lit)]
        contrast.append(np.divide(*[part.std(axis=0) / part.mean(axis=0) for part in light]))

    def flicker(series: list[float]) -> float:
        return float(np.std(np.diff(series)) / np.mean(series) * 100)

    assert flicker(before) > 3  # the control
    assert flicker(after) < 0.1
    assert np.abs(np.array(contrast) - 1).max() < 0.005


def test_gains_are_those_that_were_put_in(truth, track: Track) -> None:
    # channel by channel a JPEG rounds colour by some tenths of a percent; their mean is not touched
    left = np.log((track.gain * truth.gain) @ [0.2126, 0.7152, 0.0722])
    assert np.std(left) < 0.004
    assert np.std(np.log(truth.gain)) > 0.05


def test_a_frame_of_something_else_is_not_shown(truth, tmp_path: Path) -> None:
    rng = np.random.default_rng(3)
    width, height = truth.size
    blank = cv2.GaussianBlur(rng.integers(0, 255, (height, width, 3)).astype(np.uint8), (0, 0), 3)
    path = tmp_path / "000099.png"
    cv2.imwrite(str(path), blank)
    files = (*truth.files, FrameFile(path=path, shot=99))
    track = track_camera("camera", files, CameraFilming(), cache=False)
    stranger = track.motions[-1]
    assert stranger.confidence < CERTAIN
    assert track.hidden[-1] and not any(track.hidden[:-1]) and path not in track.usable()
    assert min(motion.confidence for motion in track.motions[:-1]) > CERTAIN


def test_off_means_off(truth) -> None:
    filming = CameraFilming(hold="off", light="off")
    track = track_camera("camera", truth.files[:4], filming, cache=False)
    assert all(np.array_equal(motion.matrix, np.eye(3)[:2]) for motion in track.motions)
    assert np.array_equal(track.gain, np.ones((4, 3)))


def test_what_was_measured_is_kept_and_dropped_when_a_frame_changes(truth, tmp_path: Path) -> None:
    files = []
    for file in truth.files[:4]:
        copy = tmp_path / file.path.name
        copy.write_bytes(file.path.read_bytes())
        files.append(FrameFile(path=copy, shot=file.shot))
    first = track_camera("camera", files, CameraFilming())
    kept = tmp_path / ".twinlapse-camera.npz"
    stamp = kept.stat().st_mtime_ns
    calls: list[float] = []
    again = track_camera("camera", files, CameraFilming(), calls.append)
    assert not calls and kept.stat().st_mtime_ns == stamp
    assert np.allclose(first.gain, again.gain)
    files[2].path.write_bytes(b"no picture")
    changed = track_camera("camera", files, CameraFilming(), calls.append)
    assert calls and changed.faults[2]
    kept.write_bytes(b"PK damaged")
    assert track_camera("camera", files, CameraFilming()).faults == changed.faults
