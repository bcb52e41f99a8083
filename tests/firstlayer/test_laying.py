"""How lines are laid, on maps drawn here pixel by pixel: width, blur and size are known."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
import pytest

from twinlapse.firstlayer.canvas import Canvas
from twinlapse.firstlayer.expected import Lines, drawn
from twinlapse.firstlayer.laying import Laying, laying_of
from twinlapse.firstlayer.outer_width import outer_width
from twinlapse.firstlayer.report import verdict

SIDE_MM, PITCH_MM, STEP_MM, FINE = 20.0, 0.45, 0.1, 4
CANVAS = Canvas(left_mm=-4.0, back_mm=24.0, step_mm=STEP_MM, width=280, height=280)


def sheet() -> Lines:
    """Two walls and a filling along X."""
    first, last = [], []
    for k in range(2):
        low, high = k * PITCH_MM, SIDE_MM - k * PITCH_MM
        loop = [(low, low), (high, low), (high, high), (low, high), (low, low)]
        first += loop[:-1]
        last += loop[1:]
    for y in np.arange(2 * PITCH_MM, SIDE_MM - 1.5 * PITCH_MM, PITCH_MM):
        first.append((2 * PITCH_MM, y))
        last.append((SIDE_MM - 2 * PITCH_MM, y))
    return Lines(
        first_mm=np.array(first),
        last_mm=np.array(last),
        width_mm=np.full(len(first), PITCH_MM),
        file_line=np.arange(len(first)),
    )


def shown(
    width_mm: float, blur_mm: float = 0.07, size: float = 1.0, groove: float = 0.3, ridges: float = 0.0
) -> tuple[np.ndarray, Lines, Canvas, np.ndarray, np.ndarray]:
    """A map of lines of a width, round in the light, too large by a size; light adds up linearly."""
    lines, dice = sheet(), np.random.default_rng(5)
    fine = Canvas(
        left_mm=CANVAS.left_mm,
        back_mm=CANVAS.back_mm,
        step_mm=STEP_MM / FINE,
        width=CANVAS.width * FINE,
        height=CANVAS.height * FINE,
    )
    at = fine.grid_mm().astype(np.float32)
    middle = SIDE_MM / 2
    at = middle + (at - middle) / size
    near = np.full(fine.shape, np.inf, np.float32)
    for (x0, y0), (x1, y1) in zip(lines.first_mm, lines.last_mm, strict=True):
        box = np.sort(fine.to_px(np.array([[x0, y0], [x1, y1]])), axis=0) + np.array([[-80.0], [80.0]])
        (left, top), (right, low) = np.clip(box, 0, CANVAS.width * FINE).astype(int)
        part = (slice(top, low), slice(left, right))
        x, y = (np.clip(at[part][..., k], *sorted(pair)) for k, pair in enumerate(((x0, x1), (y0, y1))))
        near[part] = np.minimum(near[part], np.hypot(at[part][..., 0] - x, at[part][..., 1] - y))
    light = np.full(fine.shape, 0.05, np.float32)
    on = near < width_mm / 2
    light[on] = 0.5 * (1 - groove * np.minimum(near[on] / (PITCH_MM / 2), 1) ** 2)
    if ridges:  # along the sides of lines, in pieces of a millimetre
        piece = cv2.GaussianBlur(dice.normal(0, 1, fine.shape).astype(np.float32), (0, 0), 0.5 * 10 * FINE)
        light[on & (near > 0.15)] *= (1 + ridges * piece / piece.std())[on & (near > 0.15)]
    light = cv2.GaussianBlur(light, (0, 0), blur_mm / fine.step_mm)
    light = cv2.resize(light, (CANVAS.width, CANVAS.height), interpolation=cv2.INTER_AREA)
    codes = 255 * np.clip(light, 0, 1) ** (1 / 2.2) + dice.normal(0, 1.5, CANVAS.shape)
    picture = np.repeat(np.clip(codes, 0, 255).astype(np.uint8)[..., None], 3, axis=2)
    seen = np.zeros(CANVAS.shape, np.bool_)
    seen[5:-5, 5:-5] = True
    return picture, lines, CANVAS, drawn(lines, CANVAS), seen


@pytest.mark.parametrize(
    ("width_mm", "blur_mm", "size", "groove"),
    [
        (0.45, 0.04, 1.0, 0.3),
        (0.45, 0.08, 1.0, 0.3),
        (0.45, 0.07, 1.006, 0.3),
        (0.6, 0.07, 0.994, 0.05),
        (0.9, 0.07, 1.0, 0.05),
    ],
)
def test_the_outline_says_how_wide_lines_lie_whatever_blur_and_size_of_the_map(
    width_mm: float, blur_mm: float, size: float, groove: float
) -> None:
    found = outer_width(*shown(width_mm, blur_mm, size, groove))
    assert found is not None
    assert found.told
    assert found.width_mm == pytest.approx(width_mm, abs=0.05)
    assert found.blur_mm == pytest.approx(np.hypot(blur_mm, 0.05), abs=0.02)  # and that of the pixels


@pytest.mark.parametrize("width_mm", [0.30, 0.36])
def test_where_the_bed_shows_between_lines_the_grooves_are_the_reference(width_mm: float) -> None:
    found = outer_width(*shown(width_mm, 0.06, 1.004))
    assert found is not None
    assert found.told
    assert found.width_mm == pytest.approx(width_mm, abs=0.035)


def laid(**how: Any) -> Laying:
    return laying_of(*shown(**how), height_mm=0.2)


def test_a_layer_that_lies_as_asked_is_good() -> None:
    found = laid(width_mm=0.46)
    assert (found.laid, found.advice, found.off_mm) == ("good", "", None)


def test_wide_lines_are_squished_by_what_their_cross_section_says() -> None:
    found = laid(width_mm=0.9, groove=0.02)
    assert found.laid == "too squished"
    assert found.off_mm == pytest.approx(-0.1, abs=0.015)  # half as high, twice as wide
    assert "raise the first layer by about 0.1" in found.advice


def test_narrow_lines_with_bed_between_them_lack_material_or_lie_too_high() -> None:
    found = laid(width_mm=0.3)
    assert found.laid == "thin"
    assert found.off_mm == pytest.approx(0.1, abs=0.04)
    assert found.material == pytest.approx(0.67, abs=0.08)


def in_colour(gloss: float, width_mm: float, filament: tuple[float, float, float]) -> Laying:
    """How green lines on an ochre bed are said to lie, under a lamp that the backs of lines mirror."""
    picture, lines, canvas, wanted, seen = shown(width_mm, groove=0.25)
    light = ((picture[..., :1] / 255.0) ** 2.2 - 0.05) / 0.45  # 0 bed to 1 filament
    bed = np.array([0.3, 0.24, 0.1])
    near = (
        np.abs((canvas.grid_mm()[..., 1] / PITCH_MM) % 1 - 0.5) * 2
    )  # 0 between two lines, 1 on their backs
    mirror = gloss * near[..., None] ** 3 * wanted[..., None]
    mixed = bed + np.clip(light, 0, 1) * (np.array(filament) - bed) + mirror * np.clip(light, 0, 1)
    codes = np.clip(255 * np.clip(mixed, 0, 1) ** (1 / 2.2), 0, 255).astype(np.uint8)
    return laying_of(codes, lines, canvas, wanted, seen, height_mm=0.2)


def test_backs_of_lines_that_mirror_a_lamp_are_no_thin_layer() -> None:
    green = (0.1, 0.35, 0.12)
    assert in_colour(0.5, 0.46, green).laid == "good"
    assert in_colour(0.0, 0.32, green).laid == "thin"
    assert in_colour(0.3, 0.32, green).laid == "thin"


def test_what_is_brighter_than_filament_and_bed_is_no_bed_between_lines() -> None:
    _, lines, canvas, wanted, seen = shown(0.46, groove=0.0)
    dark = np.full((*canvas.shape, 3), 0.04)  # black on grey: hue tells nothing
    dark[~wanted] = 0.4
    across = np.abs((canvas.grid_mm()[..., 1] / PITCH_MM) % 1 - 0.5) * 2
    spot = canvas.grid_mm()[..., 1] < SIDE_MM
    dark += (0.9 * across**3 * wanted * spot)[..., None]
    codes = (255 * np.clip(dark, 0, 1) ** (1 / 2.2)).astype(np.uint8)
    found = laying_of(codes, lines, canvas, wanted, seen, height_mm=0.2)
    assert found.laid == "not known"


def test_thin_regions_alarm_where_they_are_most_of_the_layer() -> None:
    narrow, lines, canvas, wanted, seen = shown(0.3)
    x, y = np.moveaxis(canvas.grid_mm() / SIDE_MM, 2, 0)
    said = []
    for deep in (0.35, 1.1):
        thin = (x < 0.3) | ((x > 0.6) & (y < deep))
        picture = np.where(thin[..., None], narrow, shown(0.46)[0])
        picture[(x > 0.3) & (x < 0.6)] //= 20  # nothing is known there
        found = laying_of(picture, lines, canvas, wanted, seen)
        words = [region.laid for region in found.regions]
        assert max(set(words), key=words.count) == "thin"
        said.append((found.laid, words.count("thin") / len(words) > 0.5))
    assert said == [("not known", False), ("thin", True)]


def test_ridges_are_told_from_grooves() -> None:
    assert laid(width_mm=0.62, groove=0.08, ridges=0.15).laid == "ridges"
    assert laid(width_mm=0.46, groove=0.4).laid == "good"


def test_weak_grooves_have_no_direction_without_the_outline() -> None:
    picture, lines, canvas, wanted, _ = shown(0.47, groove=0.04)
    within = np.zeros_like(wanted)
    within[60:-60, 60:-60] = True
    found = laying_of(picture, lines, canvas, wanted, within, height_mm=0.2)
    assert (found.laid, found.off_mm) == ("too high or too low", None)


def test_blurred_pictures_say_nothing_of_grooves() -> None:
    assert laid(width_mm=0.46, blur_mm=0.18).laid == "not known"


@pytest.mark.slow
def test_a_second_renderer_draws_what_is_told(bench: Any) -> None:
    for row, kind in (("nozzle too low", "too squished"), ("ridges", "ridges"), ("thin 60", "thin")):
        judgement = bench.run(row, 9205)[0]
        assert judgement.laying.laid == kind
        assert judgement.sound is (None if judgement.sound is None else kind == "too squished")
        assert ("have ridges" if kind == "ridges" else kind) in verdict(judgement)
