"""The sample job, rehearsed: a bed that parks off and cameras that shake, against the written truth."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pytest

from twinlapse.film.report import shift_rows
from twinlapse.frames.job import Job
from twinlapse.frames.sequence import read_sequence
from twinlapse.imaging.decode import read_picture
from twinlapse.imaging.light import Relight, relight
from twinlapse.imaging.resampling import resample
from twinlapse.job_folder import prepare
from twinlapse.rehearsal import rehearse
from twinlapse.rehearsal.truth import Truth, residual_px, rms_px
from twinlapse.rig import read_rig
from twinlapse.tracking.stabilise import Track, track_camera

SAMPLE = Path(__file__).parents[2] / "sample_jobs" / "seedling_pot"
# what of each camera stands still in its film: the print on the bed that parks off before the wide one, the
# nozzle before the one that rides with it
HELD = {"wide": "print", "nozzle": "surroundings"}
LUMA = np.array([0.2126, 0.7152, 0.0722])  # ITU-R BT.709


@dataclass(frozen=True)
class Rehearsed:
    """One camera's frames as the film holds them, and the truth."""

    camera: str
    track: Track
    truth: Truth

    @property
    def good(self) -> list[int]:
        return [place for place, fault in enumerate(self.track.faults) if not fault]

    def left_px(self, *, untouched: bool = False) -> np.ndarray:
        rows = shift_rows(self.track)
        rows = [(row[0], 0.0, 0.0, 0.0) for row in rows] if untouched else rows
        return residual_px(rows, self.truth, self.camera, HELD[self.camera])[1]

    def pictures(self) -> list[tuple[np.ndarray, np.ndarray]]:
        """Return each good frame laid on the reference, without and with its gain."""
        pairs = []
        for place in self.good:
            laid = resample(
                read_picture(self.track.files[place].path), self.track.motions[place].matrix, self.track.size
            )
            pairs.append((laid, relight(laid, Relight(gain=self.track.gain[place]))))
        return pairs


@pytest.fixture(scope="module")
def rehearsed(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Rehearsed]:
    """Both cameras at every fifth layer."""
    rig = read_rig(SAMPLE / "rig.toml")
    rig = replace(rig, cameras=tuple(replace(camera, every={"layers": 5}) for camera in rig.cameras))
    job = Job(tmp_path_factory.mktemp("rehearsed") / "pot")
    prepare(SAMPLE / "pot.gcode", rig, job)
    truth = rehearse(job.filmed, rig, job).truth
    made = {}
    for camera in rig.cameras:
        files = read_sequence(job.folder / "frames" / camera.name, camera.name).files
        track = track_camera(camera.name, files, camera.film, cache=False)
        made[camera.name] = Rehearsed(camera.name, track, truth)
    return made


@pytest.mark.slow
@pytest.mark.parametrize("camera", HELD)
def test_what_is_held_stands_still(rehearsed: dict[str, Rehearsed], camera: str) -> None:
    one = rehearsed[camera]
    assert len(one.good) >= 20
    assert rms_px(one.left_px(untouched=True)) > 0.2  # the control
    left = one.left_px()
    assert rms_px(left) < 0.05
    assert np.abs(left).max() < 0.5


@pytest.mark.slow
@pytest.mark.parametrize("camera", HELD)
def test_gains_are_those_of_the_light(rehearsed: dict[str, Rehearsed], camera: str) -> None:
    one = rehearsed[camera]
    light = {frame.shot: frame.gain for frame in one.truth.frames[camera]}
    true = np.array([light[one.track.files[place].shot] for place in one.good])
    left = np.log(one.track.gain[one.good] @ LUMA * true)
    assert np.std(np.log(true)) > 0.03  # the control
    assert np.std(left) < {"wide": 0.001, "nozzle": 0.002}[camera]  # a nozzle is small, and a JPEG rounds


@pytest.mark.slow
@pytest.mark.parametrize("camera", HELD)
def test_off_the_print_it_is_evenly_lit_and_no_flatter(rehearsed: dict[str, Rehearsed], camera: str) -> None:
    pairs = rehearsed[camera].pictures()
    stack = np.stack([lit @ LUMA for _, lit in pairs])
    # off the print: what changes over the film as noise does, whose 1.5 codes a channel are 1.1 codes of luma
    still = np.std(stack, axis=0) < 1.25
    still[:20], still[-20:], still[:, :20], still[:, -20:] = False, False, False, False
    assert still.mean() > 0.05

    def flicker(pictures: list[np.ndarray]) -> float:
        means = np.array([(picture @ LUMA)[still].mean() for picture in pictures])
        return float(np.std(np.diff(means)) / means.mean() * 100)

    assert flicker([laid for laid, _ in pairs]) > 1  # the control
    assert flicker([lit for _, lit in pairs]) < 0.1
    for laid, lit in pairs:
        spread = [
            (part + 14.025).std(axis=(0, 1)) / (part + 14.025).mean(axis=(0, 1)) for part in (laid, lit)
        ]
        assert np.abs(spread[1] / spread[0] - 1).max() < 0.005
