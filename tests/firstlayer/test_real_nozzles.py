"""Photographs taken beside nozzles of real printers (MIT licence), read where they lie and never copied.

They are looked for in ``shared/pictures/nozzle`` of the folders above; without them these tests are skipped.
The photographs have neither pose nor toolpath: direction and distance of the lines are read off them.
"""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest

from twinlapse.firstlayer.canvas import Canvas
from twinlapse.firstlayer.expected import Lines
from twinlapse.firstlayer.laying import Laying, laying_of
from twinlapse.firstlayer.mosaic import dazzled
from twinlapse.imaging.decode import read_picture

FOLDER = next(
    (found for up in Path(__file__).parents if (found := up / "shared/pictures/nozzle").is_dir()),
    Path("none"),
)
pytestmark = pytest.mark.skipif(not FOLDER.is_dir(), reason="needs the photographs of real nozzles")
STEP_MM = 0.05  # a pixel is taken for so much: shares and directions do not depend on it


def laid(name: str, box: tuple[int, int, int, int], direction_deg: float) -> Laying:
    """How lines of a direction are laid in a box (left, top, right, bottom) of a photograph."""
    left, top, right, low = box
    patch = np.ascontiguousarray(read_picture(FOLDER / f"{name}.jpg")[top:low, left:right])
    height, width = patch.shape[:2]
    way = np.array([np.cos(np.radians(direction_deg)), np.sin(np.radians(direction_deg))])
    normal = np.array([-way[1], way[0]])  # y runs up
    rows, columns = np.mgrid[:height, :width]
    across = columns * normal[0] - rows * normal[1]
    grey = cv2.cvtColor(patch, cv2.COLOR_RGB2GRAY).astype(np.float64)
    grey -= cv2.GaussianBlur(grey, (0, 0), 15)
    bins = np.round(across - across.min()).astype(int).ravel()
    profile = (np.bincount(bins, grey.ravel()) / np.bincount(bins))[8:-8]
    at = np.arange(len(profile))
    pitches = np.arange(8, 50, 0.25)
    waves = [(profile * np.exp(-2j * np.pi * at / pitch)).sum() for pitch in pitches]
    best = int(np.argmax(np.abs(waves)))
    pitch = pitches[best]
    crest = across.min() + 8 - np.angle(waves[best]) / (2 * np.pi) * pitch
    middle = np.array([width, height]) * STEP_MM / 2
    reach = way * np.hypot(width, height) * STEP_MM / 2
    off = (crest + np.arange(-80, 80) * pitch) * STEP_MM + height * STEP_MM * normal[1]
    feet = off[:, None] * normal + way * (middle @ way)
    lines = Lines(
        first_mm=feet - reach,
        last_mm=feet + reach,
        width_mm=np.full(len(feet), pitch * STEP_MM),
        file_line=np.arange(len(feet)),
    )
    canvas = Canvas(left_mm=0.0, back_mm=height * STEP_MM, step_mm=STEP_MM, width=width, height=height)
    inside = np.zeros((height, width), bool)
    inside[3:-3, 3:-3] = True
    return laying_of(patch, lines, canvas, inside, inside)


@pytest.mark.parametrize(
    ("name", "share"), [("0021", 0.136), ("1111", 0.062), ("2011", 0.099), ("2120", 0.066)]
)
def test_how_much_is_dazzled(name: str, share: float) -> None:
    """By a plain count of white pixels: 4 to 14 % of such photographs, below what is complained of."""
    picture = read_picture(FOLDER / f"{name}.jpg")
    assert dazzled(picture).mean() == pytest.approx(share, abs=0.002)
    assert (cv2.cvtColor(picture, cv2.COLOR_RGB2GRAY) > 245).mean() == pytest.approx(share, abs=0.03)


def test_white_lines_side_by_side_are_laid_well_and_run_as_they_do() -> None:
    box = (40, 390, 250, 540)  # the middle of the lines that run up to the right, plain to the eye
    found = laid("2011", box, 41.0)
    assert found.laid == "good"
    assert all(region.groove > 5 and region.coherence > 0.9 for region in found.regions)
    assert laid("2011", box, 131.0).laid != "good"


def test_black_without_lines_is_not_called_well_laid() -> None:
    assert laid("2011", (600, 480, 900, 680), 41.0).laid == "not known"
