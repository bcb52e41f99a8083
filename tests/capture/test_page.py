"""The page in a real browser: what it shows, how it is worked by keyboard, and that it fits a phone.

The browser is driven through W3C WebDriver (https://www.w3.org/TR/webdriver2/), spoken here as plain JSON.
"""

from __future__ import annotations

import base64
import http.client
import io
import itertools
import json
import shutil
import socket
import subprocess
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
import uvicorn
from PIL import Image

from twinlapse.capture.access_policy import AccessRules, allowed_hosts
from twinlapse.capture.web import make_app

TOKEN = "gardenclub-" * 4 + "0123"
_ELEMENT = "element-6066-11e4-a52e-4f735466cecf"  # WebDriver, section 12.1


class Browser:
    def __init__(self, folder: Path) -> None:
        with socket.create_server(("127.0.0.1", 0)) as probe:
            self._port = probe.getsockname()[1]
        driver = shutil.which("chromedriver")
        if driver is None or shutil.which("chromium") is None:
            pytest.skip("needs the Debian packages chromium and chromium-driver")
        self._driver = subprocess.Popen(
            [driver, f"--port={self._port}"], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        )
        options = {
            "binary": shutil.which("chromium"),
            "args": [
                "--headless=new",
                "--no-sandbox",
                "--disable-gpu",
                "--disable-dev-shm-usage",
                "--no-proxy-server",
                f"--user-data-dir={folder}",
            ],
        }
        always = {"browserName": "chrome", "goog:chromeOptions": options}
        for _ in range(100):
            with socket.socket() as probe:
                if probe.connect_ex(("127.0.0.1", self._port)) == 0:
                    break
            time.sleep(0.1)
        self._session = ""
        made = self._ask("POST", "/session", {"capabilities": {"alwaysMatch": always}})
        self._session = f"/session/{made['sessionId']}"

    def _ask(self, method: str, path: str, body: Any = None) -> Any:
        connection = http.client.HTTPConnection("127.0.0.1", self._port, timeout=60)
        try:
            connection.request(method, self._session + path, json.dumps(body) if body is not None else None)
            value = json.loads(connection.getresponse().read())["value"]
        finally:
            connection.close()
        assert not (isinstance(value, dict) and "error" in value), value
        return value

    def open(self, address: str, width: int = 1100, height: int = 900) -> None:
        self._ask("POST", "/window/rect", {"width": width, "height": height})
        self._ask("POST", "/url", {"url": address})

    def run(self, script: str) -> Any:
        return self._ask("POST", "/execute/sync", {"script": f"return {script}", "args": []})

    def text(self, selector: str) -> str:
        return str(self.run(f"document.querySelector({json.dumps(selector)})?.innerText ?? ''"))

    def press(self, keys: str) -> None:
        actions = [{"type": kind, "value": key} for key in keys for kind in ("keyDown", "keyUp")]
        self._ask("POST", "/actions", {"actions": [{"type": "key", "id": "k", "actions": actions}]})

    def focused(self) -> str:
        return str(self.run("document.activeElement.id || document.activeElement.className"))

    def screenshot(self, path: Path) -> None:
        path.write_bytes(base64.b64decode(self._ask("GET", "/screenshot")))

    def until(self, script: str, timeout_s: float = 15.0) -> None:
        end = time.monotonic() + timeout_s
        while not self.run(script):
            assert time.monotonic() < end, f"never true: {script}; {self.text('body')}"
            time.sleep(0.1)

    def close(self) -> None:
        if self._session:
            self._ask("DELETE", "")
        self._driver.terminate()
        self._driver.wait(10)


