"""Slits that the sliced file leaves between lines, and pieces of outline that take in both their sides."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from skimage.color import rgb2lab

from twinlapse.firstlayer.canvas import canvas_over
from twinlapse.firstlayer.expected import Lines
from twinlapse.firstlayer.outline_residual import PIECE_MM, pieces_of
from twinlapse.firstlayer.slits import slits_in_score

BLUR_MM = 0.2
DARK, LIGHT = np.array([52.0, 53.0, 58.0]), np.array([172.0, 172.0, 176.0])


def _two_lines(slit_mm: float) -> Lines:
    """Two bands of three lines each, 0.45 mm wide, with a slit between them at y = 5."""
    at = np.array([5 + side * (slit_mm / 2 + 0.225 + 0.45 * k) for side in (-1, 1) for k in range(3)])
    ends = np.column_stack([np.zeros_like(at), at, np.full_like(at, 10.0), at])
    return Lines(
        first_mm=ends[:, :2],
        last_mm=ends[:, 2:],
        width_mm=np.full(len(at), 0.45),
        file_line=np.arange(len(at)) + 1,
    )


def _score_of(share: float, filament: np.ndarray, bed: np.ndarray) -> float:
    """Score of a mixture in linear light, by scikit-image's CIE Lab."""
    light = share * (filament / 255) ** 2.2 + (1 - share) * (bed / 255) ** 2.2
    low, high, here = (
        rgb2lab(some.reshape(1, 1, 3)).ravel() for some in (bed / 255, filament / 255, light ** (1 / 2.2))
    )
    return float((here - low) @ (high - low) / ((high - low) @ (high - low)))


@pytest.mark.parametrize("slit_mm", [0.1, 0.2, 0.35])
@pytest.mark.parametrize(("filament", "bed"), [(DARK, LIGHT), (LIGHT, DARK)])
def test_a_slit_lowers_the_score_as_a_blurred_strip_of_bed_does(
    slit_mm: float, filament: np.ndarray, bed: np.ndarray
) -> None:
    lines = _two_lines(slit_mm)
    canvas = canvas_over(np.zeros(2), np.full(2, 10.0), 0.1, 1.0)
    dip = slits_in_score(lines, canvas, BLUR_MM, filament, bed)
    rows = canvas.to_px(np.array([[5.0, 5.0]]))[0, 1]
    found = float(np.interp(rows, np.arange(canvas.height), dip[:, canvas.width // 2]))
    # a strip of width w blurred by s shows erf(w / (2 sqrt(2) s)) of itself at its middle
    wanted = 1 - _score_of(1 - math.erf(slit_mm / (2 * math.sqrt(2) * BLUR_MM)), filament, bed)
    assert found == pytest.approx(wanted, abs=0.12)


def test_an_outline_and_lines_side_by_side_are_no_slits() -> None:
    canvas = canvas_over(np.zeros(2), np.full(2, 10.0), 0.1, 1.0)
    dip = slits_in_score(_two_lines(0.0), canvas, BLUR_MM, DARK, LIGHT)
    assert dip[:, 20:-20].max() < 0.01  # between the round ends of lines a little bed shows


@pytest.mark.parametrize("off_px", [0, 7, 15, 29])
def test_both_sides_of_an_outline_are_one_piece(off_px: int) -> None:
    solid = np.zeros((300, 300), np.float32)
    solid[50 : 200 + off_px, 60 + off_px : 220] = 1
    piece = pieces_of(solid, 0.1)
    for column in range(80 + off_px, 200, 10):
        assert len(np.unique(piece[46:54, column])) == 1
    assert len(np.unique(piece[50, 60 + off_px : 220])) >= (160 - off_px) * 0.1 / PIECE_MM


@pytest.mark.slow
def test_a_sound_layer_with_a_slit_beside_its_wall_is_sound(bench: Any) -> None:
    # dark lines 0.2 mm beside a wall, on a bed ten times as bright, with the bare bed
    assert bench.run("sound", 55053, bare_bed=True)[0].sound
