"""Registration and the choice of frames, judged on frames drawn by code of their own with their truth.

The whole table, at full size, is printed by tests/bench/bench_alignment.py; here small frames show the laws.
"""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path

import numpy as np
import pytest

from twinlapse.film.report import shot_numbers
from twinlapse.frames.sequence import read_sequence
from twinlapse.rig.film_settings import CameraFilming
from twinlapse.tracking.stabilise import Track, track_camera

_SPEC = importlib.util.spec_from_file_location(
    "drawn_frames", Path(__file__).parents[1] / "bench" / "drawn_frames.py"
)
assert _SPEC is not None and _SPEC.loader is not None
drawn_frames = importlib.util.module_from_spec(_SPEC)
sys.modules["drawn_frames"] = drawn_frames
_SPEC.loader.exec_module(drawn_frames)

SIZE, COUNT = (480, 270), 18
Shake = drawn_frames.Shake


def drawing(folder: Path, shakes: list, **more: object):
    scene = drawn_frames.photograph("coffee", SIZE)
    return drawn_frames.Drawing(
        title="small", folder=folder, size=SIZE, scene=scene, shakes=shakes, **more
    ).write()


def tracked(drawn, hold: str = "surroundings") -> tuple[Track, np.ndarray, np.ndarray]:
    """Track, largest error of each frame in px, confidence of each."""
    files = read_sequence(drawn.folder, "wide").files
    track = track_camera("wide", files, CameraFilming(hold=hold), cache=False)
    error = drawn.residuals(np.array([motion.matrix for motion in track.motions]), "surroundings").max(axis=1)
    return track, error, np.array([motion.confidence for motion in track.motions])


def shaken(seed: int, px: float = 1.2, **more: object) -> list:
    rng = np.random.default_rng(seed)
    return [Shake(x_px=rng.normal(0, px), y_px=rng.normal(0, px), **more) for _ in range(COUNT)]


def test_scale_that_breathes_is_followed(tmp_path: Path) -> None:
    shakes = [
        Shake(**{**vars(shake), "scale": 1 + 0.002 * np.sin(place)}) for place, shake in enumerate(shaken(1))
    ]
    _, error, confidence = tracked(drawing(tmp_path / "w", shakes))
    assert error.max() < 0.2 and confidence.min() > 0.5


def test_rows_that_lean_are_set_upright(tmp_path: Path) -> None:
    rng = np.random.default_rng(2)
    shakes = [Shake(**{**vars(shake), "row_skew": rng.normal(0, 0.003)}) for shake in shaken(2)]
    drawn = drawing(tmp_path / "w", shakes)
    _, error, _ = tracked(drawn)
    assert error.max() < 0.25
    # the control: a similarity cannot do it
    files = read_sequence(drawn.folder, "wide").files
    plain = track_camera("wide", files, CameraFilming(hold="surroundings", model="rotation"), cache=False)
    left = drawn.residuals(np.array([motion.matrix for motion in plain.motions]), "surroundings")
    assert left.max() > 0.4


def test_a_blurred_frame_is_measured_by_its_middle_and_not_shown(tmp_path: Path) -> None:
    shakes = shaken(3)
    for place, way in ((5, (9.0, 4.0)), (11, (-3.0, 7.5))):
        shakes[place] = Shake(**{**vars(shakes[place]), "blur_px": way})
    track, error, confidence = tracked(drawing(tmp_path / "w", shakes))
    assert not np.any((error > 0.5) & (confidence > 0.5))
    assert error[[5, 11]].max() < 0.5
    assert [place for place, why in enumerate(track.hidden) if why] == [5, 11]
    assert track.hidden[5] == "blurred by motion"


def test_what_is_no_picture_of_the_print_is_not_shown(tmp_path: Path) -> None:
    lights = np.exp(np.random.default_rng(9).normal(0, 0.02, COUNT))
    shakes = [
        Shake(**{**vars(shake), "light": light}) for shake, light in zip(shaken(4), lights, strict=True)
    ]
    shakes[14] = Shake(**{**vars(shakes[14]), "light": 0.02})

    def over(view: np.ndarray, shake: object, place: int, rng: np.random.Generator) -> None:
        if place == 3:
            view[:] = 0
        if place == 7:
            view[:] = np.clip(view * 9 + 0.4, 0, 1)
        if place == 10:
            view[:, 60:440] = (0.4, 0.25, 0.17)

    track, error, _ = tracked(drawing(tmp_path / "w", shakes, over=over))
    assert {place: why for place, why in enumerate(track.hidden) if why}.keys() == {3, 7, 10, 14}
    assert track.hidden[10] == "something is in the way"
    # black frames and a light that was off do not keep the others from being lit evenly
    light = np.array([shake.light for shake in shakes])
    shown = np.array([not why for why in track.hidden])
    even = (track.gain[:, 1] * light)[shown]
    assert np.ptp(light[shown]) > 0.05 and np.ptp(even) < 0.01
    assert error[shown].max() < 0.2
    assert len(track.usable()) == COUNT - 4
    again = track.chosen(keep={8}, drop={1})  # shots are counted from 1
    assert not again.hidden[7] and again.hidden[0] == "dropped"
    assert again.hidden[3] == track.hidden[3]


def test_a_knock_that_lasts_is_no_jump(tmp_path: Path) -> None:
    shakes = shaken(5)
    for place in range(11, COUNT):
        near = vars(shakes[place])
        shakes[place] = Shake(
            **{**near, "x_px": near["x_px"] + 26, "y_px": near["y_px"] - 14, "turn_deg": 0.8}
        )
    track, error, _ = tracked(drawing(tmp_path / "w", shakes))
    assert error.max() < 0.3 and not any(track.hidden)


def test_shots_are_named_in_lists() -> None:
    assert shot_numbers(["3,7-9", "wide:12"]) == {"": {3, 7, 8, 9}, "wide": {12}}
    with pytest.raises(ValueError, match="is not a list of shots"):
        shot_numbers(["7-x"])
