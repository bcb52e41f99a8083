"""The map of a layer: frames laid in place, what is seeded is found, sound layers are not accused."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest

from twinlapse.firstlayer.canvas import Canvas, canvas_over
from twinlapse.firstlayer.classify import judge
from twinlapse.firstlayer.expected import drawn, lines_of
from twinlapse.firstlayer.mosaic import build_mosaic
from twinlapse.firstlayer.overlaps import Link, solved
from twinlapse.firstlayer.reading import LayerMap
from twinlapse.firstlayer.report import report_html
from twinlapse.firstlayer.report_json import as_json
from twinlapse.gcode import find_layers, read_toolpath
from twinlapse.rig import Printer

DATA = Path("/usr/share/doc/opencv-doc/examples/data")


def _row_y(k: int) -> float:
    return 90 + 2 * 0.45 + 0.225 + 0.45 * k


@pytest.fixture(scope="module")
def faulty(scene: Any, survey_of: Any) -> tuple[Any, Any, Any, np.ndarray]:
    """A layer with a gap, a missing line and a blob, mapped and judged."""
    made = scene(
        size_mm=20.0,
        seed=4,
        gaps=[(97.0, _row_y(6), 0.8), (104.0, _row_y(30), 2.0)],
        missing=[18],
        blobs=[(95.0, 111.6, 2.0)],
    )
    frames, errors = made.frames()
    mosaic = build_mosaic(survey_of(frames))
    return made, mosaic, judge(mosaic, made.lines()), errors


def test_frames_are_placed_to_a_fraction_of_a_pixel(faulty: Any) -> None:
    _, mosaic, _, errors = faulty
    away = mosaic.shifts_mm - errors
    away -= away.mean(axis=0)
    assert np.sqrt((away**2).sum(axis=1).mean()) < 0.15 * mosaic.canvas.step_mm
    raw = errors - errors.mean(axis=0)
    assert np.sqrt((raw**2).sum(axis=1).mean()) > 0.4 * mosaic.canvas.step_mm  # there was something to do


def test_what_was_seeded_is_found_where_it_is_and_nothing_else(faulty: Any) -> None:
    _, _, judgement, _ = faulty
    found = {(d.kind, d.grade): d for d in judgement.defects}
    assert len(judgement.defects) == 4
    expected = {
        ("gap", "clear", 0.8): (97.0, _row_y(6)),
        ("gap", "clear", 2.0): (104.0, _row_y(30)),
        ("missing line", "bad", 18.2): (100.0, _row_y(18)),
        ("blob", "clear", 2.0): (95.0, 111.6),
    }
    for (kind, _, length), place in expected.items():
        near = [
            d for d in judgement.defects if d.kind == kind and np.hypot(*(np.array(d.at_mm) - place)) < 0.4
        ]
        assert len(near) == 1, (kind, place, judgement.defects)
        assert near[0].length_mm == pytest.approx(length, abs=0.35)
    assert found[("missing line", "bad")].file_line in range(125, 129)


def test_the_map_stands_where_the_toolpath_is(faulty: Any) -> None:
    _, _, judgement, errors = faulty
    assert judgement.offset_mm == pytest.approx(tuple(-errors.mean(axis=0)), abs=0.15)
    assert judgement.seen_share > 0.97


@pytest.mark.parametrize("look", [{}, {"filament": (52, 54, 60), "bed": (150, 150, 146), "texture": 1.0}])
def test_a_sound_layer_is_not_accused(scene: Any, survey_of: Any, look: dict[str, Any]) -> None:
    made = scene(size_mm=14.0, seed=9, **look)
    judgement = judge(build_mosaic(survey_of(made.frames()[0])), made.lines())
    assert judgement.defects == ()
    assert judgement.sound is True


def test_black_on_a_rough_dark_bed_cannot_be_told(scene: Any, survey_of: Any) -> None:
    made = scene(size_mm=14.0, seed=3, filament=(38, 38, 42), bed=(62, 64, 70), gaps=[(95.0, _row_y(8), 3.0)])
    judgement = judge(build_mosaic(survey_of(made.frames()[0])), made.lines())
    assert judgement.sound is None


def test_the_report_stands_alone(faulty: Any) -> None:
    _, mosaic, judgement, _ = faulty
    found = LayerMap(layer=0, mosaic=mosaic, judgement=judgement)
    page = report_html("pot & <label>", found, None)
    assert "pot &amp; &lt;label&gt;" in page
    assert page.count("data:image/png;base64,") == 4
    assert "http" not in re.sub('base64,[^"]+', "", page)  # a picture may spell it by chance
    assert as_json(mosaic, judgement)["sound"] is False


def test_weak_overlaps_have_no_say() -> None:
    good = [
        Link(one=i, other=i + 1, shift_mm=np.array([0.1, 0.0]), confidence=1.0, used=True) for i in range(3)
    ]
    wrong = Link(one=0, other=3, shift_mm=np.array([-1.2, 0.9]), confidence=0.05, used=False)
    change = solved([*good, wrong], np.zeros((4, 2)))
    assert np.diff(change[:, 0]) == pytest.approx([0.1] * 3, abs=2e-3)
    mistaken = Link(one=0, other=3, shift_mm=np.array([-1.2, 0.9]), confidence=0.3, used=True)
    change = solved([*good, mistaken], np.zeros((4, 2)))
    assert np.diff(change[:, 0]) == pytest.approx([0.1] * 3, abs=0.03)  # outvoted, nearly silenced


def test_a_canvas_turns_places_to_pixels_and_back() -> None:
    canvas = canvas_over(np.array([10.0, 20.0]), np.array([30.0, 25.0]), 0.1, 1.0)
    assert (canvas.width, canvas.height) == (220, 70)
    assert canvas.to_px(np.array([9.05, 25.95])) == pytest.approx([0, 0])
    places = np.array([[12.3, 21.7], [29.0, 24.4]])
    assert canvas.to_mm(canvas.to_px(places)) == pytest.approx(places)


def test_drawn_lines_cover_their_area(scene: Any) -> None:
    lines = scene(size_mm=10.0).lines()
    canvas = canvas_over(np.array([90.0, 90.0]), np.array([100.0, 100.0]), 0.02, 2.0)
    one = type(lines)(
        first_mm=lines.first_mm[:1],
        last_mm=lines.last_mm[:1],
        width_mm=lines.width_mm[:1],
        file_line=lines.file_line[:1],
    )
    wide = 0.45 + 0.02  # half a pixel is added on each side
    stadium = 10 * wide + np.pi * wide**2 / 4  # a rectangle with two half discs
    assert drawn(one, canvas).sum() * 0.02**2 == pytest.approx(stadium, rel=0.03)


def test_lines_of_a_sliced_file_have_the_width_that_feeds_them(tmp_path: Path) -> None:
    """A line of 0.2 mm height fed e mm of 1.75 mm filament over 20 mm: the stadium's area by hand."""
    width, height = 0.45, 0.2
    area = (width - height) * height + np.pi * height**2 / 4
    feed = area * 20 / (np.pi * 1.75**2 / 4)
    text = (
        "G28\nG90\nM83\nG1 Z0.2 F600\n;LAYER:0\nG0 X10 Y10\n"
        + f"G1 X30 E{feed:.5f} F1200\nG1 Y30 E{feed:.5f}\n"
    )
    path = tmp_path / "line.gcode"
    path.write_text(text * 1 + ";LAYER:1\nG1 Z0.4\nG1 X10 E0.6\nG1 Y10 E0.6\n")
    toolpath = read_toolpath(path)
    lines = lines_of(toolpath, find_layers(toolpath), 0, Printer(bed_mm=(200, 200), height_mm=200))
    assert lines.width_mm == pytest.approx([0.45, 0.45], abs=0.002)
    assert lines.length_mm == pytest.approx([20, 20])


