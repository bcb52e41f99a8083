"""Charts: what is in the picture, and the page stepped through in a real browser."""

from __future__ import annotations

import base64
import io
import json
import re
import shutil
import socket
import subprocess
import time
import urllib.request
import xml.etree.ElementTree as ET
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image

from twinlapse.errors import PlanError
from twinlapse.plan.chart import draw_chart


@pytest.fixture(scope="module")
def worked(sliced_folder: Path, make_rig: Callable, plan_file: Callable) -> Any:
    return plan_file(sliced_folder / "cube_abs.gcode", make_rig())


@pytest.fixture
def draw(worked: Any, tmp_path: Path) -> Callable[[str], Path]:
    def one(name: str) -> Path:
        path = tmp_path / name
        draw_chart(worked.planning.plan, worked.path, worked.layers, worked.timeline, worked.rig, path)
        return path

    return one


def test_a_png_shows_both_cameras_in_their_colours(draw: Callable) -> None:
    picture = np.asarray(Image.open(draw("chart.png")).convert("RGB")).astype(int)
    assert picture.shape[1] > 1200
    for colour in ((0x00, 0x72, 0xB2), (0xD5, 0x5E, 0x00)):
        assert (np.abs(picture - colour).max(axis=2) < 12).sum() > 80


def test_an_svg_is_text_and_well_formed(draw: Callable) -> None:
    text = "".join(ET.fromstring(draw("chart.svg").read_text()).itertext())
    for said in ("cube_abs.gcode", "wide (clear), 100", "nozzle (over), 100", "keep out", "added, min"):
        assert said in text


def test_the_same_plan_gives_the_same_bytes(draw: Callable) -> None:
    assert draw("a.svg").read_bytes() == draw("b.svg").read_bytes()


def test_another_suffix_is_refused(draw: Callable) -> None:
    with pytest.raises(PlanError, match=r"\.png or \.svg or \.html"):
        draw("chart.gif")


def test_the_page_needs_no_network_and_holds_every_shot(draw: Callable, worked: Any) -> None:
    text = draw("chart.html").read_text()
    assert not re.findall(r'(?:src|href)="(?!data:)', text)
    assert "http" not in text.replace("http://www.w3.org/2000/svg", "").replace("http-equiv", "")
    data = json.loads(re.search(r'id="data">(.*?)</script>', text, re.S)[1])  # type: ignore[index]
    assert [shot["n"] for shot in data["shots"]] == list(range(1, 101))
    assert data["shots"][-1]["added"] == pytest.approx(worked.planning.plan.cost_s, abs=0.1)
    tops = Image.open(io.BytesIO(base64.b64decode(data["tops"]["png"])))
    assert np.asarray(tops)[..., 3].any()


def test_words_from_a_file_cannot_become_markup(
    tmp_path: Path, boxes: Callable, make_rig: Callable, plan_file: Callable
) -> None:
    file = tmp_path / "a&b<img src=x>.gcode"
    file.write_text(boxes(4))
    work = plan_file(file, make_rig())
    draw_chart(work.planning.plan, work.path, work.layers, work.timeline, work.rig, tmp_path / "c.html")
    assert "<img" not in (tmp_path / "c.html").read_text()


class Browser:
    """A headless browser spoken to by the W3C WebDriver protocol (w3.org/TR/webdriver2)."""

    def __init__(self, port: int, binary: str, profile: Path) -> None:
        self.base = f"http://127.0.0.1:{port}"
        flags = [
            "--headless=new",
            "--no-sandbox",
            "--disable-gpu",
            f"--user-data-dir={profile}",
            "--window-size=1360,1180",
        ]
        wanted = {"capabilities": {"alwaysMatch": {"goog:chromeOptions": {"binary": binary, "args": flags}}}}
        self.base += f"/session/{self.ask('POST', '/session', wanted)['sessionId']}"

    def ask(self, method: str, path: str, body: Any = None) -> Any:
        data = None if body is None else json.dumps(body).encode()
        asked = urllib.request.Request(
            self.base + path, data, {"Content-Type": "application/json"}, method=method
        )
        with urllib.request.urlopen(asked, timeout=60) as answer:
            return json.load(answer)["value"]

    def run(self, script: str) -> Any:
        return self.ask("POST", "/execute/sync", {"script": script, "args": []})

    def press(self, key: str) -> None:
        keys = [{"type": "keyDown", "value": key}, {"type": "keyUp", "value": key}]
        self.ask("POST", "/actions", {"actions": [{"type": "key", "id": "keys", "actions": keys}]})

    def click(self, selector: str) -> None:
        found = self.ask("POST", "/element", {"using": "css selector", "value": selector})
        self.ask("POST", f"/element/{next(iter(found.values()))}/click", {})