class FakeService:
    def __init__(self, jpeg: Callable[..., bytes]) -> None:
        self.held: list[float] = []
        self.jpeg = jpeg
        self.live = {"state": "live", "fault": "", "fps": 15.0, "reconnects": 0, "taken": 12, "missed": 1}
        self.live |= {"last": 12, "reference": 1, "age_s": 0.13, "age_by": "light", "proven": 12}
        self.alarms: list[dict[str, Any]] = []
        self.troubles: list[dict[str, Any]] = []
        self.look = "waiting"

    def status(self) -> dict[str, Any]:
        gone = {
            **self.live,
            "state": "gone",
            "fault": "the stream ended",
            "fps": 0.0,
            "last": 11,
            "missed": 2,
            "age_s": None,
            "age_by": "unknown",
            "proven": 0,
        }
        return {
            "job": "a" * 64, "run": 1, "shots": 65, "done": 13, "layers": 65, "free_mb": 4000,
            "next": {"shot": 14, "layer": 14}, "due_in_s": 41.0, "left_s": 9000,
            "cameras": {"wide": self.live, "nozzle": gone if self.troubles else self.live},
            "lights": {"count": 1, "on": bool(self.held), "held_s": self.held[-1] if self.held else 0,
                       "on_s": 80.0, "share": 0.024, "fault": ""},
            "troubles": self.troubles, "alarms": self.alarms, "ended": False,
            "looks": [{"layer": 1, "whole": True, "state": self.look,
                       "words": "clear gap at X97 Y97, 2.0 mm" if self.look == "found" else ""}],
            "notes": [{"shot": 7, "camera": "nozzle", "state": "missed", "note": "no frame in time"}],
        }  # fmt: skip

    def hold_light(self, seconds: float) -> None:
        self.held.append(seconds)

    def picture(self, camera: str, which: str) -> bytes | None:
        return self.jpeg((640, 480), {"live": 150, "last": 120, "reference": 90}[which])

    def layer_picture(self, layer: int) -> bytes | None:
        target = io.BytesIO()
        Image.new("RGB", (300, 300), (120, 160, 110)).save(target, "PNG")
        return target.getvalue() if layer == 1 else None

    def cue(self, *_: Any, **__: Any) -> Any:
        raise AssertionError("the page asks for no frames")


@pytest.fixture(scope="module")
def browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Browser]:
    made = Browser(tmp_path_factory.mktemp("browser"))
    yield made
    made.close()


@pytest.fixture
def served(jpeg: Any) -> Iterator[Callable[..., tuple[FakeService, str]]]:
    running: list[tuple[uvicorn.Server, threading.Thread]] = []

    def serve(token: str = "") -> tuple[FakeService, str]:
        listening = socket.create_server(("127.0.0.1", 0))
        port = listening.getsockname()[1]
        api = FakeService(jpeg)
        app = make_app(api, AccessRules(hosts=allowed_hosts("127.0.0.1", port, ()), token=token))
        config = uvicorn.Config(app, http="h11", lifespan="off", log_config=None, timeout_graceful_shutdown=1)
        server = uvicorn.Server(config)
        thread = threading.Thread(target=server.run, kwargs={"sockets": [listening]}, daemon=True)
        thread.start()
        running.append((server, thread))
        return api, f"http://127.0.0.1:{port}/"

    yield serve
    for server, thread in running:
        server.should_exit = True
        thread.join(timeout=5)


SHOWN = "[...document.querySelectorAll('.camera img')].filter(i => i.naturalWidth === 640).length === 6"


@pytest.mark.slow
def test_the_page_shows_the_night(browser: Browser, served: Any, tmp_path: Path) -> None:
    api, address = served()
    browser.open(address)
    browser.until(SHOWN)
    assert browser.text("#done") == "13" and browser.text("#shots") == "65"
    assert browser.text("#next") == (
        "Next: shot 14, layer 14 of 65, in about 41 s. The print will take about 2 h 30 min more"
    )
    assert browser.text(".camera .state") == "live, 15 pictures a second"
    assert browser.text(".last figcaption") == "Last: shot 12"
    assert browser.run("document.querySelector('#troubles').hidden")
    assert browser.run("document.querySelector('.last img').alt") == "wide, shot 12"
    api.troubles = [{"code": "camera nozzle", "text": "nozzle: the stream ended", "since": 1.8e9}]
    browser.until("!document.querySelector('#troubles').hidden")
    assert "nozzle: the stream ended" in browser.text("#trouble-list")
    assert browser.run("document.querySelectorAll('.camera.bad').length") == 1
    ages = browser.run("[...document.querySelectorAll('.age')].map(c => c.innerText)")
    assert ages[0] == "Its light proves when each picture was exposed (130 ms old at most)."
    assert ages[1].startswith("Unknown age of its pictures")
    assert browser.run("document.querySelector('#alarms').hidden")
    api.alarms = [
        {"text": "nozzle: gone", "route": "webhook", "tries": 3, "fault": "no route", "over": False}
    ]
    browser.until("!document.querySelector('#alarms').hidden")
    assert browser.text("#alarm-list li") == (
        "nozzle: gone: not delivered by webhook after 3 tries (no route)"
    )
    captions = browser.run("[...document.querySelectorAll('.live figcaption')].map(c => c.innerText)")
    assert captions == ["Live", "Not live: the last picture that came"]
    api.look = "found"
    browser.until(
        "[...document.querySelectorAll('#looks img')].some(i => !i.hidden && i.naturalWidth === 300)"
    )
    assert browser.text("#look-list p") == "Layer 1: found, clear gap at X97 Y97, 2.0 mm"
    browser.screenshot(tmp_path / "desktop.png")
    assert (tmp_path / "desktop.png").stat().st_size > 20_000