@pytest.mark.skipif(not DATA.is_dir(), reason="needs Debian's package opencv-doc")
def test_a_plane_seen_by_two_cameras_is_the_published_homography() -> None:
    """graf1 and graf3 with the published H1to3p.xml: a plane laid to a canvas as the map lays it.

    Laid with the published homography the two pictures must agree, laid with a wrong one they must not.
    """
    store = cv2.FileStorage(str(DATA / "H1to3p.xml"), cv2.FILE_STORAGE_READ)
    way = store.getNode("H13").mat()
    one, three = (
        cv2.imread(str(DATA / name), cv2.IMREAD_GRAYSCALE).astype(np.float32)
        for name in ("graf1.png", "graf3.png")
    )
    canvas = Canvas(left_mm=0, back_mm=0, step_mm=1.0, width=one.shape[1], height=one.shape[0])
    pixels = canvas.to_px(canvas.grid_mm())

    def likeness(matrix: np.ndarray) -> float:
        seen = np.concatenate([pixels, np.ones((*canvas.shape, 1))], axis=-1) @ matrix.T
        at = (seen[..., :2] / seen[..., 2:]).astype(np.float32)
        laid = cv2.remap(three, at[..., 0], at[..., 1], cv2.INTER_LINEAR, borderValue=(-1,))
        whole = laid >= 0
        return float(np.corrcoef(one[whole], laid[whole])[0, 1])

    assert likeness(way) > 0.8
    moved = way.copy()
    moved[0, 2] += 12
    assert likeness(moved) < likeness(way) - 0.15
