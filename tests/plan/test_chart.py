"""Charts: what is in the picture, and the page stepped through in a real browser."""

from __future__ import annotations

import base64
import gzip
import io
import json
import re
import struct
import time
import xml.etree.ElementTree as ET
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image

from twinlapse.errors import PlanError
from twinlapse.gcode import Kind, find_layers, read_toolpath
from twinlapse.inject import inject_file
from twinlapse.optics.pose import pose_in_bed, see
from twinlapse.plan.chart import draw_chart
from twinlapse.plan.chart.printed_paths import printed_paths
from twinlapse.shots import plan_from_json, plan_to_json


@pytest.fixture(scope="module")
def worked(sliced_folder: Path, make_rig: Callable, plan_file: Callable) -> Any:
    return plan_file(sliced_folder / "cube_abs.gcode", make_rig())


@pytest.fixture
def draw(worked: Any, tmp_path: Path) -> Callable[[str], Path]:
    def one(name: str) -> Path:
        path = tmp_path / name
        draw_chart(
            worked.planning.plan,
            worked.path,
            worked.layers,
            worked.timeline,
            worked.rig,
            path,
            planning=worked.planning,
        )
        return path

    return one


def test_a_png_shows_both_cameras_in_their_colours(draw: Callable) -> None:
    picture = np.asarray(Image.open(draw("chart.png")).convert("RGB")).astype(int)
    assert picture.shape[1] > 1200
    for colour in ((0x00, 0x72, 0xB2), (0xD5, 0x5E, 0x00)):
        assert (np.abs(picture - colour).max(axis=2) < 12).sum() > 80


def test_an_svg_is_text_and_well_formed(draw: Callable) -> None:
    text = "".join(ET.fromstring(draw("chart.svg").read_text()).itertext())
    for said in ("cube_abs.gcode", "wide (clear), 100", "nozzle (over), 100", "whole bed", "added, s"):
        assert said in text


def test_the_same_plan_gives_the_same_bytes(draw: Callable) -> None:
    assert draw("a.svg").read_bytes() == draw("b.svg").read_bytes()


def test_another_suffix_is_refused(draw: Callable) -> None:
    with pytest.raises(PlanError, match=r"\.png or \.svg or \.html"):
        draw("chart.gif")


def unpacked(page: str) -> tuple[dict[str, Any], bytes]:
    """Return the head and all bytes of the data in a page, unpacked by hand."""
    found = re.search(r'id="data">(.*?)</script>', page, re.S)
    assert found is not None
    blob = gzip.decompress(base64.b64decode(found[1]))
    (length,) = struct.unpack("<I", blob[:4])
    return json.loads(blob[4 : 4 + length]), blob


def test_the_page_needs_no_network_and_holds_every_shot(draw: Callable, worked: Any) -> None:
    text = draw("chart.html").read_text()
    assert not re.findall(r'(?:src|href)="(?!data:)', text)
    assert "http" not in text.replace("http-equiv", "")
    head, blob = unpacked(text)
    assert [shot["number"] for shot in head["plan"]["shots"]] == list(range(1, 101))
    assert head["plan"] == json.loads(json.dumps(plan_to_json(worked.planning.plan)))
    place = head["arrays"]["layer_z_mm"]
    z_mm = np.frombuffer(blob, np.float32, place["count"], place["offset"])
    np.testing.assert_allclose(z_mm, worked.layers.z_mm, atol=1e-5)


def test_the_stored_lines_are_the_lines_of_the_file(draw: Callable, worked: Any) -> None:
    """Each stored corner lies on the file's path, each place of the path near a stored line."""
    head, blob = unpacked(draw("chart.html").read_text())

    def array(name: str, kind: Any) -> np.ndarray:
        place = head["arrays"][name]
        return np.frombuffer(blob, kind, place["count"], place["offset"])

    steps = array("steps", np.int16).reshape(-1, 2).astype(np.int64)
    start, layer_path = array("path_start", np.uint32), array("layer_path", np.uint32)
    layer = 40
    stored = []
    for k in range(layer_path[layer], layer_path[layer + 1]):
        stored.append(np.cumsum(steps[start[k] : start[k + 1]], axis=0) * head["unit_mm"] + head["origin_mm"])
    rows = np.arange(worked.layers.first_row[layer], worked.layers.first_row[layer + 1])
    rows = rows[worked.path.kind[rows] == Kind.EXTRUDE]
    # the file's own moves, read off its columns; no arcs in this file
    first = np.column_stack([worked.path.x_mm[rows - 1], worked.path.y_mm[rows - 1]])
    last = np.column_stack([worked.path.x_mm[rows], worked.path.y_mm[rows]])
    share = np.linspace(0, 1, 8)[:, None, None]
    places = (first + share * (last - first)).reshape(-1, 2)
    near = np.min([_distance(places, line) for line in stored], axis=0)
    assert near.max() < 0.09
    length = sum(np.hypot(*np.diff(line, axis=0).T).sum() for line in stored)
    assert length == pytest.approx(np.hypot(*(last - first).T).sum(), rel=0.005)


def _distance(places: np.ndarray, line: np.ndarray) -> np.ndarray:
    a, b = line[:-1], line[1:]
    step = b - a
    along = ((places[:, None] - a) * step).sum(-1) / np.maximum((step**2).sum(-1), 1e-12)
    nearest = a + np.clip(along, 0, 1)[..., None] * step
    return np.linalg.norm(places[:, None] - nearest, axis=-1).min(axis=1)