@pytest.fixture
def browser(tmp_path: Path) -> Iterator[Browser]:
    driver = shutil.which("chromedriver")
    binary = shutil.which("chromium") or shutil.which("chromium-browser")
    if driver is None or binary is None:
        pytest.skip("chromium and chromedriver are not installed, so the page is not stepped through")
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    process = subprocess.Popen(
        [driver, f"--port={port}"], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
    )
    opened = None
    try:
        for _ in range(100):
            try:
                with socket.create_connection(("127.0.0.1", port), timeout=1):
                    break
            except OSError:
                time.sleep(0.1)
        opened = Browser(port, binary, tmp_path / "profile")
        yield opened
    finally:
        if opened is not None:
            opened.ask("DELETE", "")
        process.terminate()
        process.wait(timeout=20)


ARROW_RIGHT, ARROW_LEFT, HOME, END = "\ue014", "\ue012", "\ue011", "\ue010"


@pytest.mark.slow
def test_arrow_keys_step_through_the_shots(draw: Callable, browser: Browser) -> None:
    browser.ask("POST", "/url", {"url": draw("chart.html").as_uri()})

    def said() -> str:
        return browser.run("return document.getElementById('chosen').firstChild.textContent")

    assert said().startswith("Shot 1:")
    for _ in range(3):
        browser.press(ARROW_RIGHT)
    assert said().startswith("Shot 4:")
    browser.press(ARROW_LEFT)
    assert said().startswith("Shot 3:")
    browser.press(END)
    assert said().startswith("Shot 100:")
    browser.press(ARROW_RIGHT)
    assert said().startswith("Shot 100:")
    browser.press(HOME)
    browser.click("#next")
    assert said().startswith("Shot 2:")
    assert browser.run("return document.querySelectorAll('tr[aria-selected=true]').length") == 1
    ways = browser.run("return document.querySelectorAll('#bed polyline').length")
    assert ways == 2


@pytest.mark.slow
def test_the_table_sorts_and_hovering_chooses(draw: Callable, browser: Browser, tmp_path: Path) -> None:
    browser.ask("POST", "/url", {"url": draw("chart.html").as_uri() + "#57"})
    first = "return document.querySelector('#rows tr td').textContent"
    assert browser.run("return document.getElementById('chosen').textContent").startswith("Shot 57:")
    browser.click("#heads th:nth-child(1) button")  # sorted up already: now down
    assert browser.run(first) == "100"
    browser.click("#heads th:nth-child(5) button")
    costs = browser.run(
        "return [...document.querySelectorAll('#rows td:nth-child(5)')].map(c => +c.textContent)"
    )
    assert costs == sorted(costs)
    browser.run("document.querySelectorAll('#height .mark')[40].dispatchEvent(new MouseEvent('mouseenter'))")
    assert browser.run("return document.getElementById('chosen').textContent").startswith("Shot 21:")
    picture = Image.open(io.BytesIO(base64.b64decode(browser.ask("GET", "/screenshot"))))
    assert picture.width > 1000
    assert len(picture.convert("RGB").resize((200, 200)).getcolors(40_000) or []) > 100
    errors = browser.run("return window.innerWidth >= document.documentElement.scrollWidth")
    assert errors  # nothing sticks out sideways
