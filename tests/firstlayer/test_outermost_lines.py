"""Outermost lines that are missing though the map was laid onto the outline that is there."""

from dataclasses import replace

import cv2
import numpy as np
import pytest
import second_scenes as scenes

from twinlapse.firstlayer.canvas import canvas_over
from twinlapse.firstlayer.expected import Lines, drawn
from twinlapse.firstlayer.outermost_lines import missing_lines, sides_of

WIDE, DEEP = 14.0, 10.0
CANVAS = canvas_over(np.array([50.0, 60.0]), np.array([50 + WIDE, 60 + DEEP]), 0.1, 4.0)


def sheet(angle_deg: float = 45.0) -> Lines:
    made = scenes.sheet(50.0, 60.0, WIDE, DEEP, angle_deg)
    ends = np.array(made.lines)
    return Lines(
        first_mm=ends[:, :2],
        last_mm=ends[:, 2:],
        width_mm=np.array(made.widths),
        file_line=np.arange(len(ends)) + 1,
    )


def shown(lines: Lines, stretch: tuple[float, float], shift: tuple[float, float], wider: float) -> np.ndarray:
    """Return the score of a print that a map shows stretched and shifted: drawn by distances to lines."""
    rng = np.random.default_rng(5)
    middle = np.array([50 + WIDE / 2, 60 + DEEP / 2])
    fine = replace(CANVAS, step_mm=CANVAS.step_mm / 2, width=2 * CANVAS.width, height=2 * CANVAS.height)
    at = middle + (fine.grid_mm() - middle - np.array(shift)) / (1 + np.array(stretch))
    ink = np.zeros(fine.shape, np.float32)
    for a, b, width in zip(lines.first_mm, lines.last_mm, lines.width_mm, strict=True):
        way = b - a
        share = np.clip((at - a) @ way / (way @ way), 0, 1)
        ink[np.hypot(*np.moveaxis(at - a - share[..., None] * way, -1, 0)) < width / 2 + wider] = 1
    small = cv2.resize(ink, (CANVAS.width, CANVAS.height), interpolation=cv2.INTER_AREA)
    blurred = cv2.GaussianBlur(small, (0, 0), 2.0)
    return (blurred + rng.normal(0, 0.05, blurred.shape)).astype(np.float32)


def said(lines: Lines, score: np.ndarray) -> list[int]:
    seen = np.ones(CANVAS.shape, np.bool_)
    return sorted(missing_lines(score, lines, CANVAS, drawn(lines, CANVAS), seen, 0.2).tolist())


def without(lines: Lines, which: int) -> Lines:
    return lines.some(np.arange(len(lines)) != which)


@pytest.mark.parametrize("side", [0, 1, 2, 3])
def test_a_missing_side_is_told_though_the_map_is_stretched_over_it(side: int) -> None:
    lines = sheet()
    axis = 1 if side in (0, 2) else 0
    size, sign = (WIDE, DEEP)[axis], -1 if side in (0, 3) else 1
    stretch, shift = [0.0, 0.0], [0.0, 0.0]
    stretch[axis] = 0.45 / (size - 0.45)
    shift[axis] = sign * 0.45 / 2
    assert said(lines, shown(without(lines, side), tuple(stretch), tuple(shift), 0.0)) == [side]


@pytest.mark.parametrize(
    ("wider", "stretch"), [(-0.1, 0.0), (-0.05, -0.02), (0.0, 0.02), (0.1, 0.0), (0.1, -0.02)]
)
def test_whole_outlines_are_not_accused(wider: float, stretch: float) -> None:
    lines = sheet()
    assert said(lines, shown(lines, (stretch, 0.0), (0.1, -0.1), wider)) == []


def test_a_side_in_pieces_is_one_side() -> None:
    lines = sheet()
    cut = np.linspace(0, 1, 4)[:, None]
    ends = lines.first_mm[0] + cut * (lines.last_mm[0] - lines.first_mm[0])
    pieces = Lines(
        first_mm=np.concatenate([ends[:-1], lines.first_mm[1:]]),
        last_mm=np.concatenate([ends[1:], lines.last_mm[1:]]),
        width_mm=np.concatenate([np.full(3, 0.45), lines.width_mm[1:]]),
        file_line=np.arange(len(lines) + 2) + 1,
    )
    sides = sides_of(pieces, CANVAS, drawn(pieces, CANVAS))
    assert [sorted(side.which.tolist()) for side in sides if len(side.which) > 1] == [[0, 1, 2]]
    assert len(sides) == 4


def test_a_side_that_is_hardly_seen_is_not_asked() -> None:
    lines = sheet()
    score = shown(without(lines, 1), (0.45 / WIDE, 0.0), (0.225, 0.0), 0.0)
    seen = np.ones(CANVAS.shape, np.bool_)
    seen[:, 150:] = False
    assert len(missing_lines(score, lines, CANVAS, drawn(lines, CANVAS), seen, 0.2)) == 0