def test_lines_of_a_tall_print_are_thinned_to_the_bound(
    tmp_path: Path, boxes: Callable, make_rig: Callable
) -> None:
    file = tmp_path / "tall.gcode"
    file.write_text(boxes(3000))
    path = read_toolpath(file, firmware=make_rig().printer.firmware)
    layers = find_layers(path)
    paths = printed_paths(path, layers, most_points=4000)
    assert 2000 < len(paths.points_mm) <= 4000
    assert len(paths.layer_path) == len(layers) + 1 and paths.layer_path[-1] == len(paths.path_start) - 1
    assert paths.path_start[-1] == len(paths.points_mm)


def test_words_from_a_file_cannot_become_markup(
    tmp_path: Path, boxes: Callable, make_rig: Callable, plan_file: Callable
) -> None:
    file = tmp_path / "a&b<img src=x>.gcode"
    file.write_text(boxes(4))
    work = plan_file(file, make_rig())
    draw_chart(work.planning.plan, work.path, work.layers, work.timeline, work.rig, tmp_path / "c.html")
    assert "<img" not in (tmp_path / "c.html").read_text()


ARROW_RIGHT, ARROW_LEFT, HOME, END, PAGE_UP, DELETE = (
    "\ue014",
    "\ue012",
    "\ue011",
    "\ue010",
    "\ue00e",
    "\ue017",
)


@pytest.mark.slow
def test_keys_step_through_shots_and_layers(draw: Callable, browser: Any) -> None:
    browser.open(draw("chart.html").as_uri())
    browser.until("document.body.classList.contains('ready')")

    def title() -> str:
        return browser.run("document.getElementById('shot-title').textContent")

    assert title() == "Shot 1 of 100"
    browser.press(3 * ARROW_RIGHT)
    assert title() == "Shot 4 of 100"
    browser.press(ARROW_LEFT)
    assert title() == "Shot 3 of 100"
    browser.press(END + ARROW_RIGHT)
    assert title() == "Shot 100 of 100"
    browser.press(HOME + PAGE_UP)
    assert "Layer 2 of 100" in browser.run("document.getElementById('layer-text').textContent")
    browser.click("#next")
    assert title() == "Shot 3 of 100"
    assert browser.errors() == []


@pytest.mark.slow
def test_an_edited_plan_is_written_and_proven(
    draw: Callable, browser: Any, worked: Any, tmp_path: Path
) -> None:
    """What the page saves is a plan that inject takes; the proof judges the moved stops once more."""
    browser.open(draw("chart.html").as_uri() + "#7")
    browser.until("document.body.classList.contains('ready')")
    before = browser.run("document.getElementById('totals').textContent")
    browser.press(DELETE)
    after = browser.run("document.getElementById('totals').textContent")
    assert before.startswith("100 shots") and after.startswith("99 shots")
    assert browser.run("twinlapse.edits.move(20, 0, [30, 40])") == ""
    assert "outside the bed" in browser.run("twinlapse.edits.move(20, 0, [-5, 40])")
    assert "keep-out" in browser.run("twinlapse.edits.move(21, 0, [10, 210])")
    edited = plan_from_json(json.loads(browser.run("JSON.stringify(twinlapse.edits.plan())")))
    assert [shot.number for shot in edited.shots] == [n for n in range(1, 101) if n != 7]
    assert edited.shots[19].stops[0].x_mm == 30
    inject_file(worked.path.path, edited, tmp_path / "edited.gcode")  # kept only if the proof holds
    browser.click("#undo")
    assert (
        browser.run("twinlapse.edits.shot(20).stops[0].x_mm") == worked.planning.plan.shots[20].stops[0].x_mm
    )
    browser.click("#save")
    browser.until("document.getElementById('said').textContent.includes('plan.json')")
    saved = tmp_path / "profile" / "plan.json"
    for _ in range(100):
        if saved.exists():
            break
        time.sleep(0.1)
    assert len(plan_from_json(json.loads(saved.read_text())).shots) == 99


@pytest.mark.slow
@pytest.mark.parametrize(("width", "height"), [(1360, 900), (390, 844)])
def test_the_page_fits_and_can_be_read_by_everyone(
    draw: Callable, browser: Any, width: int, height: int
) -> None:
    browser.open(draw("chart.html").as_uri() + "#57", width, height)
    browser.until("document.body.classList.contains('ready')")
    browser.run("document.getElementById('all').open = true")
    browser.until("document.querySelectorAll('#table tbody tr').length == 100")
    assert browser.run("document.documentElement.scrollWidth <= window.innerWidth")
    assert browser.accessibility_faults() == []
    picture = Image.open(io.BytesIO(browser.picture()))
    assert len(picture.convert("RGB").resize((200, 200)).getcolors(40_000) or []) > 100
    browser.click("#table thead th:nth-child(5) button")
    seconds = browser.run("[...document.querySelectorAll('#table td:nth-child(5)')].map(c => +c.textContent)")
    assert seconds == sorted(seconds)
    assert browser.errors() == []


@pytest.mark.slow
def test_cameras_see_points_where_the_rig_says(draw: Callable, browser: Any, worked: Any) -> None:
    """The page's own projection against the library's."""
    browser.open(draw("chart.html").as_uri())
    browser.until("document.body.classList.contains('ready')")
    points = np.array([[110.0, 110.0, 0.0], [90.0, 120.0, 5.0], [112.0, 111.0, 10.0]])
    nozzle = (100.0, 90.0, 11.0)
    for k, camera in enumerate(worked.rig.cameras):
        expected = see(points, pose_in_bed(camera, worked.rig.printer, nozzle), camera.lens)
        found = browser.run(
            f"{points.tolist()}.map(p => twinlapse.projected(twinlapse.poseAt(twinlapse.data.cameras[{k}], "
            f"{list(nozzle)}), twinlapse.data.cameras[{k}].lens, p))"
        )
        np.testing.assert_allclose(np.array(found, float), expected, atol=0.05)
