"""What all tests share: real sliced files, facts about them worked out independently, and a browser."""

from __future__ import annotations

import base64
import json
import os
import shutil
import socket
import subprocess
import tarfile
import time
import urllib.request
from collections.abc import Generator, Iterator
from importlib import resources
from pathlib import Path
from typing import Any

import pytest

DATA = Path(__file__).parent / "data"
TRUTH: dict[str, dict[str, Any]] = json.loads((DATA / "TRUTH.json").read_text())
SLICED = sorted(TRUTH)


_SLOW_S = 5.0  # of processor time, children included: a test that takes more is to be marked slow
_took_s: dict[str, float] = {}


def _spent_s() -> float:
    times = os.times()
    return times.user + times.system + times.children_user + times.children_system


@pytest.hookimpl(wrapper=True)
def pytest_runtest_call(item: pytest.Item) -> Generator[None, object, object]:
    began_s = _spent_s()
    try:
        return (yield)
    finally:
        if item.get_closest_marker("slow") is None:
            _took_s[item.nodeid] = _spent_s() - began_s


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    """Name the tests that belong to the slow ones; processor time does not depend on what else is running."""
    slow = sorted((name for name, took in _took_s.items() if took > _SLOW_S), key=_took_s.__getitem__)
    if slow:
        terminalreporter.section(f"over {_SLOW_S:g} s of processor time and not marked slow")
        for name in reversed(slow):
            terminalreporter.write_line(f"{_took_s[name]:6.1f} s  {name}")


@pytest.fixture(scope="session")
def sliced_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with the 15 sliced files."""
    folder = tmp_path_factory.mktemp("sliced")
    with tarfile.open(DATA / "sliced.tar.xz") as archive:
        archive.extractall(folder, filter="data")
    return folder


@pytest.fixture(params=SLICED)
def sliced(request: pytest.FixtureRequest, sliced_folder: Path) -> Path:
    """Each of the 15 sliced files in turn."""
    return sliced_folder / request.param


@pytest.fixture(scope="session")
def truth() -> dict[str, dict[str, Any]]:
    """Facts about the sliced files, by file name."""
    return TRUTH


class Browser:
    """Headless Chromium, spoken to by the W3C WebDriver protocol (w3.org/TR/webdriver2)."""

    def __init__(self, port: int, binary: str, profile: Path) -> None:
        self._base = f"http://127.0.0.1:{port}"
        flags = ["--headless=new", "--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage"]
        flags += ["--no-proxy-server", f"--user-data-dir={profile}"]
        options = {"binary": binary, "args": flags, "prefs": {"download.default_directory": str(profile)}}
        wanted = {"goog:chromeOptions": options, "goog:loggingPrefs": {"browser": "ALL"}}
        made = self.ask("POST", "/session", {"capabilities": {"alwaysMatch": wanted}})
        self._base += f"/session/{made['sessionId']}"

    def ask(self, method: str, path: str, body: Any = None) -> Any:
        data = None if body is None else json.dumps(body).encode()
        request = urllib.request.Request(
            self._base + path, data, {"Content-Type": "application/json"}, method=method
        )
        with urllib.request.urlopen(request, timeout=60) as answer:
            return json.load(answer)["value"]

    def open(self, address: str, width: int = 1360, height: int = 900) -> None:
        size = {"width": width, "height": height, "deviceScaleFactor": 1, "mobile": width < 600}
        self.ask("POST", "/goog/cdp/execute", {"cmd": "Emulation.setDeviceMetricsOverride", "params": size})
        self.ask("POST", "/url", {"url": address})

    def run(self, script: str) -> Any:
        """Return the value of a JavaScript expression, awaited."""
        wrapped = f"const done = arguments[0]; Promise.resolve({script}).then(done, e => done(String(e)))"
        return self.ask("POST", "/execute/async", {"script": wrapped, "args": []})

    def until(self, script: str, timeout_s: float = 20.0) -> None:
        end = time.monotonic() + timeout_s
        while not self.run(script):
            assert time.monotonic() < end, f"never true: {script}"
            time.sleep(0.05)

    def press(self, keys: str) -> None:
        actions = [{"type": kind, "value": key} for key in keys for kind in ("keyDown", "keyUp")]
        self.ask("POST", "/actions", {"actions": [{"type": "key", "id": "keys", "actions": actions}]})

    def click(self, selector: str) -> None:
        found = self.ask("POST", "/element", {"using": "css selector", "value": selector})
        self.ask("POST", f"/element/{next(iter(found.values()))}/click", {})

    def picture(self) -> bytes:
        return base64.b64decode(self.ask("GET", "/screenshot"))

    def errors(self) -> list[str]:
        """Return what the page's script has complained of so far."""
        said = self.ask("POST", "/se/log", {"type": "browser"})
        return [entry["message"] for entry in said if entry["level"] == "SEVERE"]

    def accessibility_faults(self) -> list[str]:
        """Return what axe-core (the rules of WCAG 2.x as tests) finds on the page."""
        axe = (resources.files("axe_core_python") / "axe.min.js").read_text("utf-8")
        self.ask("POST", "/execute/sync", {"script": axe, "args": []})
        return list(
            self.run(
                "axe.run().then(r => r.violations.map(v => v.id + ': ' + v.nodes.map(n => n.html).join(' ')))"
            )
        )


@pytest.fixture
def browser(tmp_path: Path) -> Iterator[Browser]:
    """Headless Chromium; the test is skipped where it is not installed."""
    driver = shutil.which("chromedriver")
    binary = shutil.which("chromium") or shutil.which("chromium-browser")
    if driver is None or binary is None:
        pytest.skip("needs the Debian packages chromium and chromium-driver")
    with socket.create_server(("127.0.0.1", 0)) as free:
        port = free.getsockname()[1]
    process = subprocess.Popen(
        [driver, f"--port={port}"], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
    )
    opened = None
    try:
        for _ in range(100):
            with socket.socket() as probe:
                if probe.connect_ex(("127.0.0.1", port)) == 0:
                    break
            time.sleep(0.1)
        opened = Browser(port, binary, tmp_path / "profile")
        yield opened
    finally:
        if opened is not None:
            opened.ask("DELETE", "")
        process.terminate()
        process.wait(timeout=20)