@pytest.mark.slow
def test_the_page_fits_a_phone(browser: Browser, served: Any, tmp_path: Path) -> None:
    api, address = served()
    api.troubles = [{"code": "camera nozzle", "text": "nozzle: the stream ended", "since": 1.8e9}]
    browser.open(address, 400, 860)
    browser.until(SHOWN)
    browser.screenshot(tmp_path / "phone.png")
    assert browser.run("document.documentElement.scrollWidth <= innerWidth")
    # WCAG 2.2, 2.5.8: targets of at least 24 px; here 44 (2.5.5)
    heights = browser.run(
        "[...document.querySelectorAll('button')].filter(b => b.offsetHeight).map(b => b.offsetHeight)"
    )
    assert heights and min(heights) >= 44


@pytest.mark.slow
def test_the_page_is_worked_by_keyboard(browser: Browser, served: Any) -> None:
    api, address = served()
    browser.open(address)
    browser.until(SHOWN)
    for expected in ("skip", "hold"):
        browser.press("\ue004")  # Tab
        assert browser.focused() == expected
    browser.press("\ue007")  # Enter
    browser.until("document.querySelector('#light-state').innerText.includes('kept on for 10 more min')")
    assert api.held == [600]
    browser.press("\ue004")
    assert browser.focused() == "release"


@pytest.mark.slow
def test_the_page_asks_for_the_token_and_keeps_it_out_of_addresses(browser: Browser, served: Any) -> None:
    _, address = served(TOKEN)
    browser.open(address)
    browser.until("!document.querySelector('#login').hidden")
    browser.run("document.querySelector('#token').focus()")
    browser.press("wrong\ue007")
    browser.until("document.querySelector('#login-fault').innerText.includes('not the right one')")
    browser.run("(document.querySelector('#token').value = '', document.querySelector('#token').focus())")
    browser.press(TOKEN + "\ue007")
    browser.until(SHOWN)
    assert browser.run("document.querySelector('#login').hidden")
    names = browser.run("performance.getEntriesByType('resource').map(e => e.name).join(' ') + location.href")
    assert TOKEN not in names
    assert all(name.startswith((address, "blob:", "data:")) for name in names.split())


@pytest.mark.slow
def test_everything_on_the_page_has_a_name(browser: Browser, served: Any) -> None:
    """A few rules of WCAG 2.2 that can be checked by machine: 1.1.1, 1.3.1, 2.4.2, 3.1.1, 4.1.2."""
    _, address = served()
    browser.open(address)
    browser.until(SHOWN)
    assert browser.run("document.title") and browser.run("document.documentElement.lang") == "en"
    assert browser.run("[...document.images].every(i => i.alt)")
    named = "b => b.innerText || b.labels?.length || b.getAttribute('aria-labelledby')"
    controls = "[...document.querySelectorAll('button, input, progress')].filter(b => b.offsetHeight)"
    assert browser.run(f"{controls}.every({named})")
    levels = browser.run("[...document.querySelectorAll('h1, h2, h3')].map(h => +h.tagName[1])")
    assert levels[0] == 1 and all(after - before <= 1 for before, after in itertools.pairwise(levels))
